"""Samples of one location for a trend: each for itself, or summed up so that no peak is hidden and no gap bridged.

Rules: a short time is read sample by sample, a long one from the hours summed up (`rollups`); an hour that is stale, or
in which the levels changed, is read from its samples whatever the length. The answer is bounded. Nothing here writes.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

from pydantic import ValidationError
from sqlalchemy import Connection, and_, func, literal_column, select

from motewatch.alarms.lifecycle import Event
from motewatch.engine.codec import output_from
from motewatch.engine.plan import Plan, compile_plan
from motewatch.engine.records import AlarmChanged
from motewatch.journal import tables
from motewatch.journal.configurations import Version, configuration, versions
from motewatch.journal.reach import is_archived, reaching, windows
from motewatch.journal.rollups import HOUR_US, PART_US, latest_samples, number_of, parts_from, span
from motewatch.journal.store import Store
from motewatch.measure.samples import Sample
from motewatch.measure.stretches import Stretch, from_plain, grouped, of_sample
from motewatch.picture.trend import AlarmBar, Bucket, NoteMark, Rules
from motewatch.site.instants import instant_us
from motewatch.site.models import Site
from motewatch.wire.records import MINUTE_US, SECOND_US

DAY_US: Final = 24 * HOUR_US
LONGEST_US: Final = 3660 * DAY_US
"""Ten years: what may be asked for at once."""
SHORTEST_US: Final = 10 * SECOND_US
WIDTHS_US: Final = (
    *(each * SECOND_US for each in (1, 2, 5, 10, 15, 30)),
    *(each * MINUTE_US for each in (1, 2, 5, 10, 15, 30)),
    *(each * HOUR_US for each in (1, 2, 3, 4, 6, 8, 12)),
    *(each * DAY_US for each in (1, 2, 4, 7)),
)
SINGLE_MAX: Final = 600
"""So many samples stand for themselves."""
SAMPLES_MAX: Final = 6_000
"""More samples than this are taken from the parts of the hours."""
UNSUMMED_MAX: Final = 100_000
"""So many samples of hours not summed up yet are read for one trend."""
ALARMS_MAX: Final = 300
NOTES_MAX: Final = 200
PLANS_KEPT: Final = 16

_samples, _alarms, _audit, _inputs = (
    table.c for table in (tables.samples, tables.alarm_events, tables.audit, tables.inputs)
)
_NOTE: Final[Any] = literal_column("'note'")
_CONFIGURED: Final[Any] = literal_column("'configured'")
"""Literally, since the indexes over these are found by it."""


class NotSummedYetError(Exception):
    """Too many hours of that time are not summed up yet, as after an update from a version that did not."""


@dataclass(frozen=True, slots=True)
class Series:
    """What was found. The time is that asked for, moved outwards to whole buckets."""

    from_us: int
    until_us: int
    width_us: int
    """0: each sample stands for itself."""
    buckets: tuple[Bucket, ...]


def series(
    store: Store,
    location: str,
    from_us: int,
    until_us: int,
    cuts_us: Sequence[int] = (),
    sizes_nm: frozenset[int] | None = None,
    points: int = 480,
    single: bool = True,
    samples_max: int = SAMPLES_MAX,
    unsummed_max: int = UNSUMMED_MAX,
) -> Series:
    """The samples that end in `(from_us, until_us]`, in about so many buckets at most.

    `cuts_us`: when levels changed; `single`: a few samples may stand for themselves; `samples_max`: more are not read
    one by one. Times are not checked here. Raises `NotSummedYetError`.
    """
    range_us = until_us - from_us
    with store.reading() as connection:
        asked = select(_samples.end_us).where(
            _samples.location == location, _samples.end_us > from_us, _samples.end_us <= until_us
        )
        count = connection.execute(
            select(func.count()).select_from(asked.limit(samples_max + 1).subquery())
        ).scalar_one()
        if is_archived(connection, from_us, until_us):
            count = max(count, _summed_samples(connection, location, from_us, until_us, samples_max))
        if single and count <= SINGLE_MAX:
            with reaching(store, location, from_us, until_us) as reached:
                found = list(latest_samples(reached, location, from_us, until_us))
            singles = tuple(Bucket(one.start_us, one.end_us, of_sample(one)) for one in found)
            return Series(from_us, until_us, 0, singles)
        width = next((each for each in WIDTHS_US if each * points >= range_us), WIDTHS_US[-1])
        if count > samples_max:
            width = max(width, PART_US)
        first, last = from_us // width * width, -(-until_us // width) * width
        if width < PART_US:
            with reaching(store, location, first, last) as reached:
                stretches: Iterable[tuple[int, Stretch]] = list(
                    _of_samples(latest_samples(reached, location, first, last), width)
                )
        else:
            hours = number_of(first + 1, HOUR_US), number_of(last, HOUR_US)
            stale = select(tables.stale_hours.c.hour).where(
                tables.stale_hours.c.location == location, tables.stale_hours.c.hour.between(*hours)
            )
            raw = set(connection.execute(stale).scalars())
            raw.update(number_of(cut, HOUR_US) for cut in cuts_us if first < cut <= last)
            table = tables.sample_hours.c if width >= HOUR_US else tables.sample_parts.c
            if width < HOUR_US and is_archived(connection, first, last):
                raw.update(_hours_without_parts(connection, location, *hours))
            kept = select(table.hour, table.body).where(table.location == location, table.hour.between(*hours))
            bodies = {hour: body for hour, body in connection.execute(kept) if hour not in raw}
            by_hour: dict[int, list[tuple[int, Stretch]]] = {}
            ranges = list(_ranges(sorted(raw)))
            _few_enough(connection, location, ranges, unsummed_max)
            for begin, end in ranges:
                with reaching(store, location, span(begin)[0], span(end)[1]) as reached:
                    for one in latest_samples(reached, location, span(begin)[0], span(end)[1]):
                        hour = number_of(one.end_us, HOUR_US)
                        by_hour.setdefault(hour, []).append((number_of(one.end_us, width), of_sample(one)))
            low, high = number_of(first + 1, width), number_of(last, width)
            stretches = (
                each
                for hour in sorted({*bodies, *by_hour})
                for each in by_hour.get(hour) or _kept_of(hour, bodies[hour], width, sizes_nm)
                if low <= each[0] <= high
            )
        joined = grouped(stretches, cuts_us)
    buckets = tuple(Bucket(key * width, (key + 1) * width, stretch) for key, stretch in joined)
    return Series(first, last, width, buckets)


def _kept_of(hour: int, body: str, width: int, sizes_nm: frozenset[int] | None) -> list[tuple[int, Stretch]]:
    """What is kept of an hour, by the number of the bucket."""
    if width >= HOUR_US:
        return [(hour * HOUR_US // width, from_plain(json.loads(body), sizes_nm))]
    return [(number * PART_US // width, part) for number, part in parts_from(body, sizes_nm)]


def _summed_samples(connection: Connection, location: str, from_us: int, until_us: int, most: int) -> int:
    """How many samples the sums of the hours of that time are of; beyond `most` no matter how many."""
    table = tables.sample_hours.c
    inside = (
        table.location == location,
        table.hour.between(number_of(from_us + 1, HOUR_US), number_of(until_us, HOUR_US)),
    )
    hours = select(table.hour).where(*inside).limit(most + 1).subquery()
    if (count := connection.execute(select(func.count()).select_from(hours)).scalar_one()) > most:
        return count
    bodies = connection.execute(select(table.body).where(*inside)).scalars()
    return sum(from_plain(json.loads(body)).samples for body in bodies)


def _hours_without_parts(connection: Connection, location: str, first: int, last: int) -> set[int]:
    """Hours whose parts have gone with their samples."""
    hours, parts = (
        set(
            connection.execute(
                select(table.c.hour).where(table.c.location == location, table.c.hour.between(first, last))
            ).scalars()
        )
        for table in (tables.sample_hours, tables.sample_parts)
    )
    return hours - parts


def page_of_samples(
    store: Store, location: str, from_us: int, until_us: int, limit: int, before_us: int | None = None
) -> list[Sample]:
    """The newest latest revisions that end in `(from_us, until_us]` and before `before_us`, newest first."""
    until_us = until_us if before_us is None else min(until_us, before_us - 1)
    found: list[Sample] = []
    for after, until in windows(store, location, from_us, until_us, newest_first=True):
        ends = (
            select(_samples.end_us)
            .where(_samples.location == location, _samples.end_us > after, _samples.end_us <= until)
            .distinct()
            .order_by(_samples.end_us.desc())
            .limit(limit - len(found))
        )
        with reaching(store, location, after, until) as connection:
            newest = connection.execute(ends).scalars().all()
            if newest:
                found += list(latest_samples(connection, location, newest[-1] - 1, newest[0]))[::-1]
        if len(found) >= limit:
            break
    return found


def all_samples(store: Store, location: str, from_us: int, until_us: int, page: int = 2_000) -> Iterator[list[Sample]]:
    """The latest revisions that end in `(from_us, until_us]`, oldest first, page by page, each a short transaction."""
    for after, until in windows(store, location, from_us, until_us, newest_first=False):
        at_us = after
        while True:
            ends = (
                select(_samples.end_us)
                .where(_samples.location == location, _samples.end_us > at_us, _samples.end_us <= until)
                .distinct()
                .order_by(_samples.end_us)
                .limit(page)
            )
            with reaching(store, location, at_us, until) as connection:
                found = connection.execute(ends).scalars().all()
                made = list(latest_samples(connection, location, at_us, found[-1])) if found else []
            if not made:
                break
            yield made
            at_us = made[-1].end_us


def alarm_bars(store: Store, location: str, from_us: int, until_us: int) -> tuple[list[AlarmBar], bool]:
    """The location's alarms whose condition held in that time, by their start, and whether there are more."""
    here = _alarms.location == location
    conditions = ("starts", "returns", "returns-latched")
    with store.reading() as connection:
        before = (
            select(func.max(_alarms.output_id))
            .where(here, _alarms.at_us <= from_us, _alarms.event.in_(conditions))
            .group_by(_alarms.alarm)
        )
        chosen = select(_alarms.output_id).where(
            here, _alarms.at_us > from_us, _alarms.at_us <= until_us, _alarms.event.in_(conditions)
        )
        ids = [
            *connection.execute(before).scalars(),
            *connection.execute(chosen.order_by(_alarms.output_id).limit(2 * ALARMS_MAX + 1)).scalars(),
        ]
        rows: list[str] = []
        for begin in range(0, len(ids), 500):
            outputs = tables.outputs.c
            query = select(outputs.body).where(outputs.id.in_(ids[begin : begin + 500])).order_by(outputs.id)
            rows += connection.execute(query).scalars().all()
    bars: list[AlarmBar] = []
    open_: dict[str, AlarmChanged] = {}
    for text in rows:
        step = output_from("alarm", text)
        assert isinstance(step, AlarmChanged)
        if step.event is Event.STARTS:
            open_[step.alarm] = step
        elif (start := open_.pop(step.alarm, None)) is not None:
            bars.append(_bar(start, step.at_us))
        elif step.at_us > from_us and step.late is False:
            # It began before anything we looked at.
            bars.append(_bar(step, step.at_us))
    bars += [_bar(start, None) for start in open_.values()]
    bars.sort(key=lambda bar: (bar.start_us, bar.alarm))
    return bars[:ALARMS_MAX], len(bars) > ALARMS_MAX or len(ids) > 2 * ALARMS_MAX


