"""What can be said of each location now: it holds, it does not, or we cannot tell, and why.

Rules:

- Beyond a limit is what the daemon's action alarms say: its judging rules, not a second opinion of the view.
- No news is never good news: without a recent sound sample, or without the service, nobody can say that a location
  holds. An alarm heard last stays OUT meanwhile, for dirt does not go away by not looking.
- A sample above a level without an alarm (its rule waits for more) is ALERT, not HOLDS.
- A location that only portables visit is UNATTENDED between visits; it does not speak for its room.

Pure functions. Must not know topics, screens or how messages arrive.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from functools import lru_cache

from motewatch.alarms.bounds import Side
from motewatch.alarms.lifecycle import ACTIVE
from motewatch.engine.plan import ClimateBound, CountLevel, Grade, LocationPlan, RoomPlan
from motewatch.picture.words import Holding
from motewatch.wire.outgoing import AlarmMessage, SampleMessage, Span
from motewatch.wire.records import SECOND_US

NEVER_US = 1 << 62
CASCADE = "cascade"
"""Kind of the alarm that a room no longer stands above its neighbour: it is about the place of the room's gauge."""

SUSPECT_WORDS = {
    "missing": "no air was sampled",
    "partial": "too little air was sampled",
    "over-range": "more particles than the sensor can count",
    "flow-fault": "the sensor's flow is at fault",
    "laser-fault": "the sensor's laser is at fault",
    "clock-suspect": "the sensor's clock is off",
}
"""Qualities that keep a sample from showing that air is clean (limits.judging has the same list as bits)."""

ACTIVE_WORDS = frozenset(state.value for state in ACTIVE)
PERIODS_UNTIL_STALE = 3
STALE_AT_LEAST_US = 10 * SECOND_US

UNITS = {"temperature": "C", "humidity": "%", "pressure-difference": "Pa"}


@dataclass(frozen=True, slots=True)
class SizeLine:
    """One limited size: the latest concentration against its level.

    `per_m3` is None where it was not counted. `grade` says what `limit` is; `alert` is the alert level beside an
    action level.
    """

    size_nm: int
    per_m3: float | None
    limit: int
    grade: Grade
    alert: int | None
    at_least: bool
    """The true value may be higher: the sensor was beyond its range."""

    @property
    def share(self) -> float | None:
        """Concentration as a share of the limit."""
        if self.per_m3 is None:
            return None
        # A limit of zero: anything is beyond it.
        return self.per_m3 / self.limit if self.limit else (2.0 if self.per_m3 else 0.0)

    @property
    def beyond(self) -> Grade | None:
        """The level that this single value is above, whatever the judging rule makes of it."""
        if self.per_m3 is None:
            return None
        if self.per_m3 > self.limit:
            return self.grade
        return Grade.ALERT if self.alert is not None and self.per_m3 > self.alert else None


@dataclass(frozen=True, slots=True)
class ClimateValue:
    """One climate value with its bounds: mean over the sample, in whole units."""

    quantity: str
    mean: float
    low: float | None
    high: float | None
    alert_low: float | None
    alert_high: float | None
    outside: tuple[Side, Grade] | None = field(init=False)
    """On which side the value is beyond which bound, the action bound first."""

    def __post_init__(self) -> None:
        object.__setattr__(self, "outside", self._outside())

    def _outside(self) -> tuple[Side, Grade] | None:
        for low, high, grade in ((self.low, self.high, Grade.ACTION), (self.alert_low, self.alert_high, Grade.ALERT)):
            if low is not None and self.mean < low:
                return Side.LOW, grade
            if high is not None and self.mean > high:
                return Side.HIGH, grade
        return None


@dataclass(frozen=True, slots=True)
class LocationLine:
    """One location as it stands."""

    id: str
    name: str
    holding: Holding
    why: str
    """For every holding but HOLDS: the reason, in a few words."""
    since_us: int | None
    """End of the newest sample."""
    sizes: tuple[SizeLine, ...] = ()
    climate: tuple[ClimateValue, ...] = ()

    @property
    def worst(self) -> SizeLine | None:
        """The size nearest to its limit."""
        return max(self.sizes, key=lambda line: -1.0 if line.share is None else line.share, default=None)


@dataclass(frozen=True, slots=True)
class Latest:
    """The newest sample of a location and when it was heard."""

    sample: SampleMessage
    end_us: int
    heard_us: int


