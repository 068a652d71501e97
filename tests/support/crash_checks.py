"""What must be true after the crashes, each as a list of sentences about what is not; empty is right.

The undisturbed run is the pure engine with its history in memory, fed with the readings as the stream made them, each
at the instant it was due: no broker, no decoder, no journal, no restart. Times at which something was *found* differ
between the two by nature; everything dated by the air must not.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, fields
from functools import cache
from typing import Any, Final

from scipy.stats import chi2
from sqlalchemy import select

from motewatch.alarms.lifecycle import ACTIVE
from motewatch.engine import Engine
from motewatch.engine.codec import output_from
from motewatch.engine.records import AlarmChanged, Configured, Heard, Input, Memory, Output, SampleTaken
from motewatch.journal import tables
from motewatch.journal.inputs import input_of
from motewatch.journal.journal import Journal
from motewatch.journal.rows import InputRow
from motewatch.measure.samples import Sample
from motewatch.wire.topics import Topics
from support.crash_stream import SETTLE_US, SITE, Key, Message

PAGE: Final = 2_000
SHOWN: Final = 8
"""Differences told at most, of each kind."""

ITS_OWN: Final = "service/time-series"
"""The one alarm that the disturbed run must have and the undisturbed one cannot: that server was really away."""

SampleKey = tuple[str, int]
"""(location, end of the period)"""


@dataclass(frozen=True, slots=True)
class Record:
    """Last revision of each sample that ended by the end of the stream, and the alarms' steps dated by then."""

    samples: dict[SampleKey, Sample]
    revisions: dict[SampleKey, list[Sample]]
    alarms: list[AlarmChanged]


def record_of(outputs: Iterable[Output], end_us: int) -> Record:
    """Sort outputs, in the engine's order, into a record."""
    revisions: dict[SampleKey, list[Sample]] = defaultdict(list)
    alarms = []
    for output in outputs:
        if isinstance(output, SampleTaken) and output.sample.end_us <= end_us:
            revisions[output.sample.location, output.sample.end_us].append(output.sample)
        elif isinstance(output, AlarmChanged) and output.at_us <= end_us:
            alarms.append(output)
    last = {key: max(found, key=lambda sample: sample.revision) for key, found in revisions.items()}
    return Record(last, dict(revisions), alarms)


def undisturbed(
    configured: Configured, configured_us: int, messages: Sequence[Message], end_us: int, settle_us: int = SETTLE_US
) -> Record:
    """What the engine says when nothing goes wrong: each message comes when it was due, in the order it was due."""
    engine = Engine(Memory())
    outputs = engine.apply(Input(configured_us, configured_us, configured))
    for message in messages:
        outputs += engine.apply(Input(message.send_us, message.send_us, Heard(message.reading)))
    outputs += engine.advance(end_us + settle_us + 1)
    return record_of(outputs, end_us)


def relived(journal: Journal, topics: Topics) -> list[Output]:
    """All outputs of one engine that lives through the recorded inputs in one life."""
    engine, said = Engine(Memory()), []
    for row in rows_of(journal):
        said += engine.apply(input_of(topics, row))
    engine_us = journal.engine_us()
    assert engine_us is not None
    return said + engine.advance(engine_us)


def rows_of(journal: Journal) -> Iterator[InputRow]:
    """All inputs on record, in their order."""
    at = 0
    while page := journal.inputs_after(at, PAGE):
        yield from page
        at = page[-1].id


def outputs_of(journal: Journal) -> Iterator[Output]:
    """All outputs on record, in their order."""
    with journal.store.reading() as connection:
        rows = connection.execute(
            select(tables.outputs.c.kind, tables.outputs.c.body).order_by(tables.outputs.c.id)
        ).all()
    for kind, body in rows:
        yield output_from(kind, body)


def told(found: list[str], what: str) -> list[str]:
    """The first few, and how many there are."""
    more = [f"... and {len(found) - SHOWN} more like these"] if len(found) > SHOWN else []
    return [f"{what}: {line}" for line in [*found[:SHOWN], *more]]


# ---- each acknowledged publication in the journal, once -------------------------------------------------------------


