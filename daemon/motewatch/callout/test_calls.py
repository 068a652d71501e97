"""Test calls: once a week every way to everyone who can be called is tried, and must be confirmed by that person.

A way is a person's address on a channel. Its last trial is kept: waiting, confirmed, or failed (the channel could not
deliver it, or nobody confirmed in time). A confirmation that comes late, or after the channel had given up, still
proves that the way works, and counts; one of an earlier trial than the last does not.

Rules: pure; instants are microseconds UTC. At a local time that a change of clocks skips, the call is made when that
time would have come by the old offset; at one that comes twice, the first time. Must not know alarms or messages.
"""

from __future__ import annotations

from base64 import b32encode
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from datetime import datetime, time, timedelta
from enum import StrEnum
from hashlib import sha256
from typing import Any, Final
from zoneinfo import ZoneInfo

from motewatch.site.instants import instant, instant_us
from motewatch.site.models import Site
from motewatch.site.schedule import DAYS
from motewatch.site.targets import named_rotas, reached
from motewatch.wire.records import SECOND_US


@dataclass(frozen=True, slots=True, order=True)
class Way:
    """One way to reach a person."""

    person: str
    channel: str
    address: str


class Stage(StrEnum):
    """How the last trial of a way stands."""

    WAITING = "waiting"
    CONFIRMED = "confirmed"
    NOT_DELIVERED = "not-delivered"
    NOT_CONFIRMED = "not-confirmed"


FAILED: Final = frozenset({Stage.NOT_DELIVERED, Stage.NOT_CONFIRMED})


@dataclass(frozen=True, slots=True)
class Trial:
    """One test call over one way."""

    id: str
    """Eight letters and digits that a person can type."""
    way: Way
    at_us: int
    confirm_by_us: int
    stage: Stage = Stage.WAITING
    changed_us: int = 0
    """When it was confirmed or failed."""

    @property
    def told(self) -> str:
        """Id of the call that carries it; unique for ever."""
        return f"test-{self.at_us // SECOND_US}-{self.id}"


class Verdict(StrEnum):
    """The answer to a confirmation. One member per branch."""

    TAKEN = "taken"
    AGAIN = "again"
    """It was confirmed before; nothing changes."""
    UNKNOWN = "unknown"
    """No such trial, or a later one of the same way has taken its place."""
    OTHER_PERSON = "other-person"
    """Only the person who was called can say that the call arrived."""


def next_trial_us(at: str, zone: str, after_us: int) -> int:
    """The first instant after `after_us` that is `at` (such as "Tue 10:00") in the zone."""
    day_word, _, clock = at.partition(" ")
    weekday = DAYS.index(day_word)
    time_of_day = time.fromisoformat(clock)
    zone_info = ZoneInfo(zone)
    begin = instant(after_us).astimezone(zone_info).date()
    # A week back too: what a skipped hour moves, or a zone that skips a whole day, may lie on the far side of it.
    first = begin + timedelta(days=(weekday - begin.weekday()) % 7 - 7)
    for week in range(5):
        local = datetime.combine(first + timedelta(weeks=week), time_of_day, tzinfo=zone_info)
        # `fold` is 0: the first of two; and a skipped time is read by the offset before the gap.
        at_us = instant_us(local)
        if at_us > after_us:
            return at_us
    raise AssertionError("a week has every day in it")  # pragma: no cover


def ways_of(site: Site) -> tuple[Way, ...]:
    """Every way to everyone whom an escalation of the site can reach, in order.

    Of a rota that is kept in a calendar anyone may become a member at any time, so everybody is tried.
    """
    wanted = reached(site)
    if any(rota.rotation is None for rota in named_rotas(site)):
        wanted |= {person.id for person in site.persons}
    return tuple(
        sorted(
            {
                Way(person.id, reach.channel, reach.address)
                for person in site.persons
                if person.id in wanted
                for reach in person.reach
            }
        )
    )


@dataclass(slots=True)
class Trials:
    """The last trial of each way."""

    last: dict[Way, Trial] = field(default_factory=dict)

    def begin(self, ways: Iterable[Way], at_us: int, confirm_by_us: int) -> list[Trial]:
        """Begin a trial of each way, in order; ways that are gone are forgotten.

        It takes the place of the trial before, so `confirm_by_us` must not be later than the next beginning.
        """
        made = [Trial(_word(way, at_us), way, at_us, confirm_by_us) for way in sorted(set(ways))]
        self.last = {trial.way: trial for trial in made}
        return made

    def keep(self, ways: Iterable[Way]) -> None:
        """Forget the ways that are not among these (any more)."""
        kept = set(ways)
        self.last = {way: trial for way, trial in self.last.items() if way in kept}

    def confirm(self, id_: str, person: str | None, at_us: int) -> tuple[Verdict, Trial | None]:
        """A person (None: somebody who is none of ours) says that the test call arrived."""
        trial = next((each for each in self.last.values() if each.id == id_), None)
        if trial is None:
            return Verdict.UNKNOWN, None
        if person != trial.way.person:
            return Verdict.OTHER_PERSON, trial
        if trial.stage is Stage.CONFIRMED:
            return Verdict.AGAIN, trial
        return Verdict.TAKEN, self._set(trial, Stage.CONFIRMED, at_us)

    def not_delivered(self, told: str, at_us: int) -> Trial | None:
        """The channel gave a call up. The trial that failed by it, or None where that changes nothing."""
        trial = next((each for each in self.last.values() if each.told == told), None)
        if trial is None or trial.stage is not Stage.WAITING:
            return None
        return self._set(trial, Stage.NOT_DELIVERED, at_us)

    def due(self, id_: str, at_us: int) -> Trial | None:
        """The time to confirm is over. The trial that failed by it, or None where that changes nothing."""
        trial = next((each for each in self.last.values() if each.id == id_), None)
        if trial is None or trial.stage is not Stage.WAITING or at_us < trial.confirm_by_us:
            return None
        return self._set(trial, Stage.NOT_CONFIRMED, at_us)

    def in_order(self, person: str, channel: str) -> bool:
        """Is every way to the person over the channel confirmed? Then its alarm is over."""
        stages = [trial.stage for way, trial in self.last.items() if (way.person, way.channel) == (person, channel)]
        return all(stage is Stage.CONFIRMED for stage in stages)

    def _set(self, trial: Trial, stage: Stage, at_us: int) -> Trial:
        changed = replace(trial, stage=stage, changed_us=at_us)
        self.last[trial.way] = changed
        return changed

    def to_state(self) -> list[list[Any]]:
        """Plain values for a snapshot."""
        return [
            [t.id, t.way.person, t.way.channel, t.way.address, t.at_us, t.confirm_by_us, t.stage.value, t.changed_us]
            for _, t in sorted(self.last.items())
        ]

    @classmethod
    def from_state(cls, state: list[list[Any]]) -> Trials:
        """The trials that `to_state` took apart."""
        trials = cls()
        for id_, person, channel, address, at_us, confirm_by_us, stage, changed_us in state:
            way = Way(person, channel, address)
            trials.last[way] = Trial(id_, way, at_us, confirm_by_us, Stage(stage), changed_us)
        return trials


def _word(way: Way, at_us: int) -> str:
    text = "\0".join((way.person, way.channel, way.address, str(at_us)))
    return b32encode(sha256(text.encode()).digest()[:5]).decode().lower()
