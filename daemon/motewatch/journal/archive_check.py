"""Are the archive files those that were registered, and is nothing beside them? And their rows, as if in the journal.

Rules: reads only. The register is held against each manifest, the manifests against each other, the files against
both; whether the rows are those that were once recorded is proved by the walk along the seals (`seal_check`), which
gets them here in the order of the record, merged with what the journal still holds.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Final

from sqlalchemy import Connection, Select, func, select

from motewatch.engine.codec import output_from
from motewatch.engine.records import SampleTaken
from motewatch.journal import signature, tables
from motewatch.journal.archive_files import InOrder, read_groups, sha256_of
from motewatch.journal.archives import (
    FIRST,
    Archived,
    Kind,
    Manifest,
    folder_of,
    manifest_name,
    registered,
    waiting,
)
from motewatch.journal.archiving import LEAVING_INPUTS
from motewatch.journal.columns import sample_columns
from motewatch.journal.errors import ArchiveError, JournalError
from motewatch.journal.paging import PAGE, pages
from motewatch.journal.reach import rows_of
from motewatch.journal.store import Store

FINDINGS: Final = 20
_TABLES: Final = {
    Kind.MESSAGES: (tables.inputs, tables.inputs.c.id),
    Kind.SAMPLES: (tables.samples, tables.samples.c.output_id),
    Kind.LETTERS: (tables.dead_letters, tables.dead_letters.c.id),
    Kind.SEALS: (tables.seals, tables.seals.c.id),
}
_SAID: Final = ("kind", "name", "first_id", "last_id", "first_us", "last_us", "rows", "sha256", "hash")
_COLUMNS: Final = ("location", "end_us", "revision", "start_us", "input_id", "sampled_us", "readings", "quality")


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
    try:
        ready = {each.name for each in waiting(store)}
    except ArchiveError as error:
        return [*found, f"archives: {error}"]
    names = {each.name for each in known} | ready
    for path in sorted(folder_of(store.path).glob("*.json")):
        if path.name not in {manifest_name(name) for name in names}:
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
        return
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
    with store.reading() as connection:
        files = sorted(registered(connection, kind), key=lambda each: each.last_id)
    for archive in files:
        gone = archive.deleted_us is not None
        file = None if gone else InOrder(folder_of(store.path) / archive.name, kind)
        for begin in range(archive.first_id, archive.last_id + 1, PAGE):
            end = min(begin + PAGE - 1, archive.last_id)
            with store.reading() as connection:
                here = {row[0]: tuple(row) for row in connection.execute(query.where(key.between(begin, end)))}
            if file is not None:
                here.update((row[0], of_file(row)) for row in file.between(begin, end))
            if here:
                yield [here[row_id] for row_id in sorted(here) if row_id <= last]
        at = archive.last_id
    yield from pages(store, query.where(key > at), key, last)


def strays(store: Store) -> list[str]:
    """Rows that stand in the journal although they left it, or differ from what the archive that takes them says."""
    found: list[str] = []
    with store.reading() as connection:
        known = registered(connection)
    for archive in known:
        table, key = _TABLES[archive.kind]
        inside = select(table).where(key.between(archive.first_id, archive.last_id))
        if archive.kind is Kind.MESSAGES:
            inside = inside.where(tables.inputs.c.kind.in_(LEAVING_INPUTS))
        with store.reading() as connection:
            if connection.execute(inside.limit(1)).first() is None:
                continue
            rows = [tuple(row) for row in connection.execute(inside.order_by(key))]
        if archive.left_us is not None and archive.kind is not Kind.SEALS:
            found += [f"{table.name}: row {row[0]} left for {archive.name}, and was put in again" for row in rows]
        elif archive.deleted_us is None:
            there = {row[0]: row for row in rows_of(store, archive, archive.first_id, archive.last_id)}
            found += [
                f"{table.name}: row {row[0]} is not the one that stands in {archive.name}"
                for row in rows
                if not _is_same(archive.kind, row, there.get(row[0]))
            ]
        if len(found) >= FINDINGS:
            return found[:FINDINGS]
    return found


def _is_same(kind: Kind, row: tuple[Any, ...], archived: tuple[Any, ...] | None) -> bool:
    if archived is None:
        return False
    return row[1:] == archived[3:] if kind is Kind.SAMPLES else row == archived


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
                    if trouble := _wrong(row):
                        found.append(f"{archive.name}: output {row[0]} {trouble}")
                if len(found) >= FINDINGS:
                    return found[:FINDINGS]
        except JournalError as error:
            found.append(str(error))
    return found


def _wrong(row: tuple[Any, ...]) -> str:
    try:
        output = output_from("sample", row[2])
        assert isinstance(output, SampleTaken)
        wanted = sample_columns(output)
    except (ValueError, KeyError, TypeError, AttributeError, IndexError) as error:
        return f"cannot be read: {error}"
    kept = dict(zip(_COLUMNS, row[3:], strict=True))
    differing = ", ".join(name for name, value in wanted.items() if kept[name] != value)
    return f"and its columns differ in {differing}" if differing else ""


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
