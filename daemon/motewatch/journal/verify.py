"""Proving the record: does the journal still say what was once written, and does it agree with itself?

To two extents. The whole: every row on record, those in archive files included. By hashes: every row that the journal
holds, and archive files by their SHA-256 against their registered manifests, without reading a row of them; so it costs
as much as the journal is large, however many years are archived. Without archives they are one and the same.

Rules: reads only, beside a running service: the record is append-only, so what is checked page by page up to the end
found at the start is one consistent state. Each finding is one sentence naming the table and the row; a journal in
order gives none. It repairs nothing. Most checks read every row: minutes for a year's journal. What only the whole
extent finds: rows of a file that were changed together with its manifest and the register.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final

from sqlalchemy import Connection, Select, func, or_, select

from motewatch.engine.codec import INTERNAL_KINDS, decode_internal, kind_of, output_from
from motewatch.engine.records import AlarmChanged, Audited, Delivered, Output, SampleTaken, Told
from motewatch.journal import migrations, tables
from motewatch.journal.anchors import broken_anchors
from motewatch.journal.archive_check import (
    archived_rows,
    broken_archives,
    otherwise_on_the_trail,
    strays,
    wrong_columns,
)
from motewatch.journal.archives import Kind, heads
from motewatch.journal.columns import (
    UNREADABLE,
    Row,
    alarm_columns,
    audit_columns,
    call_alarms,
    call_columns,
    outcome_columns,
    sample_columns,
)
from motewatch.journal.errors import JournalError
from motewatch.journal.kept import broken_kept
from motewatch.journal.paging import pages
from motewatch.journal.reach import is_archived, reaching
from motewatch.journal.rollups import wrong_hours
from motewatch.journal.seal_check import broken_seals
from motewatch.journal.store import Store
from motewatch.journal.trail_check import check_trail

FINDINGS: Final = 20
"""How many sentences one check gives at most: a damaged table has thousands of them."""

ODD_MOST: Final = 1_000
"""Samples whose first revisions are not in the journal: so many are looked for in archives."""

DELIVERED: Final = INTERNAL_KINDS[Delivered]
OUTCOME: Final = ("outcome", "outcome_us", "attempts", "detail")

_inputs = tables.inputs.c
_outputs = tables.outputs.c
_samples = tables.samples.c
_outbox = tables.outbox.c
_calls = tables.calls.c
_of_alarm = tables.call_alarms.c


def verify(store: Store, public_key: str | None = None, whole: bool = True) -> list[str]:
    """All problems found, as sentences; empty when the journal is in order. Not `whole`: by hashes."""

    def anchors(store: Store) -> list[str]:
        return broken_anchors(store, public_key)

    def archives(store: Store) -> list[str]:
        return broken_archives(store, public_key)

    def seals(store: Store) -> list[str]:
        return broken_seals(store, whole)

    def stray_rows(store: Store) -> list[str]:
        return strays(store, whole)

    def revisions(store: Store) -> list[str]:
        return _revisions(store, whole)

    def hours_of_samples(store: Store) -> list[str]:
        return wrong_hours(store, FINDINGS, whole)

    findings: list[str] = []
    checks: list[Callable[[Store], list[str]]] = [
        Store.integrity,
        archives,
        seals,
        stray_rows,
        # By hashes, what stays is looked at in the walk along the seals.
        *((broken_kept, wrong_columns) if whole else ()),
        otherwise_on_the_trail,
        anchors,
        _single_queries,
        revisions,
        _audit_chain,
        _texts_and_columns,
        hours_of_samples,
    ]
    for check in checks:
        try:
            findings += check(store)
        except JournalError as error:
            # A damaged page stops one check; the others may still tell what is safe.
            findings.append(f"{check.__name__.strip('_').replace('_', ' ')} could not be checked: {error}")
        except UNREADABLE as error:
            # What cannot be read is named by its row above or below; it must not end the walk.
            findings.append(f"{check.__name__.strip('_').replace('_', ' ')} could not be checked: {error!r}")
    return findings


def _single_queries(store: Store) -> list[str]:
    found: list[str] = []
    for question in (
        migrations.foreign_steps,
        _gaps,
        _time_going_back,
        _repeated_readings,
        _unknown_causes,
        _missing_columns,
        _audit_order,
        _outcomes,
        _outbox_keys,
    ):
        # One short transaction each: a long one would pin the write-ahead log.
        with store.reading() as connection:
            found += question(connection)
    return found


def _gaps(connection: Connection) -> list[str]:
    found = []
    for table, kind in (
        (tables.inputs, Kind.MESSAGES),
        (tables.outputs, Kind.SAMPLES),
        (tables.dead_letters, Kind.LETTERS),
    ):
        query = select(func.count(), func.min(table.c.id), func.max(table.c.id)).select_from(table)
        count, first, last = connection.execute(query).one()
        head = heads(connection)[kind]
        if head:
            count += archived_rows(connection, kind)
            first, last = min(first or 1, 1), max(last or 0, head)
        if count and (first != 1 or last != count):
            found.append(f"{table.name}: ids run from {first} to {last}, but there are {count} rows")
    return found


def _time_going_back(connection: Connection) -> list[str]:
    before = func.lag(_inputs.applied_us).over(order_by=_inputs.id).label("before_us")
    steps = select(_inputs.id, _inputs.applied_us, before).subquery()
    query = select(steps.c.id).where(steps.c.applied_us < steps.c.before_us).order_by(steps.c.id)
    return [
        f"inputs: the engine's time goes back at input {row_id}"
        for (row_id,) in connection.execute(query.limit(FINDINGS))
    ]


def _repeated_readings(connection: Connection) -> list[str]:
    key = (_inputs.sensor, _inputs.boot, _inputs.seq)
    query = select(*key, func.count()).where(_inputs.seq.is_not(None)).group_by(*key).having(func.count() > 1)
    return [
        f"inputs: reading {seq} of boot '{boot}' of sensor '{sensor}' is there {count} times"
        for sensor, boot, seq, count in connection.execute(query.limit(FINDINGS))
    ]


def _unknown_causes(connection: Connection) -> list[str]:
    query = (
        select(_outputs.id, _outputs.input_id)
        .join_from(tables.outputs, tables.inputs, _outputs.input_id == _inputs.id, isouter=True)
        .where(_outputs.input_id > heads(connection)[Kind.MESSAGES], _inputs.id.is_(None))
        .order_by(_outputs.id)
    )
    return [
        f"outputs: output {row_id} names input {input_id}, which is not there"
        for row_id, input_id in connection.execute(query.limit(FINDINGS))
    ]


def _revisions(store: Store, whole: bool) -> list[str]:
    query = _revised().having(or_(func.min(_samples.revision) != 1, func.max(_samples.revision) != func.count()))
    found = []
    with store.reading() as connection:
        odd = connection.execute(query.limit(ODD_MOST)).all()
        archived = {end_us for _, end_us, *_ in odd if is_archived(connection, end_us - 1, end_us)}
    for location, end_us, count, first, last in odd:
        if end_us in archived and whole:
            # The revisions before may be in an archive.
            with reaching(store, location, end_us - 1, end_us) as connection:
                here = _revised().where(_samples.location == location, _samples.end_us == end_us)
                _, _, count, first, last = connection.execute(here).one()
        elif end_us in archived:
            # Those before are taken to be there, if what is here follows from them without a gap.
            count += first - 1
            first = 1
        if (first, last) != (1, count):
            found.append(
                f"samples: {location}, period ending at {end_us} us: {count} revisions numbered from {first} to {last}"
            )
        if len(found) >= FINDINGS:
            break
    return found


def _revised() -> Select[Any]:
    revision = _samples.revision
    columns = (_samples.location, _samples.end_us, func.count(), func.min(revision), func.max(revision))
    return select(*columns).group_by(_samples.location, _samples.end_us)


def _missing_columns(connection: Connection) -> list[str]:
    found = []
    for kind, table in (
        ("sample", tables.samples),
        ("alarm", tables.alarm_events),
        ("audit", tables.audit),
        ("told", tables.call_ids),
        ("told", tables.calls),
    ):
        missing = (
            select(_outputs.id)
            .join_from(tables.outputs, table, table.c.output_id == _outputs.id, isouter=True)
            .where(_outputs.kind == kind, table.c.output_id.is_(None))
            .order_by(_outputs.id)
        )
        found += [
            f"{table.name}: output {row_id} has no row here"
            for (row_id,) in connection.execute(missing.limit(FINDINGS))
        ]
        strange = (
            select(table.c.output_id)
            .join_from(table, tables.outputs, table.c.output_id == _outputs.id, isouter=True)
            .where(or_(_outputs.id.is_(None), _outputs.kind != kind))
            .order_by(table.c.output_id)
        )
        found += [
            f"{table.name}: a row names output {row_id}, which is not there or of another kind"
            for (row_id,) in connection.execute(strange.limit(FINDINGS))
        ]
    return found


def _audit_order(connection: Connection) -> list[str]:
    """The trail's own order against that of the outputs: its hashes do not cover which output a row belongs to."""
    audit = tables.audit.c
    before = func.lag(audit.output_id).over(order_by=audit.id).label("before_id")
    steps = select(audit.id, audit.output_id, before).subquery()
    query = select(steps.c.id).where(steps.c.output_id < steps.c.before_id).order_by(steps.c.id)
    return [
        f"audit: row {row_id} names an output before that of the row before it"
        for (row_id,) in connection.execute(query.limit(FINDINGS))
    ]


