"""Archive files that do not get where they should: what cannot be taken over is set aside, and made anew from the rows;
what nobody was told of is found, to be told; and one run at a time makes files.

Rules: a file on the register is never touched, whatever it looks like; what is set aside stays in the folder for
whoever wants to know, and counts for nothing. Only the process that writes the journal sets aside. Reads no clock.
"""

from __future__ import annotations

import fcntl
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from sqlalchemy import select

from motewatch.journal import tables
from motewatch.journal.archives import Manifest, folder_of, manifest_name, registered
from motewatch.journal.errors import ArchiveError
from motewatch.journal.store import Store

ARCHIVED: Final = "archived"
SUBJECT: Final = "archive/"
"""How the audit trail tells of a file."""

ASIDE: Final = ".aside"
"""What the name of a file ends with that was set aside. An older one of the same name gives way: disks are finite."""

LOCK: Final = ".lock"
"""Of the folder: held by whoever makes files in it. The kernel lets go of it however the process ends."""


class OtherRunError(ArchiveError):
    """Another process makes archive files in that folder."""

    def __init__(self, folder: Path) -> None:
        super().__init__(
            str(folder), "another run is making archive files here. Wait until it has ended; nothing was changed."
        )


@contextmanager
def one_run(store: Store) -> Iterator[None]:
    """Keep every other run out of the folder, which is made where it is not there.

    Each run removes what it takes for the leftover of one that was killed, so two would remove each other's files.
    Raises `OtherRunError`, `ArchiveError`, `OSError`.
    """
    folder = folder_of(store.path)
    if folder.is_symlink() and not folder.exists():
        raise ArchiveError(str(folder), f"this link leads to {folder.readlink()}, which is not there. Mount its disk.")
    folder.mkdir(mode=0o750, exist_ok=True)
    try:
        descriptor = os.open(folder / LOCK, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
    except PermissionError:
        # Made by another user, such as by root by hand. It is locked all the same (not on every network's file system).
        descriptor = os.open(folder / LOCK, os.O_RDONLY | os.O_CLOEXEC)
    try:
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise OtherRunError(folder) from None
        yield
    finally:
        os.close(descriptor)


def is_under_way(store: Store) -> bool:
    """Whether a run makes files just now."""
    try:
        with one_run(store):
            return False
    except OtherRunError:
        return True
    except (ArchiveError, OSError):
        # The run that is begun then says why.
        return False


def set_aside(store: Store) -> list[str]:
    """Put away all that lies ready and is not registered; returns the names. Raises `OSError`, `JournalError`.

    All, because whatever follows a file that is of no use names it as the one before.
    """
    names = []
    with one_run(store):
        for path in list(_unregistered(store)):
            path.replace(path.with_name(path.name + ASIDE))
            names.append(path.name)
    return sorted(names)


def untold(store: Store) -> list[Manifest]:
    """Files on the register that the audit trail does not tell of, in their order."""
    audit, archives = tables.audit.c, tables.archives.c
    with store.reading() as connection:
        told = set(connection.execute(select(audit.subject).where(audit.action == ARCHIVED)).scalars())
        names = connection.execute(select(archives.id, archives.name).order_by(archives.id)).all()
        missing = [number for number, name in names if SUBJECT + name not in told]
        texts = [
            connection.execute(select(archives.manifest).where(archives.id == number)).scalar_one()
            for number in missing
        ]
    return [Manifest.read(text, "the register") for text in texts]


def _unregistered(store: Store) -> Iterator[Path]:
    with store.reading() as connection:
        known = {each.name for each in registered(connection)}
    known |= {manifest_name(name) for name in known}
    for pattern in ("*.parquet", "*.json"):
        # Hidden names are those of files that are being made.
        for path in folder_of(store.path).glob(pattern):
            if path.name not in known and not path.name.startswith("."):
                yield path
