"""How well alarms told what was really so: found, missed, false, and after how long.

Rules. A truth is *found* by an alarm of a kind that speaks of it (`SIGNS`), at its place, that was known between its
beginning and `grace` after its end; the delay is from its beginning until the alarm was known. An excursion is found,
too, by the alarm of its level that stands already when it begins. An alarm that finds nothing by itself is *explained*
when an incident that can do such a thing goes on somewhere (air spreads). What is left is *false*: laid at the door of
the misbehaviour that its sensor had at the time, else of none. A truth that was going on when the stream ended without
an alarm is *open*, not missed, if it had less than `grace` so far.

Pure: it compares records and knows nothing of streams, engines or files.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

from motewatch.alarms.lifecycle import Event
from motewatch.engine.records import AlarmChanged
from motewatch.site.alarm_kinds import PLACELESS
from motewatch_simulator.truth import Truth, TruthKind

NOTHING: Final = "nothing at all"
"""Row of the false alarms that no misbehaviour explains."""

COUNTS: Final = frozenset({"count-alert", "count-action", "trend"})
PRESSURE: Final = frozenset({"pressure-difference-alert", "pressure-difference-action", "cascade"})
HUMIDITY: Final = frozenset({"humidity-alert", "humidity-action"})
TEMPERATURE: Final = frozenset({"temperature-alert", "temperature-action"})
CLIMATE: Final = PRESSURE | HUMIDITY | TEMPERATURE
ABSENCE: Final = frozenset({"sensor-silent", "insufficient-sampling"})
SENSOR: Final = frozenset(
    {"sensor-silent", "sensor-flow", "sensor-laser", "sensor-clock", "sensor-stuck", "sensor-all-zero"}
)

SIGNS: Final[Mapping[str, frozenset[str]]] = {
    "gowning-burst": COUNTS,
    "filter-leak": COUNTS,
    "intervention": COUNTS,
    "door-open": PRESSURE | COUNTS,
    "supply-drop": PRESSURE | COUNTS,
    "fan-trip": PRESSURE | COUNTS | TEMPERATURE | HUMIDITY,
    "humidity-drift": HUMIDITY,
    # At the same moisture warmer air is drier.
    "temperature-drift": TEMPERATURE | HUMIDITY,
    "sensor-unplugged": ABSENCE,
    "network-lost": ABSENCE,
    "drop-out": ABSENCE,
    "flow-fault": frozenset({"sensor-flow"}),
    "clogged-flow": frozenset({"sensor-flow"}),
    "stuck": frozenset({"sensor-stuck"}),
    # A dead pump or laser is told by the status, too, where the sensor notices.
    "all-zero": frozenset({"sensor-all-zero", "sensor-flow", "sensor-laser"}),
    "laser-ageing": frozenset({"sensor-laser"}),
    # Readings of another time are refused, or missed where they belong.
    "clock-drift": ABSENCE | {"sensor-clock", "dead-letters"},
    "clock-jump": ABSENCE | {"sensor-clock", "dead-letters"},
    "channel-order": ABSENCE | {"dead-letters"},
    # Nothing that a daemon could know from such a counter alone: an alarm of its counts is false.
    "electronic-noise": frozenset(),
    "tube-burst": frozenset(),
    "config-error": ABSENCE | {"dead-letters"},
    "repeats": frozenset(),
}
"""The kinds of alarm that say what an incident or a misbehaviour is. Others: any of its own kind, see `signs`."""

UNSEEN: Final = frozenset({"repeats"})
"""What the daemon is to take without a word. It counts as found when nothing false was said because of it."""


def signs(truth: Truth) -> frozenset[str]:
    """The kinds of alarm that tell a truth."""
    if truth.kind is TruthKind.EXCURSION:
        return frozenset({f"count-{truth.detail.get('level')}"})
    return SIGNS.get(truth.what, SENSOR if truth.kind is TruthKind.MISBEHAVIOUR else COUNTS | CLIMATE)


@dataclass(frozen=True, slots=True)
class Places:
    """Where things are: sensors at their locations, locations in their rooms."""

    location_of: Mapping[str, str]
    room_of: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class Line:
    """One row of the table. Delays in microseconds, of those found, shortest first."""

    kind: TruthKind | None
    what: str
    happened: int
    found: int
    missed: int
    open: int
    false: int
    delays_us: tuple[int, ...] = ()
    told_by: tuple[tuple[str, int], ...] = ()
    """Kinds of alarm that were the first to tell, and how often."""


@dataclass(frozen=True, slots=True)
class Score:
    """The table, and what is worth a look behind it."""

    lines: tuple[Line, ...]
    alarms: int
    """Alarms that started."""
    explained: int
    """Of these, those that found no truth by themselves, but had a true cause."""
    missed: tuple[Truth, ...]
    false: tuple[tuple[AlarmChanged, str], ...]
    """Each false alarm with the word at whose door it was laid."""


@dataclass(slots=True)
class _Tally:
    kind: TruthKind | None
    happened: int = 0
    found: int = 0
    missed: int = 0
    open: int = 0
    false: int = 0
    delays_us: list[int] = field(default_factory=list)
    told_by: Counter[str] = field(default_factory=Counter)


def score(
    truths: Sequence[Truth], changes: Iterable[AlarmChanged], places: Places, *, grace_us: int, end_us: int
) -> Score:
    """Compare what was so with the steps of the alarms, as they became known; `end_us` is the end of the stream."""
    spans = _spans(changes)
    alarms = [alarm for alarm, _ in spans]
    matched = [_tells(truth, spans, places, grace_us) for truth in truths]
    telling = {id(alarm) for found in matched for alarm in found}
    causes = [truth for truth in truths if truth.kind is not TruthKind.EXCURSION]
    tallies: dict[str, _Tally] = {}
    strays: list[tuple[AlarmChanged, str]] = []
    explained = 0
    for alarm in alarms:
        if id(alarm) in telling:
            continue
        now = [truth for truth in causes if _when(truth, alarm, grace_us)]
        if any(truth.kind is TruthKind.INCIDENT and alarm.kind in signs(truth) for truth in now):
            explained += 1
            continue
        guilty = next((_word(truth) for truth in now if _own(truth, alarm, places)), NOTHING)
        strays.append((alarm, guilty))
    blamed = Counter(word for _, word in strays)

    missed: list[Truth] = []
    for truth, found in zip(truths, matched, strict=True):
        tally = tallies.setdefault(_word(truth), _Tally(truth.kind))
        tally.happened += 1
        if truth.what in UNSEEN:
            quiet = not blamed[_word(truth)]
            tally.found += quiet
            tally.missed += not quiet
            missed += [] if quiet else [truth]
        elif found:
            tally.found += 1
            tally.delays_us.append(max(0, found[0].found_us - truth.start_us))
            tally.told_by[found[0].kind] += 1
        elif truth.end_us is None and end_us - truth.start_us < grace_us:
            tally.open += 1
        else:
            tally.missed += 1
            missed.append(truth)
    for word, number in blamed.items():
        tallies.setdefault(word, _Tally(None)).false += number
    order = {TruthKind.INCIDENT: 0, TruthKind.MISBEHAVIOUR: 1, TruthKind.EXCURSION: 2, None: 3}
    lines = [
        Line(t.kind, word, t.happened, t.found, t.missed, t.open, t.false, tuple(sorted(t.delays_us)), _most(t.told_by))
        for word, t in sorted(tallies.items(), key=lambda item: (order[item[1].kind], item[0]))
    ]
    return Score(tuple(lines), len(alarms), explained, tuple(missed), tuple(strays))


def _word(truth: Truth) -> str:
    """What a truth's row is called."""
    if truth.kind is TruthKind.EXCURSION:
        return f"above the {truth.detail.get('level')} level"
    mode = truth.detail.get("mode")
    return f"{truth.what} {mode}" if isinstance(mode, str) else truth.what


