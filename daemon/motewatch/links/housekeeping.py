"""Housekeeping: pruning, checkpoints, sums, heartbeats. It decides nothing about periods or alarms.

Rules: the jobs are handed in; each is short, may be late, and may be left out once without harm. A job that raises is
logged and counted and runs again at its next time. All jobs run by interval, counted on a clock that nobody sets: a
host's clock that is set back must not silence a heartbeat until it has caught up. A job never meets itself; after a
long stall it runs once and goes on in step. Deadlines of the engine do not belong here: they are worked off by
`advance`, at their nominal instants.
"""

from __future__ import annotations

import heapq
import logging
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Final

from motewatch.journal.errors import JournalUnwritableError

log = logging.getLogger(__name__)

HANDS: Final = 2
"""So many jobs may run at once: one that hangs must not silence the heartbeat."""


@dataclass(frozen=True, slots=True)
class Job:
    """Something to be done every `every_s` seconds, for the first time one interval after the start."""

    name: str
    every_s: float
    run: Callable[[], object]


class Housekeeping:
    """Runs the jobs in a few threads between `start` and `stop`."""

    def __init__(self, jobs: Iterable[Job], monotonic_s: Callable[[], float] = time.monotonic) -> None:
        self._jobs = list(jobs)
        self._monotonic_s = monotonic_s
        self._lock = threading.Condition()
        self._due: list[tuple[float, int]] = []
        """(when, number of the job) of all that do not run just now."""
        self._stopping = False
        self._failures: Counter[str] = Counter()
        self._runs: Counter[str] = Counter()
        self._threads = [threading.Thread(target=self._work, name="housekeeping", daemon=True) for _ in range(HANDS)]

    def start(self) -> None:
        """Begin."""
        now_s = self._monotonic_s()
        self._due = [(now_s + job.every_s, number) for number, job in enumerate(self._jobs)]
        heapq.heapify(self._due)
        for thread in self._threads:
            thread.start()

    def stop(self) -> None:
        """End; waits for jobs under way, which are short. Not started or stopped already: nothing happens."""
        with self._lock:
            self._stopping = True
            self._lock.notify_all()
        for thread in self._threads:
            if thread.ident is not None:
                thread.join()

    def _work(self) -> None:
        while (found := self._next()) is not None:
            due_s, number = found
            job = self._jobs[number]
            self._guarded(job)
            # In step with its first time; what a stall has left out stays out.
            left_out = max(0.0, self._monotonic_s() - due_s) // job.every_s
            with self._lock:
                heapq.heappush(self._due, (due_s + (left_out + 1) * job.every_s, number))
                self._lock.notify()

    def _next(self) -> tuple[float, int] | None:
        """The next job once its time has come; None at the end."""
        with self._lock:
            while not self._stopping:
                if not self._due:
                    self._lock.wait()
                elif (wait_s := self._due[0][0] - self._monotonic_s()) > 0:
                    self._lock.wait(wait_s)
                else:
                    return heapq.heappop(self._due)
        return None

    def failures(self) -> dict[str, int]:
        """How often each job has raised."""
        with self._lock:
            return dict(self._failures)

    def runs(self) -> dict[str, int]:
        """How often each job has been run, failures included."""
        with self._lock:
            return dict(self._runs)

    def _guarded(self, job: Job) -> None:
        try:
            job.run()
        except JournalUnwritableError as error:
            # The writer says what is to be said of a full or failing disk; here it is no defect.
            with self._lock:
                self._failures[job.name] += 1
            log.warning("housekeeping: '%s' was put off for %g s: %s", job.name, job.every_s, error)
        except Exception:
            with self._lock:
                self._failures[job.name] += 1
            log.exception("housekeeping: '%s' failed; it runs again in %g s", job.name, job.every_s)
        finally:
            with self._lock:
                self._runs[job.name] += 1
