"""The parts of the service that monitoring can do without: taken into use where that can be, and told where it cannot.

A service that starts again at night, after a power cut, must keep counts and alarms whatever else is missing: a secret
of a channel, a certificate of the console, a library. Such a part is left out of use, and that is said: in the log, as
an alarm of its own (`service/out-of-use/PART`), and by whoever shows alarms. Without what is essential the service does
not start: site file, journal, and what it needs to reach the broker.

Rules: from any thread. Before `tell_all` nothing is posted, because the engine may not be configured yet.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Iterable, Mapping
from pathlib import PurePosixPath
from typing import Final, Protocol, TypeVar

from motewatch.engine.records import PartChanged
from motewatch.engine.subject import OUT_OF_USE
from motewatch.links.clock import TimeSource
from motewatch.links.errors import LinkError, LinkSettingsError

_log = logging.getLogger("motewatch.parts")

LONGEST: Final = 300
_T = TypeVar("_T")


class Poster(Protocol):
    """`Service.post`."""

    def __call__(self, what: PartChanged, /) -> None: ...


class OptionalParts:
    """See the module."""

    def __init__(self, post: Poster, clock: TimeSource) -> None:
        self._post = post
        self._clock = clock
        self._lock = threading.Lock()
        self._out: dict[str, str] = {}
        self._telling = False

    @property
    def out(self) -> Mapping[str, str]:
        """Those that are out of use, and why."""
        with self._lock:
            return dict(self._out)

    def attempt(self, part: str, make: Callable[[], _T]) -> _T | None:
        """What `make` makes; None where it cannot: then the part is out of use."""
        try:
            made = make()
        except Exception as error:
            self.is_out(part, why(part, error), str(error) if isinstance(error, LinkError) else "")
            return None
        self.is_back(part)
        return made

    def is_out(self, part: str, because: str, whole: str = "") -> None:
        """It is out of use. `whole`: the same for this machine's own log."""
        with self._lock:
            before = self._out.get(part)
            self._out[part] = because
            telling = self._telling
        if before != because:
            _log.error("a part of the service is out of use", extra={"part": part, "detail": whole or because})
        if telling and before is None:
            self._post(PartChanged(part, False, self._clock.now_us(), because))

    def is_back(self, part: str) -> None:
        """It is in use, or the site file has it no more."""
        with self._lock:
            known = self._out.pop(part, None) is not None
            telling = self._telling
        if known:
            _log.warning("a part of the service is in use again", extra={"part": part})
            if telling:
                self._post(PartChanged(part, True, self._clock.now_us()))

    def tell_all(self, standing: Iterable[str]) -> None:
        """The engine is configured. `standing`: ids of the alarms that stand from before this start."""
        now_us = self._clock.now_us()
        with self._lock:
            self._telling = True
            out = dict(self._out)
        for part, because in out.items():
            self._post(PartChanged(part, False, now_us, because))
        for alarm in standing:
            part = alarm.removeprefix(OUT_OF_USE)
            if part != alarm and part not in out:
                self._post(PartChanged(part, True, now_us))


def why(part: str, error: Exception) -> str:
    """What is wrong with it, and how it is mended."""
    if isinstance(error, LinkSettingsError) and error.key.startswith("/"):
        # It goes out of the house: where the file lies on this machine is nobody's business there.
        return str(error).replace(error.key, PurePosixPath(error.key).name)[:LONGEST]
    if isinstance(error, LinkError):
        return str(error)[:LONGEST]
    if isinstance(error, ImportError):
        return f"a library is missing: {error.name}; install motewatch with all that it needs"[:LONGEST]
    # Its text may hold anything.
    _log.error("part '%s' cannot be taken into use", part, exc_info=error)
    return f"a defect: {type(error).__name__}; see the log"
