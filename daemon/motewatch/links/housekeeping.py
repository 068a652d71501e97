"""Housekeeping by the clock: pruning, checkpoints, snapshots, heartbeats. It decides nothing about periods or alarms.

Rules: the jobs are handed in; each is short, may be late, and may be left out once without harm. A job that raises is
logged and counted and runs again at its next time. All times are UTC and all jobs run by interval, since a local time
of day comes twice or never on the days the clocks change. Deadlines of the engine do not belong here: they are worked
off by `advance`, at their nominal instants.
"""

from __future__ import annotations

import logging
import threading
from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import UTC

from apscheduler.executors.pool import ThreadPoolExecutor
from apscheduler.schedulers.background import BackgroundScheduler

from motewatch.journal.errors import JournalUnwritableError

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Job:
    """Something to be done every `every_s` seconds, for the first time one interval after the start."""

    name: str
    every_s: float
    run: Callable[[], object]


class Housekeeping:
    """Runs the jobs in a small pool of threads between `start` and `stop`."""

    def __init__(self, jobs: Iterable[Job]) -> None:
        self._lock = threading.Lock()
        self._failures: Counter[str] = Counter()
        self._runs: Counter[str] = Counter()
        self._scheduler = BackgroundScheduler(  # type: ignore[no-untyped-call]
            timezone=UTC,
            executors={"default": ThreadPoolExecutor(2)},  # type: ignore[no-untyped-call]
            job_defaults={
                # All three on purpose. The default grace of one second drops a run that comes later than that (a busy
                # minute would silence the heartbeat): None means better late than never. Coalesced, because after a
                # long stall one pruning is as good as four. One instance, because no job is made to meet itself.
                "misfire_grace_time": None,
                "coalesce": True,
                "max_instances": 1,
            },
        )
        for job in jobs:
            self._scheduler.add_job(  # type: ignore[no-untyped-call]
                self._guarded, "interval", seconds=job.every_s, args=(job,), id=job.name
            )

    def start(self) -> None:
        """Begin."""
        self._scheduler.start()  # type: ignore[no-untyped-call]

    def stop(self) -> None:
        """End; waits for jobs under way, which are short. Not started or stopped already: nothing happens."""
        if self._scheduler.running:
            self._scheduler.shutdown(wait=True)  # type: ignore[no-untyped-call]

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
