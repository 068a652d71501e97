"""Are the archive files those that were registered, and is nothing beside them? And their rows, as if in the journal.

Rules: reads only. The register is held against each manifest, the manifests against each other, the files against
both; whether the rows are those that were once recorded is proved by the walk along the seals (`seal_check`), which
gets them here in the order of the record, merged with what the journal still holds.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any, Final

from sqlalchemy import Connection, Select, func, select

from motewatch.journal import signature, tables
from motewatch.journal.archive_files import COLUMNS, InOrder, read_groups, sha256_of
from motewatch.journal.archive_upkeep import ARCHIVED, SUBJECT
from motewatch.journal.archives import (
    FIRST,
    LEAVING_INPUTS,
    Archived,
    Kind,
    Manifest,
    folder_of,
    manifest_name,
    manifests,
    next_file,
    registered,
    waiting,
)
from motewatch.journal.columns import sample_trouble
from motewatch.journal.errors import ArchiveError, JournalError
from motewatch.journal.kept import odd_seals
from motewatch.journal.paging import PAGE
from motewatch.journal.queries import audit_rows
from motewatch.journal.reach import rows_of
from motewatch.journal.rows import AuditRow
from motewatch.journal.store import Store

FINDINGS: Final = 20
_TABLES: Final = {
    Kind.MESSAGES: (tables.inputs, tables.inputs.c.id),
    Kind.SAMPLES: (tables.samples, tables.samples.c.output_id),
    Kind.LETTERS: (tables.dead_letters, tables.dead_letters.c.id),
    Kind.SEALS: (tables.seals, tables.seals.c.id),
}
_HASHES_SAID: Final = re.compile(r"\b(sha256|manifest) ([0-9a-f]{64})\b")
_SAID: Final = ("kind", "name", "first_id", "last_id", "first_us", "last_us", "rows", "sha256", "hash")
_AS_ARCHIVED: Final = (
    select(
        *(tables.outputs.c.id, tables.outputs.c.input_id, tables.outputs.c.body),
        *(column for column in tables.samples.columns if column.name in COLUMNS[Kind.SAMPLES]),
    )
    .join_from(tables.outputs, tables.samples, tables.samples.c.output_id == tables.outputs.c.id, isouter=True)
    .where(tables.outputs.c.kind == "sample")
)
"""Samples that the journal holds, in the order of the columns of a file."""
_COLUMNS: Final = tuple(COLUMNS[Kind.SAMPLES])[3:]
"""Of a row of a file: what `samples` holds beside the text."""


def broken_archives(store: Store, public_key: str | None = None) -> list[str]:
    """What is wrong with register, manifests and files, in sentences, the first file first."""
    found: list[str] = []
    with store.reading() as connection:
        site = connection.execute(select(tables.meta.c.site)).scalar() or ""
        texts = connection.execute(select(tables.archives.c.manifest).order_by(tables.archives.c.id)).scalars().all()
        known = registered(connection)
    previous, heads = FIRST, dict.fromkeys(Kind, 0)
    for number, (archive, text) in enumerate(zip(known, texts, strict=True), start=1):
        for trouble in _troubles(store, number, archive, text, previous, heads[archive.kind], site, public_key):
            found.append(f"archives: {archive.name} {trouble}")
        previous, heads[archive.kind] = archive.hash, archive.last_id
        if len(found) >= FINDINGS:
            return found[:FINDINGS]
    # First what lies there, then what it may be: files are made and registered while this goes on.
    there = sorted(folder_of(store.path).glob("*.json"))
    try:
        ready = {each.name for each in waiting(store)}
    except ArchiveError as error:
        return [*found, f"archives: {error}"]
    with store.reading() as connection:
        names = {manifest_name(name) for name in ready | {each.name for each in registered(connection)}}
    for path in there:
        if path.name not in names:
            found.append(f"archives: {path.name} is not registered and follows from nothing: it was put in")
    return found[:FINDINGS]


def _troubles(
    store: Store,
    number: int,
    archive: Archived,
    text: str,
    previous: str,
    head: int,
    site: str,
    public_key: str | None,
) -> Iterator[str]:
    try:
        manifest = Manifest.read(text, archive.name)
    except ArchiveError as error:
        yield f"cannot be read in the register: {error}"
        return
    said = {name: getattr(manifest, name) for name in _SAID} | {"id": manifest.number, "bytes": manifest.size}
    kept = {name: getattr(archive, name) for name in (*_SAID, "id", "bytes")}
    if said != kept:
        yield "is registered otherwise than its manifest says"
    if (manifest.number, manifest.previous, manifest.first_id) != (number, previous, head + 1):
        yield "does not follow from the one before it: one was removed, put in or moved"
    if manifest.site != site:
        yield f"is of site '{manifest.site}', and this is the journal of '{site}'"
    if manifest.signature is not None and manifest.public_key is not None:
        if public_key is not None and manifest.public_key != public_key:
            yield "is signed with another key than the one given"
        elif not signature.is_signed(manifest.signed_text(), manifest.signature, manifest.public_key):
            yield "does not bear the signature of its key: its manifest was changed"
    path = folder_of(store.path) / archive.name
    beside = path.with_name(manifest_name(archive.name))
    if not beside.is_file() or beside.read_text("utf-8", errors="replace") != text:
        yield "has no manifest beside it that says the same as the register"
    if archive.deleted_us is not None:
        yield "is marked as deleted in the register, and nothing here ever deletes a file"
    if not path.is_file():
        yield "is missing. Lay it back from a backup"
    elif sha256_of(path) != archive.sha256:
        yield "was changed after it was made. Lay it back from a backup"


def seals_of_manifests(connection: Connection) -> dict[int, str]:
    """Hashes that manifests name, by seal."""
    texts = connection.execute(select(tables.archives.c.manifest)).scalars().all()
    found: dict[int, str] = {}
    for text in texts:
        manifest = Manifest.read(text, "the register")
        found[manifest.seal_after] = manifest.seal_after_hash
        if manifest.seal_before:
            found[manifest.seal_before] = manifest.seal_before_hash
    return found


def all_pages(
    store: Store, kind: Kind, query: Select[Any], key: Any, last: int, of_file: Any = lambda row: row
) -> Iterator[list[Any]]:
    """The rows of `query` by ascending `key` up to `last`, page by page, with those of archives among them.

    `of_file`: makes of a row of a file what the query gives. Where a row is in both, the file's counts: see `strays`.
    """
    at = 0
    while at < last:
        with store.reading() as connection:
            # Both in one state: rows may leave while this goes on, and are then in a file that was not there before.
            archive = next_file(connection, kind, at)
            rest = query.where(key > at, key <= last).order_by(key).limit(PAGE)
            page = [] if archive else list(connection.execute(rest).all())
        if archive is None:
            if not page:
                return
            yield page
            at = page[-1][0]
            continue
        file = InOrder(folder_of(store.path) / archive.name, kind)
        for begin in range(at + 1, archive.last_id + 1, PAGE):
            end = min(begin + PAGE - 1, archive.last_id)
            with store.reading() as connection:
                here = {row[0]: tuple(row) for row in connection.execute(query.where(key.between(begin, end)))}
            here.update((row[0], of_file(row)) for row in file.between(begin, end))
            if here:
                yield [here[row_id] for row_id in sorted(here) if row_id <= last]
        at = archive.last_id


def otherwise_on_the_trail(store: Store) -> list[str]:
    """Files that the audit trail, whose rows are sealed and never leave, says to be others than the register."""
    audit = tables.audit.c
    query = audit_rows().where(audit.action == ARCHIVED, audit.subject.startswith(SUBJECT, autoescape=True))
    with store.reading() as connection:
        known = {each.name: each for each in registered(connection)}
        rows = [AuditRow(*row) for row in connection.execute(query.order_by(audit.id))]
    found = []
    for row in rows:
        archive = known.get(row.subject.removeprefix(SUBJECT))
        said = dict(_HASHES_SAID.findall(row.detail))
        kept = {} if archive is None else {"sha256": archive.sha256, "manifest": archive.hash}
        if archive is None or any(kept[name] != digest for name, digest in said.items()):
            found.append(f"archives: row {row.id} of the audit trail names {row.subject} with another hash")
    return found[:FINDINGS]


def strays(store: Store, whole: bool = True) -> list[str]:
    """Rows that stand in the journal although they left it, or differ from what the archive that takes them says.

    Not `whole`: seals that stay are held against their manifest, and their file is not opened.
    """
    found: list[str] = []
    with store.reading() as connection:
        known = registered(connection)
        kept = {each.number: each.kept for each in manifests(connection, Kind.SEALS)}
    for archive in known:
        table, key = _TABLES[archive.kind]
        inside = select(table).where(key.between(archive.first_id, archive.last_id))
        if archive.kind is Kind.MESSAGES:
            inside = inside.where(tables.inputs.c.kind.in_(LEAVING_INPUTS))
        elif archive.kind is Kind.SAMPLES:
            key = tables.outputs.c.id
            inside = _AS_ARCHIVED.where(key.between(archive.first_id, archive.last_id))
        with store.reading() as connection:
            if archive.kind is not Kind.SEALS and connection.execute(inside.limit(1)).first() is None:
                continue
            rows = [tuple(row) for row in connection.execute(inside.order_by(key))]
        vouched = kept.get(archive.id)
        if vouched is not None:
            gone, unknown = odd_seals(vouched, archive, rows)
            found += gone
            rows = rows if whole else unknown
        if archive.left_us is not None and archive.kind is not Kind.SEALS:
            found += [f"{table.name}: row {row[0]} left for {archive.name}, and was put in again" for row in rows]
        elif rows:
            there = {row[0]: row for row in rows_of(store, archive, archive.first_id, archive.last_id)}
            found += [
                f"{table.name}: row {row[0]} is not the one that stands in {archive.name}"
                for row in rows
                if row != there.get(row[0])
            ]
        if len(found) >= FINDINGS:
            return found[:FINDINGS]
    return found


def wrong_columns(store: Store) -> list[str]:
    """Archived samples whose columns are not what their text says."""
    found: list[str] = []
    with store.reading() as connection:
        files = registered(connection, Kind.SAMPLES)
    for archive in files:
        try:
            groups = read_groups(folder_of(store.path) / archive.name, Kind.SAMPLES)
            for rows in groups:
                for row in rows:
                    if trouble := sample_trouble(row[2], dict(zip(_COLUMNS, row[3:], strict=True))):
                        found.append(f"{archive.name}: output {row[0]} {trouble}")
                if len(found) >= FINDINGS:
                    return found[:FINDINGS]
        except JournalError as error:
            found.append(str(error))
    return found


def archived_rows(connection: Connection, kind: Kind) -> int:
    """How many rows of that kind stand in archives alone, those that a rule let go included."""
    table, key = _TABLES[kind]
    total = 0
    for archive in registered(connection, kind):
        total += archive.rows
        if archive.left_us is None:
            inside = select(func.count()).select_from(table).where(key.between(archive.first_id, archive.last_id))
            if kind is Kind.MESSAGES:
                inside = inside.where(tables.inputs.c.kind.in_(LEAVING_INPUTS))
            total -= connection.execute(inside).scalar_one()
    return total
