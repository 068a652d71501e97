"""Housekeeping by the clock: pruning, checkpoints, sums, heartbeats. It decides nothing about periods or alarms.

Rules: the jobs are handed in; each is short, may be late, and may be left out once without harm. A job that raises is
logged and counted and runs again at its next time. All times are UTC and all jobs run by interval, since a local time
of day comes twice or never on the days the clocks change. The scheduler goes by the host's wall clock: after a jump of
that clock all jobs begin their interval anew, since a clock that is set back must not silence a heartbeat until it has
caught up, and one set forward by years must not be made up for. A job that hangs (a folder of another machine) holds up
neither a stop nor the end of the process. Deadlines of the engine do not belong here: they are worked off by `advance`,
at their nominal instants.
"""

from __future__ import annotations

import logging
import threading
from collections import Counter
from collections.abc import Callable, Iterable
from concurrent.futures import Executor, Future
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from queue import SimpleQueue
from typing import Any, Final

from apscheduler.executors.pool import BasePoolExecutor
from apscheduler.schedulers.background import BackgroundScheduler
from apscheduler.triggers.base import BaseTrigger

from motewatch.journal.errors import JournalUnwritableError
from motewatch.links.clock import Clock, StepWatch

log = logging.getLogger(__name__)

LOOK_S: Final = 1.0
"""How often it is looked whether somebody set the clock."""


@dataclass(frozen=True, slots=True)
class Job:
    """Something to be done every `every_s` seconds, for the first time one interval after the start."""

    name: str
    every_s: float
    run: Callable[[], object]


class Every(BaseTrigger):
    """In step with the first time; what a stall or a jump has left out stays out, in one step and not one by one."""

    def __init__(self, every_s: float) -> None:
        self._every = timedelta(seconds=every_s)

    def get_next_fire_time(self, previous_fire_time: datetime | None, now: datetime) -> datetime:
        """The next time after `now`, in whole intervals from the previous one; from `now` where there was none."""
        if previous_fire_time is None:
            return now + self._every
        left_out = max(timedelta(0), now - previous_fire_time) // self._every
        return previous_fire_time + (left_out + 1) * self._every


class _Hands(Executor):
    """A few threads that the end of the interpreter does not wait for, as it does for those of `ThreadPoolExecutor`."""

    def __init__(self, count: int) -> None:
        self._todo: SimpleQueue[tuple[Future[Any], Callable[[], Any]] | None] = SimpleQueue()
        self._threads = [
            threading.Thread(target=self._work, name=f"housekeeping-{number}", daemon=True) for number in range(count)
        ]

    def start(self) -> None:
        for thread in self._threads:
            thread.start()

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        future: Future[Any] = Future()
        self._todo.put((future, lambda: fn(*args, **kwargs)))
        return future

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """Never waits; see `join`."""
        for _ in self._threads:
            self._todo.put(None)

    def join(self, timeout_s: float) -> None:
        """Wait so long at most for the threads to end."""
        clock = Clock()
        end_s = clock.monotonic_s() + timeout_s
        for thread in self._threads:
            thread.join(max(0.0, end_s - clock.monotonic_s()))

    def _work(self) -> None:
        while (task := self._todo.get()) is not None:
            future, call = task
            try:
                result = call()
            except BaseException as error:  # whoever asked for it hears of it
                future.set_exception(error)
            else:
                future.set_result(result)


class _Pool(BasePoolExecutor):
    """The scheduler's way to the hands."""

    def __init__(self, hands: _Hands) -> None:
        super().__init__(hands)  # type: ignore[no-untyped-call]


class Housekeeping:
    """Runs the jobs in a small pool of threads between `start` and `stop`. `step_us`: see `StepWatch`."""

    def __init__(
        self,
        jobs: Iterable[Job],
        step_us: Callable[[], int | None] | None = None,
        look_s: float = LOOK_S,
        scheduler: BackgroundScheduler | None = None,
    ) -> None:
        self._step_us = step_us or StepWatch(Clock()).step_us
        self._look_s = look_s
        self._lock = threading.Lock()
        self._failures: Counter[str] = Counter()
        self._runs: Counter[str] = Counter()
        self._under_way: set[str] = set()
        self._stopping = threading.Event()
        self._watch = threading.Thread(target=self._watch_clock, name="housekeeping-clock", daemon=True)
        self._scheduler = scheduler or BackgroundScheduler(timezone=UTC)  # type: ignore[no-untyped-call]
        # Two hands: a job that hangs must not silence the heartbeat.
        self._hands = _Hands(2)
        self._scheduler.add_executor(_Pool(self._hands))  # type: ignore[no-untyped-call]
        self._jobs = list(jobs)
        for job in self._jobs:
            self._scheduler.add_job(  # type: ignore[no-untyped-call]
                self._guarded,
                Every(job.every_s),
                args=(job,),
                id=job.name,
                # All three on purpose. The default grace of one second drops a run that comes later than that (a busy
                # minute would silence the heartbeat): None means better late than never. Coalesced, because after a
                # long stall one pruning is as good as four. One instance, because no job is made to meet itself.
                misfire_grace_time=None,
                coalesce=True,
                max_instances=1,
            )

    def start(self) -> None:
        """Begin."""
        self._hands.start()
        self._scheduler.start()  # type: ignore[no-untyped-call]
        self._watch.start()

    def stop(self, timeout_s: float) -> None:
        """End; waits so long for jobs under way, and then leaves them. Not started or stopped already: nothing."""
        self._stopping.set()
        if self._watch.ident is not None:
            self._watch.join()
        if not self._scheduler.running:
            return
        self._scheduler.shutdown()  # type: ignore[no-untyped-call]
        self._hands.join(timeout_s)
        with self._lock:
            left = ", ".join(sorted(self._under_way))
        if left:
            log.warning("housekeeping: left under way at the stop: %s", left)

    def failures(self) -> dict[str, int]:
        """How often each job has raised."""
        with self._lock:
            return dict(self._failures)

    def runs(self) -> dict[str, int]:
        """How often each job has been run, failures included."""
        with self._lock:
            return dict(self._runs)

    def _watch_clock(self) -> None:
        while not self._stopping.wait(self._look_s):
            if self._step_us() is not None:
                for job in self._jobs:
                    self._scheduler.reschedule_job(job.name, trigger=Every(job.every_s))  # type: ignore[no-untyped-call]

    def _guarded(self, job: Job) -> None:
        if self._stopping.is_set():
            # Its turn came after the stop, when what it works on may be closed already.
            return
        with self._lock:
            self._under_way.add(job.name)
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
                self._under_way.discard(job.name)