@dataclass(frozen=True, slots=True)
class Circumstances:
    """What holds for all locations: the instant, since when we listen, and why nobody can tell (empty: we can)."""

    now_us: int
    listening_us: int
    blind: str = ""


def judge_location(
    plan: LocationPlan,
    room: RoomPlan,
    interval_us: int,
    latest: Latest | None,
    alarms: Iterable[AlarmMessage],
    now: Circumstances,
) -> LocationLine:
    """The location as it stands. `alarms`: those that are about it; `interval_us`: how often samples should come."""
    sizes = _sizes(plan, latest)
    climate = _climate(room.bounds, latest)
    since_us = None if latest is None else latest.end_us
    active = [alarm for alarm in alarms if alarm.state in ACTIVE_WORDS]
    holding, why = _verdict(plan, room, interval_us, latest, active, sizes, now)
    return LocationLine(plan.id, plan.name, holding, why, since_us, sizes, climate)


def _verdict(
    plan: LocationPlan,
    room: RoomPlan,
    interval_us: int,
    latest: Latest | None,
    active: list[AlarmMessage],
    sizes: tuple[SizeLine, ...],
    now: Circumstances,
) -> tuple[Holding, str]:
    about = [alarm for alarm in active if alarm.alarm.startswith("location/") or alarm.kind == CASCADE]
    acting = [alarm for alarm in about if alarm.kind.endswith(f"-{Grade.ACTION.value}") or alarm.kind == CASCADE]
    unknown = _unknown(plan, interval_us, latest, active, now)
    if acting:
        why = ", ".join(dict.fromkeys(_short(alarm) for alarm in acting))
        return Holding.OUT, why + (f"; now unknown: {unknown}" if unknown else "")
    if unknown:
        attended = plan.sensor is not None or now.blind
        return (Holding.UNKNOWN if attended else Holding.UNATTENDED), unknown
    warning = [alarm for alarm in about if alarm.kind.endswith(f"-{Grade.ALERT.value}")]
    if warning:
        return Holding.ALERT, ", ".join(dict.fromkeys(_short(alarm) for alarm in warning))
    over = [line.beyond for line in sizes if line.beyond is not None]
    if over:
        grade = Grade.ACTION if Grade.ACTION in over else Grade.ALERT
        return Holding.ALERT, f"one sample above the {grade.value} level, not yet an alarm by its rule"
    if not sizes and not room.bounds:
        return Holding.NOT_JUDGED, "no limit in this state"
    return Holding.HOLDS, ""


def _unknown(
    plan: LocationPlan, interval_us: int, latest: Latest | None, active: list[AlarmMessage], now: Circumstances
) -> str:
    """Why nobody can tell, or an empty text."""
    if now.blind:
        return now.blind
    patience_us = _patience_us(plan, interval_us)
    if latest is None:
        if plan.sensor is None:
            return "no portable sensor has come yet"
        late = now.now_us - now.listening_us > patience_us
        return "no sample has come" if late else "waiting for the first sample"
    # Both ages: a display whose clock is behind must not take old air for fresh.
    age_us = max(now.now_us - latest.end_us, now.now_us - latest.heard_us)
    if age_us > patience_us:
        return "no sample for a while"
    for alarm in active:
        if alarm.kind == "sensor-silent":
            return "the sensor is silent"
        if alarm.kind == "insufficient-sampling":
            return "too little air is sampled"
    reasons = [SUSPECT_WORDS[word] for word in latest.sample.quality if word in SUSPECT_WORDS]
    return reasons[0] if reasons else ""


def _patience_us(plan: LocationPlan, interval_us: int) -> int:
    return max(PERIODS_UNTIL_STALE * interval_us + plan.settle_us, STALE_AT_LEAST_US)


def holds_until_us(plan: LocationPlan, interval_us: int, latest: Latest | None, now: Circumstances) -> int:
    """Until when (itself included) `judge_location` says what it says now, unless something is heard or blinds us."""
    born_us = now.listening_us if latest is None else min(latest.end_us, latest.heard_us)
    until_us = born_us + _patience_us(plan, interval_us)
    return until_us if until_us >= now.now_us else NEVER_US