def _bar(step: AlarmChanged, end_us: int | None) -> AlarmBar:
    grade = step.alarm.rpartition("/")[2]
    return AlarmBar(step.alarm, step.text, grade if grade in ("action", "alert") else "", step.at_us, end_us)


def note_marks(store: Store, location: str, room: str, from_us: int, until_us: int) -> list[NoteMark]:
    """Notes on the location, its room and its samples: those on samples at the sample's end, others when written."""
    prefix = f"sample/{location}/"
    notes = select(_audit.subject, _audit.at_us, _audit.who, _audit.detail).where(_audit.action == _NOTE)
    written = _audit.at_us.between(from_us, until_us)
    found: list[NoteMark] = []
    with store.reading() as connection:
        for subject in (f"location/{location}", *([f"room/{room}"] if room else [])):
            query = notes.where(_audit.subject == subject, written).order_by(_audit.at_us).limit(NOTES_MAX)
            found += [NoteMark(at_us, who, text) for _, at_us, who, text in connection.execute(query)]
        # "0" is the sign after the slash.
        below = and_(_audit.subject >= prefix, _audit.subject < f"{prefix[:-1]}0")
        for subject, _, who, text in connection.execute(notes.where(below).limit(50 * NOTES_MAX)):
            end_us = _end_of(subject.removeprefix(prefix))
            if end_us is not None and from_us < end_us <= until_us:
                found.append(NoteMark(end_us, who, text))
    return sorted(found, key=lambda note: note.at_us)[:NOTES_MAX]


