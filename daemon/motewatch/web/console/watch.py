"""Gathers what the page `On call` and its API say: the roster of the site as it is now, cases, alarms, calls on record.

Questions to the record; call it in a thread of the pool.
"""

from __future__ import annotations

from typing import Final

from motewatch.callout.ladders import Ladders
from motewatch.callout.outlook import CaseNow
from motewatch.callout.roster import Roster
from motewatch.engine.subject import CHANNEL_PART, OUT_OF_USE, trial_alarm
from motewatch.journal.call_ids import CallRecord
from motewatch.journal.rows import CallRow
from motewatch.site.models import Site
from motewatch.web.console.duty import Duty, duty_of
from motewatch.web.console.house import House

ALARMS_SHOWN: Final = 25
"""In full; of a flood the page says how many more there are."""
CALLS_SHOWN: Final = 20
CALLS_OF_ALARM: Final = 40
STILL_OUT: Final = frozenset({"unacknowledged", "acknowledged", "shelved", "suppressed-by-design", "out-of-service"})
"""States of the alarm of a channel that is out of use; in the others it is in use again."""


class Watch:
    """Who is on call and who was called."""

    def __init__(self, house: House) -> None:
        self._house = house
        self._known: tuple[Site, Roster, Ladders] | None = None

    def plan(self) -> tuple[Site, Roster, Ladders]:
        """The site as it is now, compiled once for each configuration."""
        site, known = self._house.site, self._known
        if known is None or known[0] is not site:
            known = self._known = (site, Roster.of(site), Ladders.of(site))
        return known

    def cases(self) -> tuple[CaseNow, ...]:
        """How the calls for each alarm stand."""
        return tuple(self._house.cases())

    def duty(self) -> Duty:
        """The page."""
        house = self._house
        site, roster, ladders = self.plan()
        cases = self.cases()
        every = house.feed.alarms()
        # Those that somebody is called for come first, whatever else stands.
        called = {case.alarm for case in cases}
        every.sort(key=lambda alarm: alarm.alarm not in called)
        alarms = every[:ALARMS_SHOWN]
        record = CallRecord(house.record)
        opened = {case.alarm: case.opened_us for case in cases}
        told: dict[str, list[CallRow]] = {}
        for alarm in alarms:
            if alarm.alarm in opened:
                rows = [row for _, row in record.page(CALLS_OF_ALARM, alarm=alarm.alarm)]
                told[alarm.alarm] = [row for row in rows if row.told.found_us >= opened[alarm.alarm]]
        calls = [row for _, row in record.page(CALLS_SHOWN)]
        tests = self._tests(record)
        shown = [*calls, *(row for rows in told.values() for row in rows), *(row for row, _ in tests)]
        answers = record.answers([row.told for row in shown])
        return duty_of(
            site,
            roster,
            ladders,
            alarms,
            cases,
            told,
            calls,
            answers,
            tests,
            house.clock.now_us(),
            more=len(every) - len(alarms),
            out_of_use=[
                each for each in every if each.alarm.startswith(OUT_OF_USE + CHANNEL_PART) and each.state in STILL_OUT
            ],
        )

    def _tests(self, record: CallRecord) -> list[tuple[CallRow, bool]]:
        """The last test call over each way, and whether its alarm stands."""
        standing = {alarm.alarm for alarm in self._house.feed.alarms() if alarm.state != "normal"}
        return [
            (CallRow(told), confirmed_us is None and trial_alarm(told.person, told.channel) in standing)
            for told, confirmed_us in record.last_test_calls()
        ]