def _short(alarm: AlarmMessage) -> str:
    """`above its action level`, `humidity outside its action bound`."""
    if alarm.kind == CASCADE:
        return "pressure cascade lost"
    quantity, _, grade = alarm.kind.rpartition("-")
    if quantity == "count":
        return f"particles above the {grade} level"
    return f"{quantity.replace('-', ' ')} outside its {grade} bound"


@lru_cache(maxsize=4096)
def _judged_sizes(levels: tuple[CountLevel, ...]) -> tuple[tuple[int, int, Grade, int | None, bool], ...]:
    """Of each size: its limit, of which grade, the alert level beside it, and whether all are of an ISO class."""
    found = []
    for size_nm in sorted({level.size_nm for level in levels}):
        here = [level for level in levels if level.size_nm == size_nm]
        by_grade = {level.grade: level.per_m3 for level in here}
        grade = Grade.ACTION if Grade.ACTION in by_grade else Grade.ALERT
        alert = by_grade.get(Grade.ALERT) if grade is Grade.ACTION else None
        found.append((size_nm, by_grade[grade], grade, alert, all(level.source.startswith("ISO") for level in here)))
    return tuple(found)


def _sizes(plan: LocationPlan, latest: Latest | None) -> tuple[SizeLine, ...]:
    if latest is None:
        return ()
    sample = latest.sample
    values = {round(channel.size_um * 1000): channel.per_m3 for channel in sample.channels}
    at_least = "over-range" in sample.quality
    return tuple(
        [
            SizeLine(size_nm, values.get(size_nm), limit, grade, alert, at_least)
            for size_nm, limit, grade, alert, of_class in _judged_sizes(plan.levels[sample.occupancy.value])
            # A class may be shown at any one of its sizes (ISO 14644-1:2015, 4.1): no gap worth a line.
            if size_nm in values or not of_class
        ]
    )


_Limits = tuple[float | None, float | None, float | None, float | None]
"""Low and high action bound, low and high alert bound."""


@lru_cache(maxsize=4096)
def _judged_climate(bounds: tuple[ClimateBound, ...]) -> dict[str, _Limits]:
    found: dict[str, _Limits] = {}
    for quantity in UNITS:
        of = {
            (bound.bound.side, bound.grade): bound.bound.value / 1000 for bound in bounds if bound.quantity == quantity
        }
        low, high = (of.get((side, Grade.ACTION)) for side in (Side.LOW, Side.HIGH))
        found[quantity] = low, high, of.get((Side.LOW, Grade.ALERT)), of.get((Side.HIGH, Grade.ALERT))
    return found


def _climate(bounds: tuple[ClimateBound, ...], latest: Latest | None) -> tuple[ClimateValue, ...]:
    if latest is None:
        return ()
    sample = latest.sample
    spans: tuple[tuple[str, Span | None], ...] = (
        ("temperature", sample.temperature_c),
        ("humidity", sample.humidity_pct),
        ("pressure-difference", sample.pressure_difference_pa),
    )
    limits = _judged_climate(bounds)
    return tuple([ClimateValue(quantity, span.mean, *limits[quantity]) for quantity, span in spans if span is not None])


def holding_of_room(locations: Sequence[LocationLine]) -> Holding:
    """The worst of the locations that can speak for the room; without any of these, nobody can tell."""
    speaking = [line.holding for line in locations if line.holding is not Holding.UNATTENDED]
    judged = [holding for holding in speaking if holding is not Holding.NOT_JUDGED]
    if judged:
        return min(judged, key=lambda holding: holding.rank)
    return Holding.NOT_JUDGED if speaking else Holding.UNKNOWN


def climate_of_room(locations: Sequence[LocationLine]) -> tuple[ClimateValue, ...]:
    """One value of each quantity: the one outside its bounds where there is one, else that of the newest sample."""
    chosen: dict[str, ClimateValue] = {}
    for line in sorted(locations, key=lambda line: line.since_us or 0, reverse=True):
        for value in line.climate:
            before = chosen.get(value.quantity)
            if before is None or (value.outside is not None and _rank(value) < _rank(before)):
                chosen[value.quantity] = value
    return tuple(chosen[quantity] for quantity in UNITS if quantity in chosen)


def _rank(value: ClimateValue) -> int:
    if value.outside is None:
        return 2
    return 0 if value.outside[1] is Grade.ACTION else 1
