"""Stories of callout: what happens at which local time, and who must be told, over which way, and why.

A story is a text of lines, each with a local time. A line says what happens, or what must come of it:

    Sun 01:58 CEST  needles starts
    Sun 01:58 CEST  -> ada over sms: raised needles
    Sun 02:20 CET   ben acknowledges needles: on my way
    Sun 02:20 CET   -> ada over sms: taken needles "Acknowledged by Ben: on my way."
    until 06:00

The weekday may be left out where the day is that of the line before, the zone's letters where the time comes only
once; a sentence in quotes is compared only where the story gives one. What happens:

    POINT starts | POINT returns             the sensor of that place has a fault, or none any more
    POINT starts, seen at TIME               the same, heard late
    POINT counts NUMBER [, ended at TIME]    particles >= 0.5 um in a reading of one second
    PERSON acknowledges | resets | unshelves ALARM[: comment]
    PERSON answers by the link[: comment]    acknowledges all of the last call to that person which can be answered
    PERSON shelves ALARM until TIME: why
    PERSON takes ALARM out of service: permit | PERSON returns ALARM to service
    PERSON sets ROOM STATE                   occupancy; `by-schedule` gives it back
    CHANNEL reaches | refuses | gives up on PERSON      the outcome of the first call that has none yet
    the broker is lost | the broker is back
    the site file changes: NAME              one of `changes`
    the service is back, away since TIME[, and hears: POINT starts at TIME, ...]

What must come of it: `->` a call, `**` an alarm of the callout itself, `!!` a command that is refused. Nothing else may
be said: the whole timeline is compared. Every story is run twice: at one go, and with the engine taken apart into its
snapshot and put together again before whatever happens and after each deadline.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any, Final
from zoneinfo import ZoneInfo

from motewatch.callout.records import Delivered, Outcome, Told
from motewatch.engine import Engine
from motewatch.engine.codec import canonical
from motewatch.engine.records import (
    Act,
    AlarmChanged,
    Answered,
    Commanded,
    Heard,
    Input,
    Link,
    LinkChanged,
    Memory,
    Output,
    Replied,
    Resumed,
    What,
)
from motewatch.site.instants import instant, instant_us
from motewatch.site.schedule import DAYS
from motewatch.wire.records import (
    HOUR_US,
    SECOND_US,
    Acknowledge,
    Health,
    RemoveFromService,
    Reset,
    ReturnToService,
    SetOccupancy,
    Shelve,
    Unshelve,
)
from support.facility import configured, reading

_LINE: Final = re.compile(
    r"(?:(?P<day>[A-Z][a-z]{2}) )?(?P<clock>\d\d:\d\d(?::\d\d)?)(?: (?P<zone>[A-Z]{2,5}|[+-]\d{2,4}))?"
)
_OUTCOMES: Final = {"reaches": Outcome.DELIVERED, "refuses": Outcome.REFUSED, "gives up on": Outcome.GIVEN_UP}
_ORDERS: Final[dict[str, type[Acknowledge | Reset | Unshelve]]] = {
    "acknowledges": Acknowledge,
    "resets": Reset,
    "unshelves": Unshelve,
}
_LONGEST: Final = timedelta(days=8)


@dataclass(frozen=True, slots=True)
class _Step:
    """One line of the story."""

    at_us: int
    text: str


@dataclass(slots=True)
class _Clock:
    """Local times, read in their order."""

    zone: ZoneInfo
    day: datetime
    """Midnight of the day that the last line was about, without a zone."""

    def read(self, text: str) -> tuple[int, str]:
        """The instant at the begin of a line, and the rest of the line."""
        found = _LINE.match(text)
        assert found, f"no local time at the begin of: {text}"
        day = self.day
        if found["day"]:
            day += timedelta(days=(DAYS.index(found["day"]) - day.weekday()) % 7)
        self.day = day
        return self.instant(day, found["clock"], found["zone"]), text[found.end() :].strip()

    def instant(self, day: datetime, clock: str, letters: str | None) -> int:
        """A local time of that day; the letters say which, where it comes twice."""
        hour, minute, *second = (int(part) for part in clock.split(":"))
        naive = day.replace(hour=hour, minute=minute, second=second[0] if second else 0)
        both = [naive.replace(fold=fold, tzinfo=self.zone) for fold in (0, 1)]
        real = {
            instant_us(at)
            for at in both
            if instant(instant_us(at)).astimezone(self.zone).replace(tzinfo=None) == naive.replace(fold=0)
            and letters in (None, at.tzname())
        }
        assert real, f"{clock} {letters or ''} does not exist on {day:%Y-%m-%d}"
        assert len(real) == 1, f"{clock} comes twice on {day:%Y-%m-%d}: say which, by the letters of the zone"
        return real.pop()

    def show(self, at_us: int) -> str:
        """`Sun 02:20 CET`, with seconds where there are any."""
        at = instant(at_us).astimezone(self.zone)
        clock = f"{at:%H:%M:%S}" if at.second or at.microsecond else f"{at:%H:%M}"
        return f"{DAYS[at.weekday()]} {clock} {at.tzname()}"


@dataclass(slots=True)
class _Play:
    """One run of a story through one engine."""

    clock: _Clock
    site: Mapping[str, Any]
    changes: Mapping[str, Mapping[str, Any]]
    restarting: bool
    history: Memory = field(default_factory=Memory)
    engine: Engine = field(init=False)
    lines: list[tuple[int, str, str]] = field(default_factory=list)
    """Instant, line without and with its sentence."""
    outputs: list[Output] = field(default_factory=list)
    without_outcome: list[Told] = field(default_factory=list)
    number: int = 0

    def begin(self, at_us: int) -> None:
        """The service starts for the first time."""
        self.engine = Engine(self.history)
        self._apply(at_us, configured(dict(self.site)))

    def until(self, at_us: int) -> None:
        """Time passes, up to and including an instant."""
        while self.restarting and self.engine.next_due_us is not None and self.engine.next_due_us < at_us:
            self._note(self.engine.advance(max(self.engine.next_due_us, self.engine.time_us)))
            self._restart()
        self._note(self.engine.advance(at_us))

    def happens(self, step: _Step) -> None:
        """One line that is no expectation."""
        for pattern, what in _HAPPENINGS:
            found = re.fullmatch(pattern, step.text)
            if found:
                self.lines.append((step.at_us, step.text, step.text))
                what(self, step.at_us, found)
                return
        raise AssertionError(f"nothing like this can happen: {step.text}")

    def _apply(self, at_us: int, what: What, received_us: int | None = None) -> None:
        if self.restarting and self.number:
            self._restart()
        self.number += 1
        self._note(self.engine.apply(Input(at_us if received_us is None else received_us, at_us, what)))

    def _restart(self) -> None:
        self.engine = Engine.restore(json.loads(self.engine.snapshot_text()), self.history)

    def _note(self, outputs: list[Output]) -> None:
        self.outputs += outputs
        for output in outputs:
            if isinstance(output, Told):
                self.without_outcome.append(output)
                alarms = ", ".join(short(fact.alarm) for fact in output.facts)
                line = f"-> {output.person} over {output.channel}: {output.cause.value} {alarms}"
                self.lines.append((output.found_us, line, f'{line} "{output.note}"'))
            elif isinstance(output, AlarmChanged) and output.alarm.startswith("callout/"):
                line = f"** {short(output.alarm)} {output.event.value}"
                self.lines.append((output.found_us, line, line))
            elif isinstance(output, Replied) and not output.accepted:
                self.lines.append((self.engine.time_us, "!! refused", f'!! refused "{output.text}"'))

    # What can happen

    def _fault(self, at_us: int, point: str, bad: bool, seen_us: int | None = None) -> None:
        end_us = at_us if seen_us is None else seen_us
        laser = Health.FAULT if bad else Health.OK
        made = reading(point, self.number + 1, end_us, seconds=1.0, laser=laser)
        self._apply(at_us, Heard(made))

    def starts(self, at_us: int, found: re.Match[str]) -> None:
        seen = found["seen"]
        self._fault(at_us, found["point"], found["what"] == "starts", self._time(at_us, seen) if seen else None)

    def counts(self, at_us: int, found: re.Match[str]) -> None:
        end_us = self._time(at_us, found["ended"]) if found["ended"] else at_us
        counts = (int(found["count"]), 0)
        self._apply(at_us, Heard(reading(found["point"], self.number + 1, end_us, counts, seconds=1.0)))

    def orders(self, at_us: int, found: re.Match[str]) -> None:
        id_, comment = f"c-{self.number}", found["comment"] or ""
        command = _ORDERS[found["what"]](id_, found["person"], long(found["alarm"]), comment)
        self._apply(at_us, Commanded(command))

    def answers(self, at_us: int, found: re.Match[str]) -> None:
        person = found["person"]
        told = next(
            (t for t in reversed(self.outputs) if isinstance(t, Told) and t.person == person and t.answer), None
        )
        assert told is not None, f"{person} has no call to answer:\n{self.shown()}"
        others = tuple(fact.alarm for fact in told.facts if fact.alarm != told.answer)
        id_, expires_us = f"c-{self.number}", told.found_us + 4 * HOUR_US
        comment = found["comment"] or ""
        self._apply(
            at_us,
            Answered(id_, told.id, expires_us, person, Act.ACKNOWLEDGE, told.answer, comment=comment, others=others),
        )

    def shelves(self, at_us: int, found: re.Match[str]) -> None:
        until_us = self._time(at_us, found["until"], later=True)
        self._apply(
            at_us, Commanded(Shelve(f"c-{self.number}", found["person"], long(found["alarm"]), until_us, found["why"]))
        )

    def out_of_service(self, at_us: int, found: re.Match[str]) -> None:
        command = RemoveFromService(f"c-{self.number}", found["person"], long(found["alarm"]), found["permit"])
        self._apply(at_us, Commanded(command))

    def to_service(self, at_us: int, found: re.Match[str]) -> None:
        self._apply(at_us, Commanded(ReturnToService(f"c-{self.number}", found["person"], long(found["alarm"]))))

    def sets(self, at_us: int, found: re.Match[str]) -> None:
        state = None if found["state"] == "by-schedule" else found["state"]
        self._apply(at_us, Commanded(SetOccupancy(f"c-{self.number}", found["person"], found["room"], state)))

    def outcome(self, at_us: int, found: re.Match[str]) -> None:
        person, channel = found["person"], found["channel"]
        told = next((t for t in self.without_outcome if (t.person, t.channel) == (person, channel)), None)
        assert told is not None, f"no call to {person} over {channel} waits for its outcome:\n{self.shown()}"
        self.without_outcome.remove(told)
        self._apply(at_us, Delivered(told.id, _OUTCOMES[found["what"]], at_us, 1, "as told"))

    def broker(self, at_us: int, found: re.Match[str]) -> None:
        self._apply(at_us, LinkChanged(Link.BROKER, found["how"] == "back", at_us))

    def site_changes(self, at_us: int, found: re.Match[str]) -> None:
        self._apply(at_us, configured(dict(self.changes[found["name"]])))

    def is_back(self, at_us: int, found: re.Match[str]) -> None:
        """As the service does it: the backlog at the time at which it stood still, then how long that was."""
        since_us = self._time(at_us, found["since"])
        stood_us = since_us + 1
        for heard in (found["heard"] or "").split(", ") if found["heard"] else ():
            one = re.fullmatch(r"(\w+) (starts|returns) at (.+)", heard)
            assert one, f"nothing like this can be heard: {heard}"
            end_us = self._time(at_us, one[3])
            laser = Health.FAULT if one[2] == "starts" else Health.OK
            made = reading(one[1], self.number + 1, end_us, seconds=1.0, laser=laser)
            self._apply(stood_us, Heard(made), at_us)
        self._apply(stood_us, Resumed(at_us))

    def _time(self, at_us: int, text: str, *, later: bool = False) -> int:
        """A time within a line: the last one before, or the first one after it."""
        found = _LINE.fullmatch(text)
        assert found, f"no local time: {text}"
        day = instant(at_us).astimezone(self.clock.zone).replace(tzinfo=None, hour=0, minute=0, second=0, microsecond=0)
        if found["day"]:
            day += timedelta(days=(DAYS.index(found["day"]) - day.weekday()) % 7)
        us = self.clock.instant(day, found["clock"], found["zone"])
        if later and us <= at_us:
            us = self.clock.instant(day + timedelta(days=1), found["clock"], found["zone"])
        elif not later and us > at_us:
            us = self.clock.instant(day - timedelta(days=1), found["clock"], found["zone"])
        return us

    def shown(self) -> str:
        """The timeline, for a message."""
        return "\n".join(f"{self.clock.show(at_us)}  {line}" for at_us, _, line in self.lines)


_P: Final = r"(?P<person>\w+)"
_T: Final = r"(?:[A-Z][a-z]+ )?[\d:]+(?: (?:[A-Z]+|[+-]\d+))?"
_A: Final = r"(?P<alarm>[\w/.-]+)"
_HAPPENINGS: Final[tuple[tuple[str, Callable[[_Play, int, re.Match[str]], None]], ...]] = (
    (rf"(?P<point>\w+) (?P<what>starts|returns)(?:, seen at (?P<seen>{_T}))?", _Play.starts),
    (rf"(?P<point>\w+) counts (?P<count>\d+)(?:, ended at (?P<ended>{_T}))?", _Play.counts),
    (rf"{_P} (?P<what>acknowledges|resets|unshelves) {_A}(?:: (?P<comment>.+))?", _Play.orders),
    (rf"{_P} answers by the link(?:: (?P<comment>.+))?", _Play.answers),
    (rf"{_P} shelves {_A} until (?P<until>{_T}): (?P<why>.+)", _Play.shelves),
    (rf"{_P} takes {_A} out of service: (?P<permit>.+)", _Play.out_of_service),
    (rf"{_P} returns {_A} to service", _Play.to_service),
    (rf"{_P} sets (?P<room>\w+) (?P<state>[\w-]+)", _Play.sets),
    (rf"(?P<channel>\w+) (?P<what>reaches|refuses|gives up on) {_P}", _Play.outcome),
    (r"the broker is (?P<how>lost|back)", _Play.broker),
    (r"the site file changes: (?P<name>.+)", _Play.site_changes),
    (rf"the service is back, away since (?P<since>{_T})(?:, and hears: (?P<heard>.+))?", _Play.is_back),
)


def short(alarm: str) -> str:
    """The alarm as a story calls it: a point's own by the point's name, others by their id without its first word."""
    own = re.fullmatch(r"sensor/(\w+)/laser", alarm)
    return own[1] if own else alarm.partition("/")[2]


def long(alarm: str) -> str:
    """The id of what a story calls so."""
    if alarm == "broker":
        return "service/broker"
    if alarm == "nobody-reached" or alarm.startswith("gap/"):
        return f"callout/{alarm}"
    return f"location/{alarm}" if "/" in alarm else f"sensor/{alarm}/laser"


def story(
    site: Mapping[str, Any], day: str, text: str, *, changes: Mapping[str, Mapping[str, Any]] | None = None
) -> list[Told]:
    """Play a story that begins at midnight of `day`; fails with both timelines where they differ. Returns the calls."""
    zone = ZoneInfo(site["site"]["time_zone"])
    begin = datetime.fromisoformat(day)
    steps, end_us = _steps(text, _Clock(zone, begin))
    plays = [_Play(_Clock(zone, begin), site, changes or {}, restarting) for restarting in (False, True)]
    for play in plays:
        play.begin(instant_us(begin.replace(tzinfo=zone)))
        _play(play, steps, end_us)
    expected = [f"{plays[0].clock.show(step.at_us)}  {step.text}" for step in steps]
    for play in plays:
        quoted = [step.text.endswith('"') for step in steps] + [False] * len(play.lines)
        found = [
            f"{play.clock.show(at_us)}  {full if with_sentence else line}"
            for (at_us, line, full), with_sentence in zip(play.lines, quoted, strict=False)
        ]
        assert found == expected, _differ(expected, found, play.restarting)
    plain, restarted = ([canonical(output) for output in play.outputs] for play in plays)
    assert plain == restarted, "an engine that was restarted again and again says something else"
    return [output for output in plays[0].outputs if isinstance(output, Told)]


def _play(play: _Play, steps: list[_Step], end_us: int) -> None:
    for number, step in enumerate(steps):
        if step.text[:2] in ("->", "**", "!!"):
            continue
        back = re.search(rf"away since ({_T})", step.text)
        # What was due before is worked off; while the service was away, nothing was.
        play.until(play._time(step.at_us, back[1]) if back else step.at_us - 1)
        play.happens(step)
        later = [each for each in steps[number + 1 :] if each.text[:2] not in ("->", "**", "!!")]
        if not later or later[0].at_us > step.at_us:
            play.until(step.at_us)
    play.until(end_us)


def _steps(text: str, clock: _Clock) -> tuple[list[_Step], int]:
    lines = [line.strip() for line in text.strip().splitlines() if line.strip()]
    assert lines[-1].startswith("until "), "a story ends with: until TIME"
    steps: list[_Step] = []
    for line in lines[:-1]:
        at_us, rest = clock.read(line)
        assert not steps or at_us >= steps[-1].at_us, f"earlier than the line before: {line}"
        steps.append(_Step(at_us, rest))
    end_us, rest = clock.read(lines[-1].removeprefix("until "))
    assert not rest, f"nothing may follow: {lines[-1]}"
    assert end_us >= steps[-1].at_us, f"earlier than the line before: {lines[-1]}"
    assert end_us - steps[0].at_us < _LONGEST.total_seconds() * SECOND_US, "sensors fall silent after a week"
    return steps, end_us


def _differ(expected: list[str], found: list[str], restarting: bool) -> str:
    wide = max(map(len, expected), default=0)
    rows = list(_beside(expected, found))
    title = "with restarts" if restarting else "at one go"
    return "\n".join(
        [f"the story went another way ({title}): as told | as it went"]
        + [f"{'  ' if a == b else '> '}{a:<{wide}} | {b}" for a, b in rows]
    )


def _beside(expected: list[str], found: list[str]) -> Iterator[tuple[str, str]]:
    for number in range(max(len(expected), len(found))):
        yield (
            expected[number] if number < len(expected) else "",
            found[number] if number < len(found) else "",
        )