def publications(
    journal: Journal, messages: Sequence[Message], others: Collection[str] = ("configured", "link-changed")
) -> list[str]:
    """Each message once, with the bytes it was sent with, and nothing that nobody sent but these kinds and topics."""
    sent: dict[Key, Message] = {message.key: message for message in messages}
    kept: dict[Key, list[InputRow]] = defaultdict(list)
    odd = []
    for row in rows_of(journal):
        if row.sensor is not None and row.boot is not None and row.seq is not None:
            kept[row.sensor, row.boot, row.seq].append(row)
        elif row.kind not in others and row.topic not in others:
            odd.append(f"input {row.id} is a {row.kind}: {row.payload[:200]!r}")
    missing = [f"{key} of {message.send_us} us is not there" for key, message in sent.items() if key not in kept]
    twice = [f"{key} is there {len(rows)} times" for key, rows in kept.items() if len(rows) > 1]
    foreign = [f"{key} was never sent" for key in kept if key not in sent]
    other = [
        f"{key} has other bytes: {rows[0].payload[:200]!r}"
        for key, rows in kept.items()
        if key in sent and rows[0].payload != sent[key].payload
    ]
    return [
        *told(missing, "acknowledged, but not in the journal"),
        *told(twice, "in the journal more than once"),
        *told(foreign, "from nowhere"),
        *told(other, "changed on the way"),
        *told(odd, "an input that this test does not have"),
    ]


# ---- the same samples and alarms as the undisturbed run -------------------------------------------------------------


def samples(found: Record, wanted: Record) -> list[str]:
    """The same samples, all fields of their last revisions equal."""
    missing = [_place(key) for key in sorted(wanted.samples.keys() - found.samples.keys())]
    extra = [_place(key) for key in sorted(found.samples.keys() - wanted.samples.keys())]
    differ = []
    for key in sorted(wanted.samples.keys() & found.samples.keys()):
        here, there = found.samples[key], wanted.samples[key]
        if here != there:
            names = [item.name for item in fields(Sample) if getattr(here, item.name) != getattr(there, item.name)]
            shown = ", ".join(f"{name} {getattr(here, name)} (undisturbed: {getattr(there, name)})" for name in names)
            differ.append(f"{_place(key)}: {shown}")
    return [*told(missing, "no such sample"), *told(extra, "a sample too many"), *told(differ, "another sample")]


def alarms(found: Record, wanted: Record) -> list[str]:
    """Each alarm went through the same steps, at the same instants of the air, with the same values and limits."""
    here, there = _steps(found), _steps(wanted)
    differ = []
    for alarm in sorted(here.keys() | there.keys()):
        mine, theirs = here.get(alarm, []), there.get(alarm, [])
        if mine != theirs:
            at = next((i for i, pair in enumerate(zip(mine, theirs, strict=False)) if pair[0] != pair[1]), None)
            at = min(len(mine), len(theirs)) if at is None else at
            differ.append(f"{alarm}, step {at + 1}: {_at(mine, at)} (undisturbed: {_at(theirs, at)})")
    return told(differ, "another course of an alarm")


def _steps(record: Record) -> dict[str, list[tuple[Any, ...]]]:
    steps: dict[str, list[tuple[Any, ...]]] = defaultdict(list)
    for step in record.alarms:
        if step.alarm != ITS_OWN:
            steps[step.alarm].append(
                (step.event.value, step.before.value, step.after.value, step.at_us, step.value, step.limit)
            )
    return steps


def _at(steps: list[tuple[Any, ...]], place: int) -> object:
    return steps[place] if place < len(steps) else "nothing"


def _place(key: SampleKey) -> str:
    return f"{key[0]} ending at {key[1]} us"


# ---- each point once in the time series -----------------------------------------------------------------------------

Series = dict[tuple[tuple[str, str], ...], dict[int, set[float]]]
"""Labels (with the metric's name) to milliseconds to the values that may stand there."""


