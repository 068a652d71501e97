"""How a period's alarms were to live with: rates, floods, chattering, standing alarms, time to acknowledge.

The figures are those that ISA-18.2 / IEC 62682 name; the standards (as public material cites them) do not say how each
is to be counted. The definitions here are exact, and are ours where no source is named:

- An annunciation is counted where people meet it: excursions of one alarm that are found one after the other when a
  counter sends its buffer are one of them, and are counted as `late_in_bursts` beside.

- The period is `[start, end)`, by the instant at which people were told. Fixed windows (10 minutes, hours, days) are
  aligned to UTC, and only those that lie whole in the period are looked at. Sliding windows are `(t - length, t]`, ask
  at each annunciation t of the period, and may reach back before its start.
- Everything that the standards count per operator is divided by the number of operators, or compared with so many times
  the bound: one list of alarms, and all of them look at it.
- Steps before the period should be given too (`LEAD_US`, and the last step of each alarm before that): without them an
  alarm that stood at the start is only known from its first step on.

A period cut in two at a whole hour adds up: annunciations, windows, time in flood, time hidden, fleeting alarms and
priorities are sums, peaks are the greater of two. Pure; must not know targets (`alarms.targets`) or the record.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from statistics import median
from typing import Final

from motewatch.alarms.annunciations import (
    UNACKNOWLEDGED,
    Annunciation,
    Condition,
    Stay,
    Step,
    conditions,
    hidden,
    presented,
    standing,
    waits,
)
from motewatch.alarms.flood import FLOOD_FEWER_THAN, FLOOD_MORE_THAN, FLOOD_WINDOW_US, Flood, FloodChange
from motewatch.alarms.lifecycle import State
from motewatch.alarms.priority import Priority
from motewatch.wire.records import DAY_US, HOUR_US, MINUTE_US, SECOND_US

TEN_MINUTES_US: Final = 10 * MINUTE_US
STALE_US: Final = DAY_US
FLEETING_US: Final = 10 * SECOND_US
REPEATS_US: Final = MINUTE_US
"""A short alarm that comes again within this is no fleeting one: it repeats."""
LEAD_US: Final = STALE_US + HOUR_US
"""How far before the period its steps matter."""
MANY_IN_10_MIN: Final = 10
MANY_IN_AN_HOUR: Final = 30


class Chattering(StrEnum):
    """When an alarm chatters. Sources disagree, and the standard is said to leave the number to the site."""

    THREE_IN_A_MINUTE = "3-in-1-min"
    """3 or more starts within 1 minute: a common working rule."""
    SIX_IN_FIVE_MINUTES = "more-than-5-in-5-min"
    """More than 5 starts within 5 minutes: a public note on the standard."""


CHATTER: Final = {
    Chattering.THREE_IN_A_MINUTE: (3, MINUTE_US),
    Chattering.SIX_IN_FIVE_MINUTES: (6, 5 * MINUTE_US),
}
"""So many starts of one alarm in a sliding window of that length."""


@dataclass(frozen=True, slots=True)
class Period:
    """`[start_us, end_us)`."""

    start_us: int
    end_us: int

    def __post_init__(self) -> None:
        """Raises ValueError for a period without length."""
        if self.end_us <= self.start_us:
            raise ValueError(f"a period must end after its start: {self.start_us} to {self.end_us}")

    @property
    def length_us(self) -> int:
        """How long it is."""
        return self.end_us - self.start_us

    def holds(self, at_us: int) -> bool:
        """Does the instant lie in it?"""
        return self.start_us <= at_us < self.end_us

    def overlap_us(self, since_us: int, until_us: int | None) -> int:
        """How much of a stay lies in it."""
        last_us = self.end_us if until_us is None else min(until_us, self.end_us)
        return max(0, last_us - max(since_us, self.start_us))

    def windows(self, length_us: int) -> range:
        """Starts of the fixed windows that lie whole in it."""
        first = -(-self.start_us // length_us) * length_us
        return range(first, self.end_us - length_us + 1, length_us)


@dataclass(frozen=True, slots=True)
class Windows:
    """Fixed windows: how many there were, how many held more than the bound, and the most in one."""

    length_us: int
    number: int
    over: int
    most: int

    @property
    def share_over(self) -> float | None:
        """Share of the windows above the bound; None without any window."""
        return self.over / self.number if self.number else None


@dataclass(frozen=True, slots=True)
class FloodSpan:
    """A flood, told as a whole also where it reaches over the period's ends. `end_us` None: not over yet.

    `alarms`: annunciations from the window in which it began to its end.
    """

    start_us: int
    end_us: int | None
    alarms: int


@dataclass(frozen=True, slots=True)
class Often:
    """One alarm and how often: annunciations of the period and their share, or the most starts in a window."""

    alarm: str
    number: int
    share: float = 0.0


@dataclass(frozen=True, slots=True)
class Acknowledging:
    """How long the waits took that began in the period, as far as they were ended by an acknowledgement.

    `median_us` is the mean of the middle two where their number is even; `p90_us` the smallest that at least 90 % do
    not exceed (nearest rank). `never`: ended otherwise (hidden or reset). `waiting`: not ended by the period's end.
    """

    acknowledged: int
    median_us: float | None
    p90_us: int | None
    longest_us: int | None
    never: int
    waiting: int


@dataclass(frozen=True, slots=True)
class HiddenTime:
    """Time in one of the hidden states, summed over alarms, and how many alarms that were."""

    alarms: int
    total_us: int


@dataclass(frozen=True, slots=True)
class Figures:
    """All of it. Numbers are of the whole site; `per_operator_...` are divided by the operators."""

    period: Period
    operators: int
    chattering_rule: Chattering
    annunciated: int
    """Each late burst of an alarm counts once (`alarms.annunciations`)."""
    late_bursts: int
    late_in_bursts: int
    """Excursions found late that were gathered in them."""
    per_operator_hour: float
    per_operator_10_min: float
    per_operator_day: float
    peak_10_min: int
    """The most annunciations in a sliding window of 10 minutes."""
    peak_10_min_us: int | None
    """The end of the first such window."""
    peak_hour: int
    peak_minute: int
    """The same of an hour and of a minute."""
    ten_minutes: Windows
    """Bound: more than 10 per operator."""
    hours: Windows
    """Bound: more than 30 per operator."""
    floods: tuple[FloodSpan, ...]
    flood_us: int
    chattering: tuple[Often, ...]
    """Alarms with enough starts in one sliding window, with the most starts in one; the worst first."""
    fleeting: int
    """Conditions of less than 10 s that did not come again within a minute. What started and returned at one instant
    was told after the fact, and is not among them."""
    stale_most: int
    """The most alarms that had stood for more than 24 h at some instant of one UTC day (cut by the period's ends)."""
    standing: int
    """Alarms in the list at the end of the period."""
    standing_unacknowledged: int
    standing_stale: tuple[str, ...]
    frequent: tuple[Often, ...]
    """The ten alarms with the most annunciations; among equals by id."""
    priorities: dict[Priority, int]
    """Annunciations of each priority."""
    acknowledging: Acknowledging
    hidden: dict[State, HiddenTime]

    @property
    def flood_share(self) -> float:
        """Share of the period in flood."""
        return self.flood_us / self.period.length_us

    @property
    def frequent_share(self) -> float | None:
        """Share of the ten most frequent alarms in all annunciations; None without any."""
        return sum(often.number for often in self.frequent) / self.annunciated if self.annunciated else None

    def priority_share(self, priority: Priority) -> float | None:
        """Share of a priority in the annunciations; None without any."""
        return self.priorities[priority] / self.annunciated if self.annunciated else None


def figures(
    steps: Iterable[Step],
    period: Period,
    operators: int = 1,
    chattering: Chattering = Chattering.THREE_IN_A_MINUTE,
) -> Figures:
    """The figures of a period. Steps found at or after its end are left out. Raises ValueError for no operators."""
    if operators < 1:
        raise ValueError(f"figures are per operator, and {operators} is none")
    known = [step for step in steps if step.found_us < period.end_us]
    told, bursts = presented(known)
    late = [burst for burst in bursts if period.holds(burst.told_us)]
    mine = [each for each in told if period.holds(each.told_us)]
    instants = [each.told_us for each in told]
    first = bisect_left(instants, period.start_us)
    peak, peak_us = _peak(instants, first, TEN_MINUTES_US)
    hours = period.length_us / HOUR_US
    rate = len(mine) / operators / hours
    floods = [span for span in _floods(instants, period, operators) if period.overlap_us(span.start_us, span.end_us)]
    stays = standing(known)
    now = [stay for stay in stays if stay.until_us is None]
    last = {step.alarm: step.after for step in known}
    return Figures(
        period=period,
        operators=operators,
        chattering_rule=chattering,
        annunciated=len(mine),
        late_bursts=len(late),
        late_in_bursts=sum(burst.found for burst in late),
        per_operator_hour=rate,
        per_operator_10_min=rate / 6,
        per_operator_day=rate * 24,
        peak_10_min=peak,
        peak_10_min_us=peak_us,
        peak_hour=_peak(instants, first, HOUR_US)[0],
        peak_minute=_peak(instants, first, MINUTE_US)[0],
        ten_minutes=_windows(instants, period, TEN_MINUTES_US, MANY_IN_10_MIN * operators),
        hours=_windows(instants, period, HOUR_US, MANY_IN_AN_HOUR * operators),
        floods=tuple(floods),
        flood_us=sum(period.overlap_us(span.start_us, span.end_us) for span in floods),
        chattering=_chattering(told, period, *CHATTER[chattering]),
        fleeting=_fleeting(conditions(known), period),
        stale_most=_stale_most(stays, period),
        standing=len(now),
        standing_unacknowledged=sum(last[stay.alarm] in UNACKNOWLEDGED for stay in now),
        standing_stale=tuple(sorted(stay.alarm for stay in now if period.end_us - stay.since_us > STALE_US)),
        frequent=_frequent(mine),
        priorities={priority: sum(each.priority is priority for each in mine) for priority in Priority},
        acknowledging=_acknowledging(known, period),
        hidden={state: _hidden_time(of_state, period) for state, of_state in hidden(known).items()},
    )


def _peak(instants: Sequence[int], first: int, length_us: int) -> tuple[int, int | None]:
    """The most in a sliding window that ends at an annunciation from `first` on, and when the first such ends."""
    most, when = 0, None
    for number in range(first, len(instants)):
        at_us = instants[number]
        inside = bisect_right(instants, at_us) - bisect_right(instants, at_us - length_us)
        if inside > most:
            most, when = inside, at_us
    return most, when


def _windows(instants: Sequence[int], period: Period, length_us: int, bound: int) -> Windows:
    starts = period.windows(length_us)
    held = [bisect_left(instants, start + length_us) - bisect_left(instants, start) for start in starts]
    return Windows(length_us, len(starts), sum(number > bound for number in held), max(held, default=0))


def _floods(instants: Sequence[int], period: Period, operators: int) -> list[FloodSpan]:
    flood = Flood(FLOOD_MORE_THAN * operators, FLOOD_FEWER_THAN * operators)
    found: list[FloodSpan] = []

    def over(since_us: int, end_us: int | None) -> None:
        first = bisect_right(instants, since_us - FLOOD_WINDOW_US)
        last = len(instants) if end_us is None else bisect_left(instants, end_us)
        found.append(FloodSpan(since_us, end_us, last - first))

    for at_us in instants:
        since_us, end_us = flood.since_us, flood.end_us
        if flood.observe(at_us) is FloodChange.ENDED:
            assert since_us is not None
            over(since_us, end_us)
    if flood.since_us is not None:
        # No further alarm came within the period, so that its end is known where it lies in it.
        end_us = flood.end_us
        over(flood.since_us, end_us if end_us is not None and end_us < period.end_us else None)
    return found


def _chattering(told: Sequence[Annunciation], period: Period, least: int, length_us: int) -> tuple[Often, ...]:
    starts: dict[str, list[int]] = defaultdict(list)
    for each in told:
        if each.starts:
            starts[each.alarm].append(each.told_us)
    worst = []
    for alarm, instants in starts.items():
        most, _ = _peak(instants, bisect_left(instants, period.start_us), length_us)
        if most >= least:
            worst.append(Often(alarm, most))
    return tuple(sorted(worst, key=lambda often: (-often.number, often.alarm)))


def _fleeting(found: Sequence[Condition], period: Period) -> int:
    starts: dict[str, list[int]] = defaultdict(list)
    for each in found:
        starts[each.alarm].append(each.started_us)
    for instants in starts.values():
        instants.sort()
    number = 0
    for each in found:
        if each.returned_us is None or not period.holds(each.told_us):
            continue
        if not 0 < each.returned_us - each.started_us < FLEETING_US:
            continue
        mine = starts[each.alarm]
        later = bisect_right(mine, each.started_us)
        number += later == len(mine) or mine[later] - each.returned_us > REPEATS_US
    return number


def _stale_most(stays: Sequence[Stay], period: Period) -> int:
    on_day: dict[int, set[str]] = defaultdict(set)
    for stay in stays:
        first_us = max(stay.since_us + STALE_US + 1, period.start_us)
        last_us = period.end_us if stay.until_us is None else stay.until_us
        for day in range(first_us // DAY_US, (last_us - 1) // DAY_US + 1 if first_us < last_us else 0):
            on_day[day].add(stay.alarm)
    return max(map(len, on_day.values()), default=0)


def _frequent(mine: Sequence[Annunciation]) -> tuple[Often, ...]:
    counted = Counter(each.alarm for each in mine)
    ten = sorted(counted.items(), key=lambda item: (-item[1], item[0]))[:10]
    return tuple(Often(alarm, number, number / len(mine)) for alarm, number in ten)


def _acknowledging(known: Sequence[Step], period: Period) -> Acknowledging:
    began = [wait for wait in waits(known) if period.holds(wait.since_us)]
    took = sorted(wait.until_us - wait.since_us for wait in began if wait.acknowledged and wait.until_us is not None)
    return Acknowledging(
        acknowledged=len(took),
        median_us=median(took) if took else None,
        p90_us=took[-(-9 * len(took) // 10) - 1] if took else None,
        longest_us=took[-1] if took else None,
        never=sum(wait.until_us is not None and not wait.acknowledged for wait in began),
        waiting=sum(wait.until_us is None for wait in began),
    )


def _hidden_time(stays: Sequence[Stay], period: Period) -> HiddenTime:
    inside = [(stay.alarm, period.overlap_us(stay.since_us, stay.until_us)) for stay in stays]
    return HiddenTime(len({alarm for alarm, us in inside if us}), sum(us for _, us in inside))