def _outcomes(connection: Connection) -> list[str]:
    """What the calls' rows say became of them, against the inputs that said so: of each call the first counts."""
    found: list[str] = []
    said: dict[str, Row] = {}
    inputs = select(_inputs.id, _inputs.payload).where(_inputs.kind == DELIVERED).order_by(_inputs.id)
    for row_id, payload in connection.execute(inputs):
        try:
            what = decode_internal(DELIVERED, payload)
        except UNREADABLE as error:
            found.append(f"inputs: input {row_id} cannot be read: {error}")
            continue
        if isinstance(what, Delivered):
            said.setdefault(what.told, outcome_columns(what))
    ids = tables.call_ids.c
    kept = select(ids.id, *(_calls[name] for name in OUTCOME)).order_by(ids.output_id)
    for told, *outcome in connection.execute(
        kept.join_from(tables.calls, tables.call_ids, ids.output_id == _calls.output_id)
    ):
        if dict(zip(OUTCOME, outcome, strict=True)) != said.get(told, dict.fromkeys(OUTCOME)):
            found.append(f"calls: the outcome of {told} is not the one that was reported")
    return found[:FINDINGS]


def _outbox_keys(connection: Connection) -> list[str]:
    query = (
        select(_outbox.sink, _outbox.key, func.count())
        .group_by(_outbox.sink, _outbox.key)
        .having(or_(func.count() > 1, _outbox.key == ""))
    )
    found = [
        f"outbox: the key '{key}' of '{sink}' is there {count} times"
        if key
        else f"outbox: a row of '{sink}' has no key"
        for sink, key, count in connection.execute(query.limit(FINDINGS))
    ]
    odd = select(_outbox.id).where(_outbox.delivered_us < _outbox.created_us).order_by(_outbox.id)
    found += [
        f"outbox: row {row_id} was delivered before it was made"
        for (row_id,) in connection.execute(odd.limit(FINDINGS))
    ]
    return found