def points_wanted(record: Record, rooms: dict[str, str]) -> Series:
    """All points of the record, computed here and not by the link.

    Several values at one instant are allowed where the record has several: the steps of one alarm within a millisecond,
    which is as fine as this server's time is, and the revisions of a sample, of which this server keeps any one.
    """
    wanted: Series = defaultdict(lambda: defaultdict(set))

    def put(name: str, at_us: int, value: float, **labels: str) -> None:
        wanted[tuple(sorted({"__name__": name, "site": SITE, **labels}.items()))][at_us // 1000].add(float(value))

    for (location, end_us), revisions in record.revisions.items():
        where = {"room": rooms[location], "location": location}
        for sample in revisions:
            share = min(1.0, sample.sampled_us / (sample.end_us - sample.start_us))
            put("sample_coverage", end_us, share, **where)
            put("sample_quality", end_us, int(sample.quality), **where)
            put("sample_revision", end_us, sample.revision, **where)
            put("sample_readings", end_us, sample.readings, **where)
            for channel in sample.channels:
                if channel.volume_ul == 0:
                    continue
                size = {**where, "size_um": f"{channel.size_nm / 1000:g}", "occupancy": sample.occupancy}
                m3 = channel.volume_ul / 1e9
                lower, upper = interval(channel.count)
                put("concentration_count", end_us, channel.count, **size)
                put("concentration_volume_l", end_us, channel.volume_ul / 1e6, **size)
                put("concentration_per_m3", end_us, channel.count / m3, **size)
                put("concentration_lower_95", end_us, lower / m3, **size)
                put("concentration_upper_95", end_us, upper / m3, **size)
            for name, spread in (
                ("climate_temperature_c", sample.temperature),
                ("climate_humidity_pct", sample.humidity),
                ("climate_pressure_difference_pa", sample.pressure),
            ):
                if spread is not None:
                    put(name, end_us, spread.total / spread.n / 1000, **where)
    for step in record.alarms:
        if step.alarm != ITS_OWN:
            labels = {"alarm": step.alarm, "kind": step.kind, "priority": step.priority.value}
            put("alarm_active", step.at_us, step.after in ACTIVE, **labels)
    return wanted


@cache
def interval(count: int) -> tuple[float, float]:
    """The exact Poisson interval of 95 % by its relation to the chi-square distribution."""
    return (float(chi2.ppf(0.025, 2 * count) / 2) if count else 0.0), float(chi2.ppf(0.975, 2 * count + 2) / 2)


def points(
    exported: Sequence[tuple[dict[str, str], list[tuple[int, float]]]], wanted: Series, end_us: int
) -> list[str]:
    """Each point of the record is there once, with its value, and no other is. Points after the stream do not count."""
    missing, twice, wrong, foreign = [], [], [], []
    seen = set()
    for labels, values in exported:
        series = tuple(sorted(labels.items()))
        seen.add(series)
        expected = wanted.get(series, {})
        stamps = defaultdict(list)
        for stamp, value in values:
            stamps[stamp].append(value)
        for stamp, here in stamps.items():
            if stamp > end_us // 1000 or labels.get("alarm") == ITS_OWN:
                continue
            if stamp not in expected:
                foreign.append(f"{_series(series)} at {stamp} ms: {here}")
            elif len(here) > 1:
                twice.append(f"{_series(series)} at {stamp} ms: {here}")
            elif not any(abs(here[0] - value) <= 1e-9 * abs(value) for value in expected[stamp]):
                wrong.append(f"{_series(series)} at {stamp} ms: {here[0]}, wanted {sorted(expected[stamp])}")
        missing += [f"{_series(series)} at {stamp} ms" for stamp in expected if stamp not in stamps]
    missing += [f"{_series(series)}, the whole series" for series in wanted if series not in seen]
    return [
        *told(missing, "no such point"),
        *told(twice, "a point there twice"),
        *told(wrong, "a wrong value"),
        *told(foreign, "a point that is not on record"),
    ]


def count_points(wanted: Series) -> int:
    """How many points there are to be."""
    return sum(len(stamps) for stamps in wanted.values())


def _series(series: tuple[tuple[str, str], ...]) -> str:
    labels = dict(series)
    name = labels.pop("__name__")
    return name + "{" + ", ".join(f"{key}={value}" for key, value in labels.items() if key != "site") + "}"
