"""Making archive files from what has been in the journal long enough. Reads the journal, changes nothing in it.

A file is made when it is full (`FULL` rows) or when the month of its first row is over; so it never has to be opened
again. What may leave is counted back from the record's own time, which never goes back, and never beyond the oldest
snapshot kept: a restart needs no archive. Seals follow when the messages and samples that they cover are archived.

Rules: runs beside a service, in a process of its own; several files may lie ready before the service lets the rows go
(`leaving`). A run that is killed leaves a part that the next one removes, so there is one at a time. Reads no clock.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

from sqlalchemy import Connection, Select, func, select

from motewatch.journal import tables
from motewatch.journal.archive_files import GROUP, Row, flush, sha256_of, write
from motewatch.journal.archive_upkeep import one_run
from motewatch.journal.archives import (
    FIRST,
    FORMAT,
    KEPT_FORMAT,
    LEAVING_INPUTS,
    Kind,
    Manifest,
    folder_of,
    heads,
    last_registered,
    manifest_name,
    registered,
    waiting,
)
from motewatch.journal.kept import kept_under, prove_leaving
from motewatch.journal.signature import SigningKey
from motewatch.journal.store import Store
from motewatch.site.instants import instant, instant_us

FULL: Final = 100_000
"""Rows in one file at most: some 20 MB, and what a replay from the beginning holds in memory."""

_inputs, _outputs, _samples, _letters, _seals, _snapshots = (
    table.c
    for table in (
        *(tables.inputs, tables.outputs, tables.samples),
        *(tables.dead_letters, tables.seals, tables.snapshots),
    )
)


@dataclass(frozen=True, slots=True)
class _Leaving:
    """How one kind is read: the rows that leave, their id, and the column of a seal that says how far it reaches."""

    rows: Select[Any]
    id: Any
    sealed: Any
    order: tuple[Any, ...]


_KINDS: Final[dict[Kind, _Leaving]] = {
    Kind.MESSAGES: _Leaving(
        select(tables.inputs).where(_inputs.kind.in_(LEAVING_INPUTS)), _inputs.id, _seals.input_id, (_inputs.id,)
    ),
    Kind.SAMPLES: _Leaving(
        select(
            *(_outputs.id, _outputs.input_id, _outputs.body, _samples.location, _samples.end_us, _samples.revision),
            *(_samples.start_us, _samples.input_id, _samples.sampled_us, _samples.readings, _samples.quality),
        ).join_from(tables.samples, tables.outputs, _samples.output_id == _outputs.id),
        _samples.output_id,
        _seals.output_id,
        (_samples.location, _samples.end_us, _samples.revision),
    ),
    Kind.LETTERS: _Leaving(select(tables.dead_letters), _letters.id, _seals.dead_letter_id, (_letters.id,)),
    Kind.SEALS: _Leaving(select(tables.seals), _seals.id, _seals.id, (_seals.id,)),
}


@dataclass(slots=True)
class _Made:
    """How far things are: what is registered, and what lies ready beside."""

    heads: dict[Kind, int]
    number: int
    previous: str


def make_all(
    store: Store,
    site: str,
    stay_us: Mapping[Kind, int],
    now_us: int,
    key: SigningKey | None = None,
    made: Callable[[Manifest], object] = lambda manifest: None,
    full: int = FULL,
) -> list[Manifest]:
    """Make every file that can be made; returns them. `stay_us`: how long each kind stays; others do not leave.

    Raises `JournalError`, `OSError`.
    """
    with one_run(store):
        ready = waiting(store)
        with store.reading() as connection:
            state = _Made(heads(connection), 0, FIRST)
            last = last_registered(connection)
            known = {each.name for each in registered(connection)}
        for manifest in [*([] if last is None else [last]), *ready]:
            state.number, state.previous = manifest.number, manifest.hash
        for manifest in ready:
            state.heads[manifest.kind] = manifest.last_id
        _clear(store, known | {each.name for each in ready})
        done: list[Manifest] = []
        for kind in (Kind.MESSAGES, Kind.SAMPLES, Kind.LETTERS, Kind.SEALS):
            while (kind is Kind.SEALS or kind in stay_us) and (span := _next(store, kind, state, stay_us, full)):
                manifest = _make(store, site, kind, span, state, now_us, key)
                state.heads[kind], state.number, state.previous = manifest.last_id, manifest.number, manifest.hash
                done.append(manifest)
                made(manifest)
        return done


def _next(
    store: Store, kind: Kind, state: _Made, stay_us: Mapping[Kind, int], full: int
) -> tuple[int, int, datetime] | None:
    """The ids of the next file of that kind and the month it begins in; None: nothing more is due."""
    with store.reading() as connection:
        limit = _seals_limit(connection, state) if kind is Kind.SEALS else _limit(connection, kind, stay_us[kind])
        head, leaving = state.heads[kind], _KINDS[kind]
        rows = leaving.rows.with_only_columns(leaving.id).where(leaving.id > head, leaving.id <= limit)
        first = connection.execute(rows.order_by(leaving.id).limit(1)).scalar()
        if first is None:
            return None
        before = seal_before(connection, leaving.sealed, first)
        start = connection.execute(
            select(func.coalesce(_seals.engine_us, 0)).where(_seals.id > before).order_by(_seals.id).limit(1)
        ).scalar_one()
        month = instant(start).replace(day=1, hour=0, minute=0, second=0, microsecond=0)
        month_end = (month.replace(year=month.year + 1, month=1) if month.month == 12 else
                     month.replace(month=month.month + 1))  # fmt: skip
        last = connection.execute(rows.order_by(leaving.id).offset(full - 1).limit(1)).scalar()
        over = _sealed_id(connection, leaving.sealed, seal_before(connection, _seals.engine_us, instant_us(month_end)))
        # At least the first row: seals of journals from before there were seals all bear the time they were made.
        over = max(over, first)
        if last is not None:
            return head + 1, min(last, over), month
        # Not full: only where the month is over, all of it may leave, and nothing of it will come any more.
        return (head + 1, over, month) if over <= limit else None


def _limit(connection: Connection, kind: Kind, stay_us: int) -> int:
    """Up to which id rows of that kind have stayed long enough."""
    engine_us = connection.execute(select(tables.meta.c.engine_us)).scalar()
    if engine_us is None:
        return 0
    newest = connection.execute(select(func.max(_seals.id))).scalar() or 0
    # Never the newest seal: what is given the next ids is read from it and from the rows it covers.
    seal = min(seal_before(connection, _seals.engine_us, engine_us - stay_us), newest - 1)
    oldest = connection.execute(select(func.min(_snapshots.input_id))).scalar()
    if oldest is not None:
        seal = min(seal, seal_before(connection, _seals.input_id, oldest + 1))
    return _sealed_id(connection, _KINDS[kind].sealed, seal)


def _seals_limit(connection: Connection, state: _Made) -> int:
    """Up to which seal everything is archived that may leave."""
    limit = (connection.execute(select(func.max(_seals.id))).scalar() or 0) - 1
    for kind in (Kind.MESSAGES, Kind.SAMPLES):
        leaving = _KINDS[kind]
        left = leaving.rows.with_only_columns(leaving.id).where(leaving.id > state.heads[kind])
        first = connection.execute(left.order_by(leaving.id).limit(1)).scalar()
        if first is not None:
            limit = min(limit, seal_before(connection, leaving.sealed, first))
    # Nothing of any kind archived yet: nothing was asked to leave.
    return limit if any(state.heads.values()) else 0


def seal_before(connection: Connection, column: Any, value: int) -> int:
    """The last seal in the journal whose column is below that value; 0: none. The columns never go back."""
    low, high = 0, connection.execute(select(func.max(_seals.id))).scalar() or 0
    while low < high:
        middle = (low + high + 1) // 2
        query = select(_seals.id, func.coalesce(column, 0)).where(_seals.id >= middle).order_by(_seals.id).limit(1)
        seal_id, found = connection.execute(query).one()
        if found < value:
            low = seal_id
        else:
            high = middle - 1
    return low


def _sealed_id(connection: Connection, column: Any, seal_id: int) -> int:
    return connection.execute(select(column).where(_seals.id == seal_id)).scalar() or 0


def _make(
    store: Store,
    site: str,
    kind: Kind,
    span: tuple[int, int, datetime],
    state: _Made,
    now_us: int,
    key: SigningKey | None,
) -> Manifest:
    first_id, last_id, month = span
    leaving = _KINDS[kind]
    query = leaving.rows.where(leaving.id.between(first_id, last_id)).order_by(*leaving.order)
    number = state.number + 1
    name = f"{kind.value}-{month:%Y-%m}-{number:06d}.parquet"
    path = folder_of(store.path) / name
    about = {"format": FORMAT, "site": site, "number": number, "kind": kind.value, "ids": [first_id, last_id]}

    def groups() -> Iterator[Sequence[Row]]:
        # One read transaction for a file: the rows never change, and it takes a second or two.
        with store.reading() as connection:
            for group in connection.execution_options(yield_per=GROUP).execute(query).partitions(GROUP):
                yield [tuple(row) for row in group]

    with store.reading() as connection:
        before = seal_before(connection, leaving.sealed, first_id)
        first = leaving.rows.with_only_columns(leaving.id).where(leaving.id.between(first_id, last_id))
        first_row = connection.execute(first.order_by(leaving.id).limit(1)).scalar_one()
        proved_after = seal_before(connection, leaving.sealed, first_row)
        after = seal_before(connection, leaving.sealed, last_id)
        following = select(_seals.id).where(_seals.id > after).order_by(_seals.id).limit(1)
        after = connection.execute(following).scalar_one()
        hashes = {
            seal_id: bytes(digest).hex()
            for seal_id, digest in connection.execute(
                select(_seals.id, _seals.hash).where(_seals.id.in_([before, after]))
            )
        }
    # A file vouches for its rows, and that of seals for what stays under them: first it is proved that they are those.
    kept = kept_under(store, first_id, last_id, state.heads[Kind.LETTERS]) if kind is Kind.SEALS else None
    if kept is None:
        # From the first row on: seals over a stretch without any row that leaves may have left themselves.
        prove_leaving(store, kind, first_id, last_id, proved_after, after)
    counted = write(path, kind, about, groups)
    manifest = Manifest(
        format=FORMAT if kept is None else KEPT_FORMAT,
        site=site,
        number=number,
        kind=kind,
        name=name,
        first_id=first_id,
        last_id=last_id,
        first_us=counted.first_us,
        last_us=counted.last_us,
        rows=counted.number,
        size=path.stat().st_size,
        sha256=sha256_of(path),
        seal_before=before,
        seal_before_hash=hashes.get(before, FIRST),
        seal_after=after,
        seal_after_hash=hashes[after],
        made_us=now_us,
        previous=state.previous,
        kept=kept,
    ).signed(key)
    _write_manifest(store, manifest)
    return manifest


def _write_manifest(store: Store, manifest: Manifest) -> None:
    """Last of all: rows without a manifest are a leftover."""
    folder = folder_of(store.path)
    part = folder / f".{manifest_name(manifest.name)}.part"
    part.write_text(manifest.text(), "utf-8")
    flush(part)
    part.replace(folder / manifest_name(manifest.name))
    flush(folder)


def _clear(store: Store, known: set[str]) -> None:
    """Remove what a run left behind that was killed: parts, and files that neither register nor chain know."""
    folder = folder_of(store.path)
    for part in folder.glob(".*.part"):
        part.unlink()
    wanted = known | {manifest_name(name) for name in known}
    for kind in Kind:
        for pattern in (f"{kind.value}-*.parquet", f"{kind.value}-*.json"):
            for path in folder.glob(pattern):
                if path.name not in wanted:
                    path.unlink()
