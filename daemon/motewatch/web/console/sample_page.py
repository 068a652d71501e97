"""The model of one sample's page: its revisions, the levels of its time, its readings, alarms and notes.

Must not know HTML.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from motewatch.engine.plan import Grade
from motewatch.journal.configurations import PlansOnRecord
from motewatch.journal.rows import AuditRow, InputRow
from motewatch.journal.sample_record import Revision, notes_on, reading_rows, revisions, steps_within
from motewatch.journal.search import ALARMS, Found, Kind, Place
from motewatch.journal.store import Store
from motewatch.links.publications import quality_words
from motewatch.measure.samples import Sample, Spread
from motewatch.picture import words
from motewatch.picture.levels import LevelLine, level_lines
from motewatch.site.models import Site
from motewatch.web.access.signable import sample_subject
from motewatch.web.console.record_lines import Line, line_of, note_path, stamp
from motewatch.wire.decode import decode
from motewatch.wire.records import Reading
from motewatch.wire.topics import Topics


@dataclass(frozen=True, slots=True)
class SizeRow:
    """One size against its levels."""

    size: str
    count: str
    per_m3: str
    alert: str
    action: str
    css: str
    verdict: str


@dataclass(frozen=True, slots=True)
class RevisionBlock:
    """One revision. `newest`: it is the one that counts."""

    number: int
    newest: bool
    occupancy: str
    coverage: str
    quality: str
    sensors: str
    readings: int
    sizes: tuple[SizeRow, ...]
    climate: tuple[str, ...]
    sources: str
    """Where its levels come from."""


@dataclass(frozen=True, slots=True)
class ReadingRow:
    """One reading that was counted."""

    until: str
    came: str
    sensor: str
    number: str
    volume: str
    counts: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class SamplePage:
    """All of it."""

    subject: str
    note_path: str
    name: str
    location: str
    period: str
    digest: str
    """Of the configuration whose levels are shown; empty: it is not known, and so no levels are shown."""
    revisions: tuple[RevisionBlock, ...]
    sizes: tuple[str, ...]
    """The columns of `readings`."""
    readings: tuple[ReadingRow, ...]
    missing: int
    """Readings of the newest revision that were not found near it on record."""
    steps: tuple[Line, ...]
    notes: tuple[tuple[AuditRow, str], ...]


def sample_page(
    store: Store, plans: PlansOnRecord, site: Site, zone: ZoneInfo, location: str, end_us: int
) -> SamplePage | None:
    """The page, or None: there is no such sample on record."""
    found = revisions(store, location, end_us)
    if not found:
        return None
    names = {each.id: each.name for each in site.locations}
    newest = found[-1].sample
    plan = plans.as_of(found[-1].input_id)
    readings = list(readings_of(reading_rows(store, found), Topics(site.service.topic_root, site.site.id), newest))
    sizes = tuple(sorted({size for reading, _ in readings for size in reading.sizes_nm}))
    subject = sample_subject(location, end_us)
    steps = steps_within(store, location, newest.start_us, end_us)
    founds = [Found(Place(step.at_us, ALARMS, number), Kind.ALARM, step) for number, step in enumerate(steps)]
    return SamplePage(
        subject=subject,
        note_path=note_path(subject),
        name=names.get(location, location),
        location=location,
        period=f"{stamp(newest.start_us, zone)} to {stamp(end_us, zone)}",
        digest="" if plan is None else plan.digest,
        revisions=tuple(_block(each, plans, each is found[-1]) for each in reversed(found)),
        sizes=tuple(words.size(size, words.UNICODE) for size in sizes),
        readings=tuple(_reading(reading, row, sizes, zone) for reading, row in readings),
        missing=max(0, newest.readings - len(readings)),
        steps=tuple(line_of(each, names, zone) for each in founds),
        notes=tuple((row, stamp(row.at_us, zone)) for row in notes_on(store, subject)),
    )


def readings_of(rows: Sequence[InputRow], topics: Topics, sample: Sample) -> Iterator[tuple[Reading, InputRow]]:
    """Those readings among these inputs that the sample is made of, oldest first."""
    found = []
    for row in rows:
        # Turned away, it has no number: it was not counted.
        reading = None if row.seq is None else decode(topics, row.topic, row.payload)
        if isinstance(reading, Reading) and sample.start_us < reading.end_us <= sample.end_us:
            elsewhere = reading.location is not None and reading.location != sample.location
            if reading.sensor in sample.sensors and not elsewhere:
                found.append((reading, row))
    yield from sorted(found, key=lambda pair: (pair[0].end_us, pair[0].sensor, pair[0].seq))


def _block(revision: Revision, plans: PlansOnRecord, newest: bool) -> RevisionBlock:
    sample = revision.sample
    plan = plans.as_of(revision.input_id)
    lines = level_lines(None if plan is None else plan.locations.get(sample.location), sample)
    return RevisionBlock(
        number=sample.revision,
        newest=newest,
        occupancy=sample.occupancy,
        coverage=f"{100 * sample.coverage:.1f} %",
        quality=", ".join(word.replace("-", " ") for word in quality_words(int(sample.quality))) or "good",
        sensors=", ".join(sample.sensors) or "none",
        readings=sample.readings,
        sizes=tuple(_size(line) for line in lines),
        climate=tuple(_climate(sample)),
        sources="; ".join(dict.fromkeys(source for line in lines for source in line.sources)),
    )


def _size(line: LevelLine) -> SizeRow:
    grade = line.beyond
    css, verdict = "none", "no level"
    if grade is Grade.ACTION:
        css, verdict = "bad", "✖ above the action level"
    elif grade is Grade.ALERT:
        css, verdict = "watch", "▲ above the alert level"
    elif line.per_m3 is None:
        css, verdict = "unknown", "? not counted"
    elif line.alert is not None or line.action is not None:
        css, verdict = "fine", "✓ within"
    return SizeRow(
        size=_whole(words.size(line.size_nm, words.UNICODE)),
        count="–" if line.count is None else str(line.count),
        per_m3="–" if line.per_m3 is None else _whole(words.figure(line.per_m3)),
        alert="–" if line.alert is None else _whole(words.limit_figure(line.alert)),
        action="–" if line.action is None else _whole(words.limit_figure(line.action)),
        css=css,
        verdict=verdict,
    )


def _whole(figure: str) -> str:
    """A figure that is not broken between its thousands."""
    return figure.replace(" ", "\N{NO-BREAK SPACE}")


def _climate(sample: Sample) -> Iterator[str]:
    spans: tuple[tuple[str, Spread | None, str], ...] = (
        ("temperature", sample.temperature, "°C"),
        ("humidity", sample.humidity, "%"),
        ("pressure difference", sample.pressure, "Pa"),
    )
    for name, spread, unit in spans:
        if spread is not None:
            yield f"{name} {spread.mean:.1f} {unit} ({spread.low / 1000:.1f} to {spread.high / 1000:.1f})"


def _reading(reading: Reading, row: InputRow, sizes: Sequence[int], zone: ZoneInfo) -> ReadingRow:
    counts = dict(zip(reading.sizes_nm, reading.counts, strict=True))
    return ReadingRow(
        until=stamp(reading.end_us, zone),
        came=stamp(row.received_us, zone),
        sensor=reading.sensor,
        number=f"{reading.boot} {reading.seq}",
        volume=f"{reading.volume_ul / 1_000_000:g} L",
        counts=tuple(str(counts[size]) if size in counts else "–" for size in sizes),
    )
