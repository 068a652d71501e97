"""The process that `motewatch serve` is: signals, watchdog, memory, and the exit status.

Rules: nothing here knows what the service is made of. SIGTERM and SIGINT stop it cleanly, SIGHUP has it read its site
file again; a handler only takes note. What may end a start is told in words on standard error.
"""

from __future__ import annotations

import faulthandler
import logging
import os
import signal
import sys
from pathlib import Path

from motewatch.engine import EngineError
from motewatch.journal.errors import JournalError
from motewatch.links.clock import Clock
from motewatch.links.errors import LinkError
from motewatch.links.logs import set_up
from motewatch.links.service_manager import ServiceManager
from motewatch.links.site_file import SiteFileError
from motewatch.service import collector
from motewatch.service.errors import ServiceError, StopAskedError
from motewatch.service.memory_watch import MemoryWatch
from motewatch.service.program import Service
from motewatch.service.watched import Watched

_log = logging.getLogger("motewatch.service")

SWITCH_S = 0.0005
"""How long a thread may keep the interpreter while another waits for it. With the usual 5 ms the network thread and the
outbox workers would wait that long behind the writer, for each of several hand-overs of one alarm."""


class _Signals:
    """What was asked by signals. A stop is never forgotten because a reload was asked right after it.

    The handler only takes note: an exception out of it could strike between any two instructions.
    """

    def __init__(self) -> None:
        self.stop = False
        self.reload = False
        for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
            signal.signal(number, self._on_signal)

    def _on_signal(self, number: int, _frame: object) -> None:
        if number == signal.SIGHUP:
            self.reload = True
        else:
            self.stop = True


def run(site_path: Path, log_level: str = "info") -> int:
    """Serve until told to stop. Returns the exit status: 0 after a clean stop."""
    set_up(log_level)
    sys.setswitchinterval(SWITCH_S)
    collector.look_seldom()
    with MemoryWatch() as memory:
        return _serve(site_path, memory)


def _serve(site_path: Path, memory: MemoryWatch) -> int:
    signals = _Signals()
    manager = ServiceManager(os.environ, os.getpid())
    if manager.lives_every_s:
        # A service that hangs is ended by SIGABRT: then the log shows where each thread stood, without any values.
        faulthandler.enable()
    watched = Watched(manager, Clock())
    service = Service(site_path, stop_asked=lambda: signals.stop)
    try:
        service.start()
    except (SiteFileError, JournalError, LinkError, EngineError, ServiceError) as error:
        print(f"motewatch cannot start:\n{error}", file=sys.stderr)
        return 1
    except StopAskedError:
        _log.info("stopped before it had started")
        return 0
    collector.keep_what_is_there()
    writer = service.writer
    memory.begin()
    watched.begin(f"serving {site_path}", lambda: writer.lives_s, lambda: writer.trouble)
    while not signals.stop and not service.wait(0.2):
        watched.look()
        memory.look()
        if signals.reload:
            signals.reload = False
            service.reload()
    _log.info("stopping")
    watched.end()
    try:
        service.stop()
    except ServiceError as error:
        print(f"motewatch stopped: {error}", file=sys.stderr)
        return 1
    _log.info("stopped")
    return 0
