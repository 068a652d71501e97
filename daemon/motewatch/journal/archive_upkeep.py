"""Archive files that do not get where they should: what cannot be taken over is set aside, and made anew from the rows;
what nobody was told of is found, to be told.

Rules: a file on the register is never touched, whatever it looks like; what is set aside stays in the folder for
whoever wants to know, and counts for nothing. Only the process that writes the journal does this. Reads no clock.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Final

from sqlalchemy import select

from motewatch.journal import tables
from motewatch.journal.archives import Manifest, folder_of, manifest_name, registered
from motewatch.journal.store import Store

ARCHIVED: Final = "archived"
SUBJECT: Final = "archive/"
"""How the audit trail tells of a file."""

ASIDE: Final = ".aside"
"""What the name of a file ends with that was set aside. An older one of the same name gives way: disks are finite."""


def set_aside(store: Store) -> list[str]:
    """Put away all that lies ready and is not registered; returns the names. Raises `OSError`, `JournalError`.

    All, because whatever follows a file that is of no use names it as the one before.
    """
    names = []
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
