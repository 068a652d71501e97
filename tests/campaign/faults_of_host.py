"""Faults of what the daemon stands on beside its disk: certificates that end, the host's clock, its memory.

Each waits until the daemon has said that it feels the fault, so that none passes unnoticed.
"""

from __future__ import annotations

import signal
from collections.abc import Callable
from contextlib import suppress
from datetime import timedelta
from typing import Final

from campaign.blow import Blow
from campaign.trust import ENDED
from support.servers import wait_until

SHORT_S: Final = 12
"""So long holds a certificate that ends meanwhile. The daemon looks at certificates every 10 s."""
SOON: Final = "certificates: the certificate of the broker"
OUT_OF_TIME: Final = "shows a certificate that is out of its time"
NOT_OURS: Final = "does not take our certificate"
STRANGER: Final = "shows a certificate that does not hold"
JUMPED: Final = "the host's clock jumped by"
NO_START: Final = "this machine's clock says"
SQUEEZES: Final = 30
NOTICED_S: Final = 25.0
"""Within this the daemon notices that it is not whole."""
CEILING_KIB: Final = (60_000, 400_000)
"""Of what a daemon maps that serves it is less than a third."""


# ---- certificates --------------------------------------------------------------------------------------------------


def refused(blow: Blow, words: str, since: int, longest_s: float) -> None:
    """The line is cut; the connection after it is refused with these words in the log, for a while."""
    blow.here.daemon_line.cut()
    blow.seen(words, since)
    blow.note("refused")
    blow.hold(0.0, longest_s)


def certificate_ends(blow: Blow) -> None:
    """The broker's certificate holds for some seconds more: first the daemon warns, then it is refused."""
    here = blow.here
    since = here.daemon.log_size()
    ends = here.trust.serve(here.broker, timedelta(seconds=SHORT_S))
    here.daemon_line.cut()
    while not here.over.is_set() and here.clock.now_us() <= ends.timestamp() * 1_000_000:
        here.over.wait(0.1)
    if SOON in here.daemon.log_since(since):
        blow.note("warned of ahead")
    try:
        refused(blow, OUT_OF_TIME, since, 2.0)
    finally:
        here.trust.serve(here.broker)


def our_certificate_ends(blow: Blow) -> None:
    here = blow.here
    since = here.daemon.log_size()
    here.trust.ours(ENDED)
    try:
        refused(blow, NOT_OURS, since, 8.0)
    finally:
        here.trust.ours()


def authority_changes(blow: Blow) -> None:
    """The broker shows a certificate of a new authority, of which the daemon is told later."""
    here = blow.here
    since = here.daemon.log_size()
    here.trust.new_authority()
    here.trust.serve(here.broker)
    try:
        refused(blow, STRANGER, since, 8.0)
    finally:
        here.trust.tell_daemon()


# ---- the host's clock ----------------------------------------------------------------------------------------------


def clock_off(seconds: int) -> Callable[[Blow], None]:
    """The daemon's host clock is set off, forward or back, and right again. A daemon that is killed meanwhile starts
    when it is right: a start can only go by the clock as it is."""

    def strike(blow: Blow) -> None:
        here, off = blow.here, blow.rng.choice((seconds, -seconds))
        here.daemon.wait_for(lambda: serves(blow), "a daemon that serves")
        since = here.daemon.log_size()
        here.set_clock_off(off)
        try:
            blow.seen(JUMPED, since)
            blow.note("forward" if off > 0 else "back")
            blow.hold(2.0, 12.0)
        finally:
            here.set_clock_off(0)

    return strike


def years_off_at_the_start(blow: Blow) -> None:
    """The clock is years off when the daemon starts: it says so and ends, and whoever starts it tries again."""
    here = blow.here
    off = blow.rng.choice((1, -1)) * 10 * 365 * 86_400
    since = here.daemon.log_size()
    here.daemon.kill()
    here.set_clock_off(off)
    try:
        here.daemon.start()
        _ends(blow)
        assert NO_START in here.daemon.log_since(since), here.daemon.log_end()
        blow.note("ended by itself")
        blow.hold(0.0, 3.0)
    finally:
        here.set_clock_off(0)
    here.daemon.start()


def _ends(blow: Blow) -> None:
    """Wait for the end of a daemon that cannot start."""
    wait_until(lambda: blow.here.daemon.bury() is not None, "the end of a daemon that cannot start", 120)


def serves(blow: Blow) -> bool:
    """Has the present life of the daemon come so far that it serves?"""
    lines = blow.here.daemon.log()
    return lines.rfind(" serving ") > lines.rfind(" engine restored ")


# ---- memory --------------------------------------------------------------------------------------------------------


def memory_squeezed(blow: Blow) -> None:
    """The kernel grants the running daemon no more memory, while it is told to read its site file again and again: it
    ends by itself, perhaps some seconds later, or does without. What ends is started anew; what goes on is whole."""
    here = blow.here
    here.daemon.wait_for(lambda: serves(blow), "a daemon that serves")
    since = here.daemon.log_size()
    here.daemon.grant_memory(False)
    ended = False
    for _ in range(SQUEEZES):
        here.over.wait(blow.rng.uniform(0.1, 0.4))
        if ended := here.daemon.bury() is not None:
            break
        here.daemon.signal(signal.SIGHUP)
    else:
        here.daemon.grant_memory(True)
        with suppress(AssertionError):
            wait_until(lambda: here.daemon.bury() is not None, "an end", NOTICED_S)
            ended = True
    blow.note("ended by itself" if ended else "did without")
    blow.excused.append((since, here.daemon.log_size()))


def memory_ceiling(blow: Blow) -> None:
    """The daemon starts under a ceiling that is too low: it ends by itself, wherever that strikes it."""
    here = blow.here
    here.daemon.kill()
    since = here.daemon.log_size()
    here.daemon.start(memory_kib=blow.rng.randrange(*CEILING_KIB))
    _ends(blow)
    blow.excused.append((since, here.daemon.log_size()))
    blow.note("ended by itself")
    here.daemon.start()