def _audit_chain(store: Store) -> list[str]:
    # What follows a broken link proves nothing: one sentence, for the first.
    trouble = check_trail(store).trouble
    return [trouble] if trouble else []


def _texts_and_columns(store: Store) -> list[str]:
    """The searchable columns against the text they were taken from."""
    found: list[str] = []
    query = select(_outputs.id, _outputs.kind, _outputs.body)
    for page in pages(store, query, _outputs.id):
        columns = _columns(store, page[0].id, page[-1].id)
        for row in page:
            try:
                output = output_from(row.kind, row.body)
            except UNREADABLE as error:
                found.append(f"outputs: output {row.id} cannot be read: {error}")
                continue
            wanted, kept = _expected(output), columns.get(row.id)
            if wanted is None and kept is not None:
                found.append(f"outputs: output {row.id} ({kind_of(output)}) has columns that it cannot have")
            elif wanted is not None and kept is not None and wanted != kept:
                differing = ", ".join(key for key in wanted if wanted[key] != kept.get(key))
                found.append(f"outputs: output {row.id} ({kind_of(output)}) and its columns differ in {differing}")
        if len(found) >= FINDINGS:
            return found[:FINDINGS]
    return found


def _columns(store: Store, first_id: int, last_id: int) -> dict[int, Row]:
    columns: dict[int, Row] = {}
    with store.reading() as connection:
        for table in (tables.samples, tables.alarm_events, tables.audit, tables.calls):
            query = select(table).where(table.c.output_id.between(first_id, last_id))
            for row in connection.execute(query).mappings():
                plain = dict(row)
                output_id = plain.pop("output_id")
                if table is tables.samples:
                    del plain["input_id"]
                elif table is tables.audit:
                    for name in ("id", "previous_hash", "hash"):
                        del plain[name]
                elif table is tables.calls:
                    for name in OUTCOME:
                        del plain[name]
                    plain |= {"alarms": set(), "id": None}
                columns[output_id] = plain
        alarms = select(_of_alarm.output_id, _of_alarm.alarm).where(_of_alarm.output_id.between(first_id, last_id))
        for output_id, alarm in connection.execute(alarms):
            columns.setdefault(output_id, {}).setdefault("alarms", set()).add(alarm)
        ids = select(tables.call_ids).where(tables.call_ids.c.output_id.between(first_id, last_id))
        for call_id, output_id in connection.execute(ids):
            columns.setdefault(output_id, {})["id"] = call_id
    return columns


def _expected(output: Output) -> Row | None:
    if isinstance(output, SampleTaken):
        return sample_columns(output)
    if isinstance(output, AlarmChanged):
        return alarm_columns(output)
    if isinstance(output, Audited):
        return audit_columns(output)
    if isinstance(output, Told):
        return call_columns(output) | {"alarms": set(call_alarms(output)), "id": output.id}
    return None
