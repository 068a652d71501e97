"""Faults of the journal's disk: full, read-only, failing, held by another program."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from typing import Final

from campaign.blow import Blow
from campaign.ground import Ground
from support.servers import wait_until

HELD_UP: Final = "the record cannot be written"


def _held_up(blow: Blow, since: int) -> None:
    """Wait until the daemon feels it, then a little longer."""
    try:
        wait_until(lambda: HELD_UP in blow.here.daemon.log_since(since), "a store that cannot be written", 12)
        blow.note("said so")
    except AssertionError:
        blow.note("was over before it was felt")
    blow.hold(0.5, 4.0)


def disk_full(blow: Blow) -> None:
    since = blow.here.daemon.log_size()
    # Its write-ahead log keeps its size and has room inside: emptied first, so that the next batch asks for some.
    with closing(sqlite3.connect(blow.here.journal_path, isolation_level=None, timeout=10)) as other:
        other.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
    with blow.here.full_disk():
        _held_up(blow, since)


@contextmanager
def failing(here: Ground, what: str) -> Iterator[None]:
    assert here.store_faults is not None
    flag = here.store_faults / what
    flag.touch()
    try:
        yield
    finally:
        flag.unlink()


def store_fails(what: str) -> Callable[[Blow], None]:
    def strike(blow: Blow) -> None:
        since = blow.here.daemon.log_size()
        with failing(blow.here, what):
            _held_up(blow, since)

    return strike


def read_only_start(blow: Blow) -> None:
    """The store is read-only when the daemon starts: it says so and ends, or waits; whoever starts it tries again."""
    with failing(blow.here, "read-only"):
        blow.here.daemon.kill()
        blow.here.daemon.start()
        blow.hold(2.0, 6.0)
        if blow.here.daemon.bury() is not None:
            blow.note("ended by itself")
    if blow.here.daemon.pid is None:
        blow.here.daemon.start()


def store_locked(blow: Blow) -> None:
    """Another program writes and does not end."""
    since = blow.here.daemon.log_size()
    with closing(sqlite3.connect(blow.here.journal_path, isolation_level=None, timeout=10)) as other:
        other.execute("BEGIN IMMEDIATE")
        _held_up(blow, since)
        other.execute("ROLLBACK")


def long_reader(blow: Blow) -> None:
    with closing(sqlite3.connect(blow.here.journal_path, isolation_level=None, timeout=10)) as reader:
        reader.execute("BEGIN")
        reader.execute("SELECT max(id) FROM inputs").fetchone()
        blow.hold(3.0, 12.0)
        reader.execute("ROLLBACK")
