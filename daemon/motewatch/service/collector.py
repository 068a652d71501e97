"""Python's collector of rings of objects, kept from making everything wait: it stops all threads while it looks.

Objects of a running service are let go one by one, by their counts; rings among them are rare. So the collector looks
seldom, never at what the start has made, and not while a snapshot makes a great many lists that are soon gone again.
"""

from __future__ import annotations

import gc
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Final

YOUNG_OBJECTS: Final = 8_000
"""So many new containers before the collector looks for rings among them. The MQTT library leaves one behind for each
message, so it has to look; all else waits meanwhile, 8 ms of each 0.5 s at 2,000 messages a second. With the usual 700
it took a tenth of all processor time, and with 50,000 all waited for 50 to 90 ms at once."""


def look_seldom() -> None:
    """From now on, in this process."""
    gc.set_threshold(YOUNG_OBJECTS, 20, 20)


def keep_what_is_there() -> None:
    """What the start has made stays: the collector need not walk through it again and again while all else waits."""
    gc.collect()
    gc.freeze()


@contextmanager
def not_now() -> Iterator[None]:
    """The collector waits until this is over. In one thread at a time."""
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()
