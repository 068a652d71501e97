"""Backups: a folder with a copy of the journal, the site file and what it names, and a manifest with their hashes.

Rules: made beside a running service, which is not held up. A backup appears under its name when it is whole, checked
and on the disk; until then it has another name, and what is left of such a one means nothing. Checked are all that the
journal holds, and archive files by their hashes, so that a backup does not cost more every year; the rows of files only
where the whole is asked for. Archive files never change, so one that an earlier backup in the same folder holds is
linked to and not copied again. Secrets are never copied: the manifest says which files will be missed. A restore writes
into an empty folder only. Errors: `BackupError`.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import shutil
import tempfile
import tomllib
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass
from datetime import datetime
from importlib.metadata import version
from pathlib import Path, PurePosixPath
from typing import Any, Final

from pydantic import TypeAdapter

from motewatch.journal.archives import folder_of, manifest_name, registered
from motewatch.journal.journal import Journal
from motewatch.journal.reports import REPORTS_FOLDER, report_files
from motewatch.links.errors import LinkError
from motewatch.links.site_file import load_site
from motewatch.picture.report import content_hash
from motewatch.site.instants import instant, instant_us

MANIFEST: Final = "manifest.json"
JOURNAL: Final = "journal.db"
REPORTS: Final = f"{JOURNAL}.reports"
"""Where kept reports are in a backup; the site file can name nothing there."""
FORMAT: Final = 1
ROOM: Final = 1.05
"""So many times the journal's size must be free for a copy."""

_COPIED: Final = ("calendar_file", "standard_files", "ca_file", "cert_file")
"""Keys of the site file that name files which are no secrets."""

_SECRET: Final = (
    "password_file",
    "token_file",
    "key_file",
    "url_file",
    "cert_key_file",
    "signing_key_file",
    "client_secret_file",
)


class BackupError(LinkError):
    """A backup cannot be made, is not what it says, or cannot be restored there."""

    final = True


@dataclass(frozen=True, slots=True)
class Manifest:
    """What a backup holds, and up to when. `files`: SHA-256 by name, all but the manifest itself."""

    format: int
    made_by: str
    site: str
    at: str
    site_file: str
    journal_path: str
    inputs: int
    outputs: int
    last_input_at: str | None
    seals: int
    files: dict[str, str]
    missing: list[str]
    """What the backup does not hold: secrets that the site file names, files outside its folder, kept reports gone."""
    whole: bool = True
    """Whether the rows of its archive files were walked, too, when it was made."""

    @property
    def at_us(self) -> int:
        """When the copy of the journal was begun."""
        return instant_us(datetime.fromisoformat(self.at))

    @property
    def archives(self) -> int:
        """How many archive files it holds."""
        folder = folder_of(JOURNAL).name
        return sum(name.startswith(f"{folder}/") and not name.endswith(".json") for name in self.files)

    @property
    def reports(self) -> int:
        """How many kept reports it holds."""
        return sum(name.startswith(f"{REPORTS}/") for name in self.files)


_MANIFEST: Final = TypeAdapter(Manifest)


