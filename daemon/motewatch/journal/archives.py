"""The register of archive files: which rows of the record stand in which file, and the chain of their manifests.

    <journal>.archive/samples-2026-03-000041.parquet    the rows
    <journal>.archive/samples-2026-03-000041.json       its manifest: how many, from where to where, SHA-256, signature

What leaves the journal: messages as they came, samples, dead letters, and the seals of the hash chain over them. Each
file holds all rows of its kind with ids from `first_id` to `last_id`, and begins after the last of the one before. Each
manifest names the hash of the manifest before it and the seals at both ends, so that the chain can be walked straight
through the files into the journal. The journal has each manifest, too; a file that is not registered there is none.

Rules: the manifest's text is fixed for ever. Knows no Parquet, moves no row, reads no clock.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Any, ClassVar, Final

from pydantic import ConfigDict, Field, TypeAdapter, ValidationError
from pydantic_core import from_json
from sqlalchemy import Connection, Select, select

from motewatch.journal import tables
from motewatch.journal.errors import ArchiveError
from motewatch.journal.inputs import MESSAGE, REFUSED
from motewatch.journal.signature import SigningKey
from motewatch.journal.store import Store

FORMAT: Final = 1
KEPT_FORMAT: Final = 2
"""Of manifests that say what stays in the journal under seals that leave it."""

FIRST: Final = "0" * 64
"""What the first manifest has instead of the hash of one before it."""

ENDING: Final = ".archive"
LEAVING_INPUTS: Final = (MESSAGE, REFUSED)
"""Kinds of inputs that leave; all others are few, and asked for by people."""

_c = tables.archives.c

Whole = Annotated[int, Field(ge=-(2**63), lt=2**63)]
"""As the database takes them: manifests are read that anybody may have put there."""

_AS_IT_IS: Final = ConfigDict(extra="forbid", strict=True)


class Kind(StrEnum):
    """What leaves the journal for archive files."""

    MESSAGES = "messages"
    SAMPLES = "samples"
    LETTERS = "dead-letters"
    SEALS = "seals"


@dataclass(frozen=True, slots=True)
class Kept:
    """Of a file of seals: what stays in the journal under them for ever, so that it is proved without opening the file.

    Where the last seal reaches; SHA-256 over the row hashes of the inputs, outputs and dead letters that stay; and over
    each seal that stays, by its id. See `kept`.
    """

    __pydantic_config__: ClassVar = _AS_IT_IS

    input_id: Whole
    output_id: Whole
    dead_letter_id: Whole
    inputs: str
    outputs: str
    dead_letters: str
    seals: dict[str, str]

    @property
    def last_ids(self) -> tuple[int, int, int]:
        """Where the last seal of the file reaches."""
        return (self.input_id, self.output_id, self.dead_letter_id)


@dataclass(frozen=True, slots=True)
class Manifest:
    """What one file holds. Seals: the last one that is over before its first row, and the one that covers its last."""

    __pydantic_config__: ClassVar = _AS_IT_IS

    format: Whole
    site: str
    number: Whole
    kind: Kind
    name: str
    first_id: Whole
    last_id: Whole
    first_us: Whole | None
    last_us: Whole | None
    rows: Whole
    size: Whole
    sha256: str
    seal_before: Whole
    seal_before_hash: str
    seal_after: Whole
    seal_after_hash: str
    made_us: Whole
    previous: str
    kept: Kept | None = None
    public_key: str | None = None
    signature: str | None = None

    def signed_text(self) -> bytes:
        """What is signed and hashed: all but the signature itself and its key."""
        plain = self._plain()
        del plain["signature"], plain["public_key"]
        return (f"motewatch archive {self.format}\n" + _encode(plain) + "\n").encode()

    @property
    def hash(self) -> str:
        """What the next manifest names as the one before it."""
        return hashlib.sha256(self.signed_text()).hexdigest()

    def text(self) -> str:
        """What stands in the file beside the rows."""
        return _encode(self._plain()) + "\n"

    def _plain(self) -> dict[str, Any]:
        plain = asdict(self)
        if self.format < KEPT_FORMAT:
            # The text of the first format has no such word.
            del plain["kept"]
        return plain

    def signed(self, key: SigningKey | None) -> Manifest:
        """The same, signed where there is a key."""
        return self if key is None else replace(self, public_key=key.public, signature=key.sign(self.signed_text()))

    @classmethod
    def read(cls, text: str | bytes, where: str) -> Manifest:
        """From its text. Raises `ArchiveError`."""
        try:
            plain = from_json(text)
            found = plain.get("format") if isinstance(plain, dict) else None
            if isinstance(found, int) and found not in (FORMAT, KEPT_FORMAT):
                raise ArchiveError(
                    where, f"this archive has format {found}, this motewatch reads {FORMAT} and {KEPT_FORMAT}."
                )
            manifest = _MANIFEST.validate_json(text)
        except ValidationError as error:
            first = error.errors(include_url=False, include_input=False)[0]
            place = ".".join(map(str, first["loc"]))
            raise ArchiveError(where, f"the manifest cannot be read: {place}: {first['msg']}.") from None
        except ValueError as error:
            raise ArchiveError(where, f"the manifest cannot be read: {error}.") from None
        if (manifest.kept is None) != (manifest.format < KEPT_FORMAT):
            raise ArchiveError(where, f"the manifest cannot be read: kept does not go with format {manifest.format}.")
        return manifest


_MANIFEST: Final = TypeAdapter(Manifest)


@dataclass(frozen=True, slots=True)
class Archived:
    """A file as it is registered. `left_us`: all its rows have left the journal; `deleted_us`: it is gone by a rule."""

    id: int
    kind: Kind
    name: str
    first_id: int
    last_id: int
    first_us: int | None
    last_us: int | None
    rows: int
    bytes: int
    sha256: str
    hash: str
    left_us: int | None
    deleted_us: int | None


_COLUMNS: Final = [_c[name] for name in Archived.__dataclass_fields__]


def folder_of(store_path: str | Path) -> Path:
    """Where the files of a journal are: beside it. May be a link to a folder on another disk."""
    path = Path(store_path)
    return path.with_name(path.name + ENDING)


def manifest_name(name: str) -> str:
    """The manifest beside that file."""
    return f"{Path(name).stem}.json"


def registered(connection: Connection, kind: Kind | None = None) -> list[Archived]:
    """All files, in the order in which they were made."""
    query = select(*_COLUMNS).order_by(_c.id)
    return _archived(connection, query if kind is None else query.where(_c.kind == kind.value))


def manifests(connection: Connection, kind: Kind) -> list[Manifest]:
    """What the register says of all files of that kind, in the order of the record."""
    texts = connection.execute(select(_c.manifest).where(_c.kind == kind.value).order_by(_c.last_id)).scalars().all()
    return [Manifest.read(text, "the register") for text in texts]


def last_registered(connection: Connection) -> Manifest | None:
    """The manifest of the newest file."""
    text = connection.execute(select(_c.manifest).order_by(_c.id.desc()).limit(1)).scalar()
    return None if text is None else Manifest.read(text, "the journal")


def heads(connection: Connection) -> dict[Kind, int]:
    """Up to which id each kind is archived; 0: nothing."""
    found = {}
    for kind in Kind:
        query = select(_c.last_id).where(_c.kind == kind.value).order_by(_c.last_id.desc()).limit(1)
        found[kind] = connection.execute(query).scalar() or 0
    return found


def of_time(connection: Connection, kind: Kind, first_us: int, last_us: int) -> list[Archived]:
    """Files with rows dated from `first_us` to `last_us`, both included, oldest first."""
    query = select(*_COLUMNS).where(_c.kind == kind.value, _c.last_us >= first_us, _c.first_us <= last_us)
    return _archived(connection, query.order_by(_c.last_id))


def of_ids(connection: Connection, kind: Kind, first_id: int, last_id: int) -> list[Archived]:
    """Files that hold the rows with these ids, oldest first."""
    query = select(*_COLUMNS).where(_c.kind == kind.value, _c.last_id >= first_id, _c.first_id <= last_id)
    return _archived(connection, query.order_by(_c.last_id))


def next_file(connection: Connection, kind: Kind, after_id: int) -> Archived | None:
    """The first file of that kind with rows behind that id."""
    query = select(*_COLUMNS).where(_c.kind == kind.value, _c.last_id > after_id)
    return next(iter(_archived(connection, query.order_by(_c.last_id).limit(1))), None)


def archive_bytes(store: Store) -> int:
    """What all files take on the disk, by the register."""
    with store.reading() as connection:
        sizes = connection.execute(select(_c.bytes).where(_c.deleted_us.is_(None))).scalars().all()
    return sum(sizes)


def waiting(store: Store) -> list[Manifest]:
    """Files that are whole and lie ready, but are not registered yet: in their order, and only while it is unbroken."""
    with store.reading() as connection:
        last = last_registered(connection)
    number, previous = (0, FIRST) if last is None else (last.number, last.hash)
    folder = folder_of(store.path)
    found: list[Manifest] = []
    for manifest in sorted(_manifests(folder, number), key=lambda each: each.number):
        if manifest.number == number + 1 and manifest.previous == previous and (folder / manifest.name).is_file():
            found.append(manifest)
            number, previous = manifest.number, manifest.hash
    return found


def _manifests(folder: Path, after: int) -> Iterator[Manifest]:
    """Those with a greater number, by their names: there may be tens of thousands."""
    if folder.is_dir():
        for file in folder.glob("*.json"):
            number = file.stem.rpartition("-")[2]
            if number.isascii() and number.isdigit() and int(number) > after:
                manifest = _read(file)
                if manifest is not None:
                    yield manifest


def _read(file: Path) -> Manifest | None:
    try:
        manifest = Manifest.read(file.read_bytes(), str(file))
    except FileNotFoundError:
        # Removed since the folder was listed: by a run that makes files, or because it was set aside.
        return None
    except OSError as error:
        raise ArchiveError(str(file), f"the manifest cannot be read: {error.strerror}.") from None
    if manifest.name != f"{file.stem}.parquet":
        raise ArchiveError(str(file), "the manifest names another file than the one beside it.")
    return manifest


def _archived(connection: Connection, query: Select[Any]) -> list[Archived]:
    rows: Sequence[Any] = connection.execute(query).all()
    return [Archived(row[0], Kind(row[1]), *row[2:]) for row in rows]


_encode = json.JSONEncoder(ensure_ascii=False, separators=(",", ":"), allow_nan=False).encode