def _spans(changes: Iterable[AlarmChanged]) -> list[tuple[AlarmChanged, int | None]]:
    """Each start with the instant until which its condition held, in the order in which they became known."""
    spans: list[tuple[AlarmChanged, int | None]] = []
    standing: dict[str, int] = {}
    for one in sorted(changes, key=lambda change: change.found_us):
        if one.event is Event.STARTS:
            standing[one.alarm] = len(spans)
            spans.append((one, None))
        elif one.event in (Event.RETURNS, Event.RETURNS_LATCHED) and one.alarm in standing:
            at = standing.pop(one.alarm)
            spans[at] = (spans[at][0], one.at_us)
    return spans


def _tells(
    truth: Truth, spans: Sequence[tuple[AlarmChanged, int | None]], places: Places, grace_us: int
) -> list[AlarmChanged]:
    """The alarms that find a truth, the first one first."""
    kinds = signs(truth)
    return [
        alarm
        for alarm, over_us in spans
        if alarm.kind in kinds
        and (_when(truth, alarm, grace_us) or _stood(truth, alarm, over_us))
        and _where(truth, alarm, places)
    ]


def _stood(truth: Truth, alarm: AlarmChanged, over_us: int | None) -> bool:
    """Did the alarm of an excursion's level stand already when it began?"""
    begun = alarm.found_us <= truth.start_us
    return truth.kind is TruthKind.EXCURSION and begun and (over_us is None or over_us > truth.start_us)


def _when(truth: Truth, alarm: AlarmChanged, grace_us: int) -> bool:
    """Became it known while the truth was so, or soon after? What arrived late may date from then."""
    over_us = truth.end_us
    return alarm.found_us >= truth.start_us and (over_us is None or alarm.at_us <= over_us + grace_us)


def _where(truth: Truth, alarm: AlarmChanged, places: Places) -> bool:
    subject = truth.subject
    if truth.kind is TruthKind.EXCURSION:
        size = truth.detail.get("size_um")
        right_size = not isinstance(size, int | float) or f"/{size:g}um/" in alarm.alarm
        return alarm.location == subject.get("location") and right_size
    if truth.kind is TruthKind.MISBEHAVIOUR or "sensor" in subject:
        return alarm.kind in PLACELESS or _own(truth, alarm, places)
    if "location" in subject:
        return alarm.location == subject["location"]
    rooms = {subject.get("room"), truth.detail.get("higher"), truth.detail.get("lower"), truth.detail.get("room")}
    rooms |= {subject.get("higher"), subject.get("lower")}
    named = truth.detail.get("rooms")
    if isinstance(named, list | tuple):
        # None named: all of them.
        rooms |= set(named) or set(places.room_of.values())
    room = alarm.room or places.room_of.get(alarm.location or "")
    return room is not None and room in rooms


def _own(truth: Truth, alarm: AlarmChanged, places: Places) -> bool:
    """Is it an alarm of the truth's sensor, or of the location where that one hangs?"""
    sensor = truth.subject.get("sensor")
    if sensor is None:
        return False
    location = truth.subject.get("location") or places.location_of.get(sensor)
    return alarm.sensor == sensor or (location is not None and alarm.location == location)


def _most(told_by: Counter[str]) -> tuple[tuple[str, int], ...]:
    return tuple(sorted(told_by.items(), key=lambda item: (-item[1], item[0])))
