"""The signal to the outside that says that the service lives: a GET of a URL at fixed times. Somebody else notices when
it stops, and tells people over a way that does not need this machine.

Rules: no signal while something is wrong that the service itself could not tell of: `trouble` says what, or nothing.
A signal that fails is logged, when that begins and when it is over, and counted; nothing waits for it. The URL usually
holds a secret: it is in no log line, error or traceback. 2xx is a success; redirects are not followed, since the URL
would be told to somebody else. Must not know what the service does.
"""

from __future__ import annotations

import logging
import ssl
import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final
from urllib.parse import urlsplit

import httpx

from motewatch.links.attempts import Attempts, LeftBehindError, StopWaitingError, TooManyHangError
from motewatch.links.channels.line import trouble
from motewatch.links.clock import TimeSource
from motewatch.links.errors import LinkSettingsError
from motewatch.links.http_client import client
from motewatch.links.secrets import Secret

log = logging.getLogger(__name__)

SPARE_S: Final = 1.0
KEY: Final = "callout.dead_man.url_file"
AUTHORITY: Final = (
    "let this machine know its authority (the system's certificates), and write the host in the URL as it does"
)


@dataclass(slots=True)
class Figures:
    """What became of the signals since the start."""

    sent: int = 0
    failed: int = 0
    withheld: int = 0


class DeadMan:
    """`trouble` gives the reason for which no signal may be sent now, or an empty text."""

    def __init__(
        self,
        url: Secret,
        every_s: float,
        timeout_s: float,
        trouble: Callable[[], str],
        clock: TimeSource,
    ) -> None:
        """Raises `LinkSettingsError` where what is in the file is no URL."""
        try:
            parts = urlsplit(url.reveal())
            good = parts.scheme in ("http", "https") and bool(parts.hostname) and parts.port != 0
            httpx.URL(url.reveal())
        except (ValueError, httpx.InvalidURL):
            good = False
        if not good:
            raise LinkSettingsError(KEY, "what is in the file is no URL", "write a URL into it that begins with https:")
        # Once: reading the authorities takes tens of milliseconds.
        self._tls = ssl.create_default_context()
        self._url = url
        self._every_s = every_s
        self._timeout_s = timeout_s
        self._trouble = trouble
        self._clock = clock
        self._attempts = Attempts("dead-man", clock)
        self._stopping = threading.Event()
        self._thread: threading.Thread | None = None
        self._said = ""
        self.figures = Figures()

    def start(self) -> None:
        """Begin, with a signal at once."""
        self._thread = threading.Thread(target=self._run, name="dead-man", daemon=True)
        self._thread.start()

    def stop(self, timeout_s: float = 0.4) -> bool:
        """End. False if the thread did not; it holds nothing."""
        self._stopping.set()
        if self._thread is not None:
            self._thread.join(timeout_s)
        return self._thread is None or not self._thread.is_alive()

    def _run(self) -> None:
        next_s = self._clock.monotonic_s()
        while not self._stopping.wait(max(0.0, next_s - self._clock.monotonic_s())):
            # At fixed times, so that a slow answer does not add up; after a long stall from now on.
            next_s = max(next_s + self._every_s, self._clock.monotonic_s())
            try:
                self.step()
            except Exception as error:
                log.error("the dead-man signal has a defect: %s; it goes on", type(error).__name__)

    def step(self) -> None:
        """One signal, if nothing speaks against it."""
        why = self._trouble()
        if why:
            self.figures.withheld += 1
            self._tell(f"withheld: {why}")
            return
        try:
            self._attempts.run(self._signal, self._timeout_s + SPARE_S, self._stopping.is_set)
        except StopWaitingError:
            return
        except _AnsweredError as error:
            problem = f"answered {error.status}"
        except LeftBehindError:
            problem = f"no answer within {self._timeout_s:g} s"
        except TooManyHangError as error:
            problem = f"{error.hanging} earlier ones have not ended yet"
        except (httpx.HTTPError, OSError, ValueError) as error:
            # Never its own text, which may hold the URL.
            problem = str(trouble(error, "the receiver", authority=AUTHORITY))
        else:
            self.figures.sent += 1
            self._tell("")
            return
        self.figures.failed += 1
        self._tell(f"failed: {problem}")

    def _signal(self) -> None:
        with client(self._tls, self._timeout_s) as http:
            headers = {"User-Agent": "motewatch", "Cache-Control": "no-store"}
            with http.stream("GET", self._url.reveal(), headers=headers) as response:
                if not response.is_success:
                    raise _AnsweredError(response.status_code)

    def _tell(self, problem: str) -> None:
        """Once for each change: a receiver that is away for a night must not fill the log."""
        if problem == self._said:
            return
        figures = self.figures
        counted = {"sent": figures.sent, "failed": figures.failed, "withheld": figures.withheld}
        if problem:
            log.warning("dead-man signal %s", problem, extra=counted)
        else:
            log.info("dead-man signal is received again", extra=counted)
        self._said = problem


class _AnsweredError(Exception):
    """The receiver did not say yes."""

    def __init__(self, status: int) -> None:
        self.status = status
        super().__init__(str(status))
