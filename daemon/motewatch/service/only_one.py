"""One service on one journal, made sure before the journal is opened.

Two services that wrote one journal would give the same ids, and whichever lost the race would stop: by mistake a
second start would end the first service. So the journal's file has a neighbour, `<journal>.lock`, whose advisory lock
(flock) the service holds while it runs. The kernel lets go of it however the process ends, so no lock is left behind;
the file itself stays and means nothing. Readers of the journal do not ask for it.
"""

from __future__ import annotations

import fcntl
import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from motewatch.service.errors import AnotherServiceError


@contextmanager
def only_service(journal: Path) -> Iterator[None]:
    """Hold the journal's lock. Raises `AnotherServiceError` at once when another process (or object) holds it."""
    lock = journal.with_name(f"{journal.name}.lock")
    try:
        descriptor = os.open(lock, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o640)
    except OSError:
        # No folder, or no right to write in it: the journal cannot be opened there either, and says why in its words.
        yield
        return
    try:
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            holder = os.pread(descriptor, 32, 0).decode(errors="replace").strip()
            raise AnotherServiceError(str(journal), holder) from None
        with suppress(OSError):
            # The id is for people. Where it finds no room, the journal will not either, and says so in its words.
            os.ftruncate(descriptor, 0)
            os.pwrite(descriptor, f"{os.getpid()}\n".encode(), 0)
        yield
    finally:
        os.close(descriptor)


def holder(journal: Path) -> str | None:
    """Id of the process whose service runs on the journal; None: there is none. Leaves no file behind."""
    try:
        descriptor = os.open(journal.with_name(f"{journal.name}.lock"), os.O_RDONLY | os.O_CLOEXEC)
    except OSError:
        return None
    try:
        # Shared, and let go of at once: a service that starts in this very moment would be refused, and tries again.
        fcntl.flock(descriptor, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except OSError:
        return os.pread(descriptor, 32, 0).decode(errors="replace").strip() or "?"
    else:
        return None
    finally:
        os.close(descriptor)
