"""Hours of samples summed up beside the record, so that a year is read without its half million samples.

Rules: derived, never the truth. A trigger names an hour stale whenever a sample of it is recorded, in the same
transaction; whoever reads takes a stale hour from its samples. So nothing is ever shown that the record does not say,
whether this work is done or not: it only makes reading quick. It runs in small steps beside the writer: an hour is
summed up in a read transaction and kept in a short write transaction, and stays stale where a sample came in between.

The sums of hours stay in the journal for ever, also when their samples have left for archives; their parts go with the
samples, from which they are made again when they are asked for.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Sequence
from typing import Any, Final

from sqlalchemy import Connection, and_, bindparam, delete, func, insert, select

from motewatch.engine.codec import sample_from_plain
from motewatch.journal import tables
from motewatch.journal.prepared import Prepared
from motewatch.journal.reach import is_archived, reaching
from motewatch.journal.store import Store
from motewatch.measure.samples import Sample
from motewatch.measure.stretches import Stretch, from_plain, grouped, join, of_sample
from motewatch.wire.records import MINUTE_US

HOUR_US: Final = 60 * MINUTE_US
PART_US: Final = 5 * MINUTE_US
"""Each hour is also kept in parts of this length."""
ALL_HOURS: Final = (-(2**30), 2**30)
"""All there can be."""
STEP: Final = 10
"""Hours in one transaction: the writer waits for no more than their few rows."""

_samples = tables.samples.c
_stale = tables.stale_hours.c

_TEXTS = Prepared(
    select(_samples.end_us, tables.outputs.c.body)
    .join_from(tables.samples, tables.outputs, _samples.output_id == tables.outputs.c.id)
    .where(_samples.location == bindparam("location"), _samples.end_us.between(bindparam("first"), bindparam("last")))
    .order_by(_samples.end_us, _samples.revision),
    ["location", "first", "last"],
)
# Run for each location and hour of the site: see `prepared`.
_SETTLE = Prepared(
    delete(tables.stale_hours).where(
        _stale.hour == bindparam("hour_"), _stale.location == bindparam("place"), _stale.output_id == bindparam("last")
    ),
    ["hour_", "place", "last"],
)
_REPLACE: Final = tuple(
    (
        Prepared(
            delete(table).where(table.c.location == bindparam("place"), table.c.hour == bindparam("hour_")),
            ["place", "hour_"],
        ),
        Prepared(insert(table), ["location", "hour", "body"]),
    )
    for table in (tables.sample_hours, tables.sample_parts)
)
_encode = json.JSONEncoder(ensure_ascii=False, separators=(",", ":"), allow_nan=False).encode


def number_of(end_us: int, width_us: int) -> int:
    """Which stretch of this width a sample belongs to: the one in which it ended, as with periods."""
    return (end_us - 1) // width_us


def latest_samples(connection: Connection, location: str, after_us: int, until_us: int) -> Iterator[Sample]:
    """The latest revision of each sample with `after_us < end_us <= until_us`, oldest first."""
    latest = {row.end_us: row.body for row in _TEXTS.all(connection, (location, after_us + 1, until_us))}
    return (sample_from_plain(json.loads(text)) for text in latest.values())


def summed(samples: Iterator[Sample]) -> tuple[Stretch, list[tuple[int, Stretch]]] | None:
    """The hour of these samples and its parts by number; None of no samples."""
    parts = grouped((number_of(sample.end_us, PART_US), of_sample(sample)) for sample in samples)
    return (join([part for _, part in parts]), parts) if parts else None


def parts_from(text: str, sizes_nm: frozenset[int] | None) -> Iterator[tuple[int, Stretch]]:
    """The parts of an hour as they are kept."""
    return ((number, from_plain(plain, sizes_nm)) for number, plain in json.loads(text))


class Rollups:
    """Sums up what is stale."""

    def __init__(self, store: Store) -> None:
        self._store = store

    def sum_up(self, limit: int) -> int:
        """Sum up so many stale hours that are over, the newest first; returns how many there were to do."""
        with self._store.reading() as connection:
            engine_us = connection.execute(select(tables.meta.c.engine_us)).scalar()
            if engine_us is None:
                return 0
            query = select(_stale.hour, _stale.location, _stale.output_id).where(_stale.hour < engine_us // HOUR_US)
            stale = connection.execute(query.order_by(_stale.hour.desc()).limit(limit)).all()
            # A sample that is recorded from here on makes its hour stale under another number: see `_keep`.
            made = [
                (hour, location, output_id, self._summed(connection, location, hour))
                for hour, location, output_id in stale
            ]
        if made:
            with self._store.writing() as connection:
                for row in made:
                    _keep(connection, *row)
        return len(made)

    def _summed(
        self, connection: Connection, location: str, hour: int
    ) -> tuple[Stretch, list[tuple[int, Stretch]]] | None:
        after_us, until_us = span(hour)
        if not is_archived(connection, after_us, until_us):
            return summed(latest_samples(connection, location, after_us, until_us))
        with reaching(self._store, location, after_us, until_us) as reached:
            return summed(latest_samples(reached, location, after_us, until_us))

    def work(self, seconds: float, monotonic_s: Callable[[], float]) -> int:
        """Sum up for about so long, in small steps; returns how many hours were done."""
        until_s, done = monotonic_s() + seconds, 0
        while monotonic_s() < until_s and (made := self.sum_up(STEP)):
            done += made
        return done

    def left(self) -> int:
        """How many hours are stale, those not over yet included."""
        with self._store.reading() as connection:
            return len(connection.execute(select(_stale.hour)).all())


def span(hour: int) -> tuple[int, int]:
    """Start and end of an hour `(start, end]`."""
    return hour * HOUR_US, (hour + 1) * HOUR_US


def _keep(
    connection: Connection,
    hour: int,
    location: str,
    output_id: int,
    made: tuple[Stretch, list[tuple[int, Stretch]]] | None,
) -> None:
    if not _SETTLE.run(connection, (hour, location, output_id)) or made is None:
        # A sample of this hour was recorded meanwhile: it is done again.
        return
    whole, parts = made
    for (remove, add), body in zip(_REPLACE, (whole, parts), strict=True):
        remove.run(connection, (location, hour))
        add.run(connection, (location, hour, _encode(body)))


def locations_on_record(store: Store) -> list[str]:
    """All locations that have samples, by id, those no longer configured included."""
    found: set[str] = set()
    with store.reading() as connection:
        # One step of the index for each location: DISTINCT would read it whole. What is archived has sums of hours.
        for column in (_samples.location, tables.sample_hours.c.location):
            query, last = select(func.min(column)), ""
            while (one := connection.execute(query.where(column > last)).scalar()) is not None:
                found.add(one)
                last = one
    return sorted(found)


def wrong_hours(store: Store, findings: int, whole: bool = True) -> list[str]:
    """Hours that are not what their samples give, and hours that are missing, in sentences.

    Not `whole`: hours of which an archive has samples are left out, and no file is opened.
    """
    found: list[str] = []
    with store.reading() as connection:
        stretches = [ALL_HOURS] if whole else _not_archived(connection)
    for location in locations_on_record(store):
        # A month at a time: one long transaction would pin the write-ahead log.
        for first, last in (month for stretch in stretches for month in _months(store, location, *stretch)):
            with reaching(store, location, span(first)[0], span(last)[1]) as connection:
                found += _wrong(connection, location, first, last)
            if len(found) >= findings:
                return found[:findings]
    return found


def _not_archived(connection: Connection) -> list[tuple[int, int]]:
    """Stretches of hours, first and last, of which no archive has any sample."""
    archives = tables.archives.c
    query = select(archives.first_us, archives.last_us).where(archives.kind == "samples", archives.last_us.is_not(None))
    found, begin = [], ALL_HOURS[0]
    for first_us, last_us in connection.execute(query.order_by(archives.first_us)):
        first, last = number_of(first_us, HOUR_US), number_of(last_us, HOUR_US)
        if begin < first:
            found.append((begin, first - 1))
        begin = max(begin, last + 1)
    return [*found, (begin, ALL_HOURS[1])]


def _months(store: Store, location: str, begin: int, end: int) -> Iterator[tuple[int, int]]:
    hours: set[int] = set()
    within = _samples.end_us.between(span(begin)[0] + 1, span(end)[1])
    with store.reading() as connection:
        ends = connection.execute(
            select(_samples.end_us).where(_samples.location == location, within).order_by(_samples.end_us)
        )
        hours.update(number_of(each, HOUR_US) for each in ends.scalars())
        table = tables.sample_hours.c
        kept = select(table.hour).where(table.location == location, table.hour.between(begin, end))
        hours.update(connection.execute(kept).scalars())
    if hours:
        for first in range(min(hours), max(hours) + 1, 720):
            yield first, min(first + 719, max(hours))


def _wrong(connection: Connection, location: str, first: int, last: int) -> list[str]:
    here = and_(_stale.location == location, _stale.hour.between(first, last))
    stale = set(connection.execute(select(_stale.hour).where(here)).scalars())
    kept = [_bodies(connection, table, location, first, last) for table in (tables.sample_hours, tables.sample_parts)]
    made: dict[int, list[Sample]] = {}
    for sample in latest_samples(connection, location, span(first)[0], span(last)[1]):
        made.setdefault(number_of(sample.end_us, HOUR_US), []).append(sample)
    found = []
    for hour in sorted({*made, *kept[0], *kept[1]} - stale):
        wanted = summed(iter(made.get(hour, [])))
        bodies = (None, None) if wanted is None else (_encode(wanted[0]), _encode(wanted[1]))
        parts = kept[1].get(hour)
        if parts is None and is_archived(connection, *span(hour)):
            # They went with their samples.
            parts = bodies[1]
        if bodies != (kept[0].get(hour), parts):
            found.append(
                f"sample_hours: hour {hour} of {location} is not what its samples give: trends of that time are wrong"
            )
    return found


def _bodies(connection: Connection, table: Any, location: str, first: int, last: int) -> dict[int, str]:
    query = select(table.c.hour, table.c.body).where(table.c.location == location, table.c.hour.between(first, last))
    rows: Sequence[Any] = connection.execute(query).all()
    return {row.hour: row.body for row in rows}