def _end_of(text: str) -> int | None:
    try:
        return instant_us(datetime.fromisoformat(text))
    except (ValueError, TypeError):
        return None


def _few_enough(connection: Connection, location: str, ranges: list[tuple[int, int]], left: int) -> None:
    for begin, end in ranges:
        inside = select(_samples.end_us).where(
            _samples.location == location, _samples.end_us > span(begin)[0], _samples.end_us <= span(end)[1]
        )
        query = select(func.count()).select_from(inside.limit(left + 1).subquery())
        left -= connection.execute(query).scalar_one()
        if left < 0:
            raise NotSummedYetError


class RulesOnRecord:
    """What held at a location when, by the configurations on record; remembers the plans of the last few."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._plans: dict[str, Plan | None] = {}
        self._seen: int | None = None
        self._versions: list[Version] = []

    def rules(self, location: str, from_us: int, until_us: int) -> list[Rules]:
        """By the instant from which they held; what changes nothing at this location is no change."""
        found: list[Rules] = []
        for version in self._all_versions():
            if version.from_us > until_us or (version.until_us is not None and version.until_us <= from_us):
                continue
            plan = self._plan(version.digest)
            place = None if plan is None else plan.locations.get(location)
            if plan is None or place is None:
                made = Rules(version.from_us, {}, (), 0)
            else:
                made = Rules(version.from_us, place.levels, plan.rooms[place.room].bounds, place.gap_us)
            last = found[-1] if found else None
            if last is None or (last.levels, last.bounds, last.gap_us) != (made.levels, made.bounds, made.gap_us):
                found.append(made)
        return found

    def _all_versions(self) -> list[Version]:
        with self._store.reading() as connection:
            newest = connection.execute(select(func.max(_inputs.id)).where(_inputs.kind == _CONFIGURED)).scalar()
        if newest != self._seen:
            # The audit trail is read for it, which takes long after some years.
            self._versions, self._seen = versions(self._store), newest
        return self._versions

    def _plan(self, digest: str) -> Plan | None:
        if digest not in self._plans:
            if len(self._plans) >= PLANS_KEPT:
                self._plans = {}
            configured = configuration(self._store, digest)
            try:
                plan = (
                    None
                    if configured is None
                    else compile_plan(Site.model_validate_json(configured.text), configured.digest)
                )
            except (ValidationError, ValueError, KeyError):
                # One that this version cannot read any more: no level is claimed for its time.
                plan = None
            self._plans[digest] = plan
        return self._plans[digest]


def _of_samples(samples: Iterator[Sample], width: int) -> Iterator[tuple[int, Stretch]]:
    return ((number_of(one.end_us, width), of_sample(one)) for one in samples)


def _ranges(numbers: list[int]) -> Iterator[tuple[int, int]]:
    begin = 0
    for place in range(1, len(numbers) + 1):
        if place == len(numbers) or numbers[place] != numbers[place - 1] + 1:
            yield numbers[begin], numbers[place - 1]
            begin = place
