"""One service on one journal, made sure before the journal is opened; and how it fares, told without the journal.

Two services that wrote one journal would give the same ids, and whichever lost the race would stop: by mistake a
second start would end the first service. So the journal's file has a neighbour, `<journal>.lock`, whose advisory lock
(flock) the service holds while it runs. The kernel lets go of it however the process ends, so no lock is left behind;
the file itself stays and means nothing. Readers of the journal do not ask for it.

Its first line is the id of the process. Behind it a service writes its sign of life again and again, always over the
same bytes, which needs no room on the disk: a program that hangs, or whose record cannot be written, is told from one
that has nothing to write. The file's time says when.
"""

from __future__ import annotations

import fcntl
import json
import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Final

from motewatch.picture.health import Sign
from motewatch.service.errors import AnotherServiceError

_ROOM: Final = 2_048
"""Bytes of the file, once a sign of life is in it."""

_LONGEST: Final = 200
"""Characters of the trouble in it: in JSON none takes more than six bytes, but for the rarest."""


class Held:
    """The lock, held. `tell` may be called from any thread, but from one at a time."""

    def __init__(self, descriptor: int | None) -> None:
        self._descriptor = descriptor

    def tell(self, now_us: int, upto_us: int, connected: bool, trouble: str) -> None:
        """How the service fares: see `Sign`. What cannot be written is not told, and the last sign grows old."""
        if self._descriptor is None:
            return
        plain = {"now_us": now_us, "upto_us": upto_us, "connected": connected, "trouble": trouble[:_LONGEST]}
        said = json.dumps(plain, ensure_ascii=False)
        whole = f"{os.getpid()}\n{said}".encode(errors="replace")
        with suppress(OSError):
            os.pwrite(self._descriptor, whole.ljust(_ROOM - 1) + b"\n", 0)


@contextmanager
def only_service(journal: Path) -> Iterator[Held]:
    """Hold the journal's lock. Raises `AnotherServiceError` at once when another process (or object) holds it."""
    lock = _lock_of(journal)
    try:
        descriptor = os.open(lock, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o640)
    except OSError:
        # No folder, or no right to write in it: the journal cannot be opened there either, and says why in its words.
        yield Held(None)
        return
    try:
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            raise AnotherServiceError(str(journal), _lines(descriptor)[0]) from None
        with suppress(OSError):
            # The id is for people. Where it finds no room, the journal will not either, and says so in its words.
            os.ftruncate(descriptor, 0)
            os.pwrite(descriptor, f"{os.getpid()}\n".encode(), 0)
        yield Held(descriptor)
    finally:
        os.close(descriptor)


def holder(journal: Path) -> str | None:
    """Id of the process whose service runs on the journal; None: there is none. Leaves no file behind.

    Raises `OSError` where whoever asks may not look: that says nothing of whether one runs.
    """
    try:
        descriptor = os.open(_lock_of(journal), os.O_RDONLY | os.O_CLOEXEC)
    except FileNotFoundError:
        return None
    try:
        # Shared, and let go of at once: a service that starts in this very moment would be refused, and tries again.
        fcntl.flock(descriptor, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except OSError:
        return _lines(descriptor)[0] or "?"
    else:
        return None
    finally:
        os.close(descriptor)


def sign_of_life(journal: Path) -> Sign | None:
    """The newest one of whoever held the journal last. None: a service that is still starting, another command that
    works on the journal, or an earlier version of either."""
    try:
        descriptor = os.open(_lock_of(journal), os.O_RDONLY | os.O_CLOEXEC)
    except OSError:
        return None
    try:
        plain = json.loads(_lines(descriptor)[1])
        at_us = os.fstat(descriptor).st_mtime_ns // 1_000
        return Sign(at_us, int(plain["now_us"]), int(plain["upto_us"]), bool(plain["connected"]), str(plain["trouble"]))
    except (OSError, ValueError, TypeError, KeyError):
        return None
    finally:
        os.close(descriptor)


def _lines(descriptor: int) -> tuple[str, str]:
    process, _, said = os.pread(descriptor, _ROOM, 0).decode(errors="replace").partition("\n")
    return process.strip(), said.strip()


def _lock_of(journal: Path) -> Path:
    return journal.with_name(f"{journal.name}.lock")