def make_backup(site_path: Path, target: Path, now_us: int, whole: bool = False) -> Manifest:
    """Back up the site of that file into the new folder `target`, and check the copy: minutes for a large journal.

    `whole`: with the rows of archive files, which takes hours after some years.

    Raises `BackupError`, `JournalError`, `SiteFileError`, `OSError`.
    """
    site_path = site_path.resolve()
    site = load_site(site_path)
    base_dir = site_path.parent
    journal_file = base_dir / site.service.journal
    with _folder(target) as part:
        with Journal.open_reader(journal_file) as journal:
            _expect_room(part, journal_file)
            journal.store.copy_to(part / JOURNAL)
        earlier = [path for _, path in scheduled(target.parent, site.site.id)][::-1]
        archived = _take_archives(folder_of(journal_file), part, earlier)
        kept, gone = _take_reports(journal_file.parent / REPORTS_FOLDER, part, earlier)
        copied, missing = _named_files(site_path)
        for name in copied:
            (part / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(base_dir / name, part / name)
        (part / site_path.name).write_bytes(site_path.read_bytes())
        with Journal.open_reader(part / JOURNAL) as copy:
            problems = copy.verify(whole=whole)
            if problems:
                raise BackupError(
                    f"{target}: the copy of the journal is not in order, so no backup was made: {problems[0]}. Check "
                    f"the journal itself: motewatch verify {site_path}"
                )
            last_input_id = copy.last_input_id()
            rows = copy.inputs_after(last_input_id - 1, 1) if last_input_id else []
            manifest = Manifest(
                format=FORMAT,
                made_by=f"motewatch {version('motewatch')}",
                site=site.site.id,
                at=instant(now_us).isoformat(),
                site_file=site_path.name,
                journal_path=site.service.journal,
                inputs=last_input_id,
                outputs=copy.last_output_id(),
                last_input_at=instant(rows[0].received_us).isoformat() if rows else None,
                seals=copy.chain().seals,
                files={name: _sha256(part / name) for name in sorted([JOURNAL, site_path.name, *copied])}
                | archived
                | kept,
                missing=missing + gone,
                whole=whole or not archived,
            )
        (part / MANIFEST).write_text(json.dumps(asdict(manifest), indent=2, ensure_ascii=False) + "\n", "utf-8")
    return manifest


def read_manifest(backup: Path) -> Manifest:
    """What the backup says of itself. Raises `BackupError`, `OSError`."""
    file = backup / MANIFEST
    if not file.is_file():
        raise BackupError(f"{backup}: this is no backup, {MANIFEST} is not in it. Give the folder that backup made.")
    try:
        plain: dict[str, Any] = json.loads(file.read_bytes())
        if plain.get("format") != FORMAT:
            raise BackupError(
                f"{file}: this backup has format {plain.get('format')}, and this motewatch reads {FORMAT}."
            )
        manifest = _MANIFEST.validate_python(plain)
    except (ValueError, TypeError, AttributeError, RecursionError) as error:
        raise BackupError(f"{file}: the manifest cannot be read: {error}") from None
    try:
        instant(manifest.at_us)
    except (ValueError, TypeError, OverflowError):
        raise BackupError(
            f"{file}: at = {manifest.at[:50]!r} is no instant with a time zone. Take another backup."
        ) from None
    return manifest


def restore_backup(backup: Path, target: Path, whole: bool = False) -> tuple[Manifest, Path]:
    """Lay the backup out in the folder `target`, which must be empty or not there; returns also the site file's path.

    Everything is checked before it appears there, to the same extent as in `make_backup`.

    Raises `BackupError`, `JournalError`, `OSError`.
    """
    manifest = read_manifest(backup)
    for name, digest in manifest.files.items():
        if not _is_inside(name) or not (backup / name).is_file():
            raise BackupError(f"{backup}: {name} is not there. This backup is not whole, take another one.")
        if _sha256(backup / name) != digest:
            raise BackupError(f"{backup}: {name} was changed since the backup was made. Take another one.")
    with _folder(target) as part:
        for name in manifest.files:
            place = part / _place(manifest, name)
            place.parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(backup / name, place)
            place.chmod(0o600 if name.startswith(JOURNAL) else 0o640)
        with Journal.open_reader(part / journal_place(manifest)) as journal:
            problems = journal.verify(whole=whole)
        if problems:
            raise BackupError(f"{backup}: the journal in it is not in order: {problems[0]}. Take another one.")
        shutil.copyfile(backup / MANIFEST, part / "restored-from.json")
    return manifest, target / manifest.site_file


def journal_place(manifest: Manifest) -> str:
    """Where the journal goes, relative to the folder: as the site file says, if that is inside."""
    path = manifest.journal_path
    return path if _is_inside(path) else PurePosixPath(path).name


def names_laid_out(manifest: Manifest) -> list[str]:
    """What a restore lays out that belongs together: the journal, and beside it archives and reports, if there are."""
    place = PurePosixPath(journal_place(manifest))
    found = [place.name]
    if manifest.archives:
        found.append(folder_of(place.name).name)
    if manifest.reports:
        found.append(REPORTS_FOLDER)
    return found


def _place(manifest: Manifest, name: str) -> str:
    """Where a file of the backup goes: journal, archives and reports as the site file says."""
    journal = journal_place(manifest)
    if name.startswith(f"{REPORTS}/"):
        return str(PurePosixPath(journal).with_name(REPORTS_FOLDER) / name.removeprefix(f"{REPORTS}/"))
    return journal + name.removeprefix(JOURNAL) if name.startswith(JOURNAL) else name


def _take_archives(source: Path, part: Path, earlier: Sequence[Path]) -> dict[str, str]:
    """The archive files that the copy of the journal knows, and their manifests; SHA-256 by name.

    Each is on the disk before its rows leave the journal, so what the copy knows is there.
    """
    with Journal.open_reader(part / JOURNAL) as copy, copy.store.reading() as connection:
        known = [each for each in registered(connection) if each.deleted_us is None]
    if not known:
        return {}
    target = folder_of(part / JOURNAL)
    target.mkdir(mode=0o750)
    found: dict[str, str] = {}
    for archive in known:
        for name in (archive.name, manifest_name(archive.name)):
            if not (source / name).is_file():
                raise BackupError(f"{source / name}: this archive file is missing. Lay it back from an earlier backup.")
            _link_or_copy([folder_of(path / JOURNAL) / name for path in earlier], source / name, target / name)
        found[f"{target.name}/{archive.name}"] = archive.sha256
        beside = manifest_name(archive.name)
        found[f"{target.name}/{beside}"] = _sha256(target / beside)
    return found


def _take_reports(source: Path, part: Path, earlier: Sequence[Path]) -> tuple[dict[str, str], list[str]]:
    """The kept reports that the copy of the journal knows, SHA-256 by name; and those of which there is no good file.

    Each is on the disk before it is registered. One that is gone or changed can be made again, so it ends no backup;
    the file of an earlier backup stands in for it.
    """
    with Journal.open_reader(part / JOURNAL) as copy:
        known = report_files(copy.store)
    found: dict[str, str] = {}
    gone: list[str] = []
    for name, wanted in known:
        # The register is no part of the record: a name in it could lead elsewhere.
        good = None
        if PurePosixPath(name).name == name:
            good = _good_report(source / name, [path / REPORTS / name for path in earlier], wanted)
        if good is None:
            gone.append(f"{REPORTS_FOLDER}/{name}")
            continue
        target = part / REPORTS / name
        target.parent.mkdir(mode=0o750, exist_ok=True)
        _link_or_copy([path / REPORTS / name for path in earlier], good, target)
        found[f"{REPORTS}/{name}"] = _sha256(target)
    return found, gone


def _good_report(file: Path, earlier: Sequence[Path], wanted: str) -> Path | None:
    """A file whose content has that hash. One as in the newest backup that has it was looked into then."""
    before = [path for path in earlier if path.is_file()]
    if file.is_file() and before and _sha256(before[0]) == _sha256(file):
        return file
    for path in (file, *before):
        with suppress(OSError, ValueError, RecursionError, AttributeError):
            if content_hash(json.loads(path.read_bytes())) == wanted:
                return path
    return None


def _link_or_copy(earlier: list[Path], source: Path, target: Path) -> None:
    digest = _sha256(source)
    for each in earlier:
        if each.is_file() and _sha256(each) == digest:
            with suppress(OSError):
                os.link(each, target)
                return
    shutil.copyfile(source, target)


def how_made(backup: Path) -> str:
    """In words, how that backup was made, as far as can be read."""
    said = "made and checked"
    with suppress(BackupError, OSError):
        manifest = read_manifest(backup)
        if manifest.archives:
            said += f", {manifest.archives} archive files by {'their rows' if manifest.whole else 'their hashes'}"
    return said


def names_outside(manifest: Manifest) -> bool:
    """Whether the site file wants its journal elsewhere, so that somebody has to put it there."""
    return not _is_inside(manifest.journal_path)


def scheduled_name(site: str, at_us: int) -> str:
    """The name of a backup that the service makes by itself."""
    return f"{site}-{instant(at_us):%Y%m%dT%H%M%SZ}"


def folders(folder: Path, site: str) -> Iterator[tuple[str, Path]]:
    """What lies there by the name of a scheduled backup, whole or not, and the time in its name. Raises `OSError`."""
    pattern = re.compile(re.escape(site) + r"-(\d{8}T\d{6})Z")
    for each in folder.iterdir() if folder.is_dir() else ():
        if found := pattern.fullmatch(each.name):
            yield found[1], each


def scheduled(folder: Path, site: str) -> list[tuple[int, Path]]:
    """The whole backups of that name in the folder, oldest first, each with its instant."""
    found = []
    for _, each in folders(folder, site):
        if each.is_dir():
            with suppress(BackupError, OSError):
                manifest = read_manifest(each)
                if manifest.site == site:
                    found.append((manifest.at_us, each))
    return sorted(found)


def remove_oldest(folder: Path, site: str, keep: int, now_us: int) -> list[Path]:
    """Let the oldest of the scheduled backups go; returns which. Those dated after now are none of the `keep`."""
    old = [path for at_us, path in scheduled(folder, site) if at_us <= now_us][:-keep]
    for path in old:
        shutil.rmtree(path)
    return old


def remove_unfinished(folder: Path, site: str) -> None:
    """What scheduled backups left behind that were killed. Only while none is under way."""
    for each in folder.glob(f".{site}-*.part-*"):
        shutil.rmtree(each, ignore_errors=True)


@contextmanager
def _folder(target: Path) -> Iterator[Path]:
    """A new folder beside `target` that becomes it when all went well, and leaves nothing when not."""
    if target.is_dir() and any(target.iterdir()):
        raise BackupError(f"{target}: this folder is not empty, and nothing is ever overwritten. Name a new one.")
    if target.exists() and not target.is_dir():
        raise BackupError(f"{target}: this is there already and no folder. Name a new one.")
    if not target.parent.is_dir():
        raise BackupError(f"{target}: the folder {target.parent} does not exist. Make it first.")
    try:
        part = Path(tempfile.mkdtemp(prefix=f".{target.name}.part-", dir=target.parent))
    except OSError as error:
        # The error itself names a folder that nobody has heard of.
        raise BackupError(
            f"{target.parent}: nothing can be written in this folder: {error.strerror}. Make the disk writable, give "
            "the user who runs motewatch the right to write there, or name another folder."
        ) from None
    try:
        yield part
        _flush(part)
        part.rename(target)
        _flush_folder(target.parent)
    except BaseException:
        shutil.rmtree(part, ignore_errors=True)
        raise


def _flush(folder: Path) -> None:
    for path in sorted(folder.rglob("*")):
        if path.is_dir():
            _flush_folder(path)
        else:
            with path.open("rb") as file:
                os.fsync(file.fileno())
    _flush_folder(folder)


def _flush_folder(folder: Path) -> None:
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def _expect_room(folder: Path, journal: Path) -> None:
    needed = journal.stat().st_size * ROOM
    wal = journal.with_name(f"{journal.name}-wal")
    if wal.exists():
        needed += wal.stat().st_size
    free = shutil.disk_usage(folder).free
    if free < needed:
        raise BackupError(
            f"{folder.parent}: the backup needs {needed / 1e6:.0f} MB, and {free / 1e6:.0f} MB are free. Make room, or "
            "name a folder on another disk."
        )


def _named_files(site_path: Path) -> tuple[list[str], list[str]]:
    """Files that the site file names: those to be copied, and those that will be missed."""
    copied: list[str] = []
    missing: list[str] = []
    for key, name in _names(tomllib.loads(site_path.read_text("utf-8"))):
        if key in _COPIED and _is_inside(name) and (site_path.parent / name).is_file():
            copied.append(name)
        else:
            missing.append(name)
    return sorted(set(copied)), sorted(set(missing))


def _names(plain: object, key: str = "") -> Iterator[tuple[str, str]]:
    if isinstance(plain, dict):
        for name, value in plain.items():
            yield from _names(value, name)
    elif isinstance(plain, list):
        for value in plain:
            yield from _names(value, key)
    elif isinstance(plain, str) and key in (*_COPIED, *_SECRET):
        yield key, plain


def _is_inside(name: str) -> bool:
    path = PurePosixPath(name)
    return not path.is_absolute() and ".." not in path.parts and name not in ("", MANIFEST)


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
