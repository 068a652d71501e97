"""Works off the tasks of a study: here, in processes on all cores, or on a Dask cluster.

The results do not depend on where. A stop lets the tasks under way end, keeps what they gave and raises `Stopped`; with
a resume file the next start goes on from there. Worker processes are started anew (spawn) and leave Ctrl-C to us.
"""

from __future__ import annotations

import multiprocessing
import signal
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from importlib import import_module
from threading import Event
from typing import Any

from motewatch_simulator.errors import SimulatorError, StreamError
from motewatch_simulator.study.resume import Resume
from motewatch_simulator.study.tasks import Result, Task, Work, do

_LOOK_S = 0.2
_WAITING = 3
"""Tasks handed out for each worker: enough that none waits, few enough that a stop is quick."""

Progress = Callable[[int, int], None]


class Stopped(SimulatorError):
    """Somebody asked to stop. `done` of `total` tasks are done."""

    def __init__(self, done: int, total: int) -> None:
        self.done, self.total = done, total
        super().__init__(f"stopped after {done} of {total} tasks")


def work_off(
    work: Work, tasks: Sequence[Task], workers: int | str, resume: Resume, stop: Event, progress: Progress
) -> dict[str, Result]:
    """The result of every task by its key. `workers`: a number of processes (1: this one), or a cluster's address."""
    todo = [task for task in tasks if task.key not in resume.done]
    total = len(tasks)
    progress(total - len(todo), total)
    if todo:
        results = _here(work, todo, stop)
        if isinstance(workers, str):
            results = _on_cluster(work, todo, workers, stop)
        elif workers > 1:
            results = _in_processes(work, todo, min(workers, len(todo)), stop)
        for task, result in results:
            resume.keep(task.key, result)
            progress(len(resume.done), total)
    if any(task.key not in resume.done for task in tasks):
        raise Stopped(sum(task.key in resume.done for task in tasks), total)
    return {task.key: resume.done[task.key] for task in tasks}


def _here(work: Work, tasks: Sequence[Task], stop: Event) -> Iterator[tuple[Task, Result]]:
    for task in tasks:
        if stop.is_set():
            return
        yield task, do(work, task)


def _in_processes(work: Work, tasks: Sequence[Task], workers: int, stop: Event) -> Iterator[tuple[Task, Result]]:
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(workers, mp_context=context, initializer=_leave_signals) as pool:
        todo = iter(tasks)
        running: dict[Future[Result], Task] = {}
        try:
            while True:
                while not stop.is_set() and len(running) < workers * _WAITING:
                    task = next(todo, None)
                    if task is None:
                        break
                    running[pool.submit(do, work, task)] = task
                if stop.is_set():
                    for future in [one for one in running if one.cancel()]:
                        del running[future]
                if not running:
                    return
                done, _ = wait(running, timeout=_LOOK_S, return_when=FIRST_COMPLETED)
                for future in done:
                    yield running.pop(future), future.result()
        except BrokenProcessPool:
            raise StreamError(
                "a worker process ended by itself (out of memory?). Give fewer --workers; with --resume the study "
                "goes on where it was."
            ) from None


def _on_cluster(work: Work, tasks: Sequence[Task], address: str, stop: Event) -> Iterator[tuple[Task, Result]]:
    try:
        distributed: Any = import_module("dask.distributed")
    except ImportError:
        raise StreamError(
            "a cluster needs the extra `cluster`: install motewatch[cluster] here and on every worker"
        ) from None
    try:
        client: Any = distributed.Client(address, timeout="10s", set_as_default=False)
    except (OSError, ValueError) as error:
        raise StreamError(f"{address}: no scheduler answers there: {error}") from None
    with client:
        shared = client.scatter(work, broadcast=True)
        pending = {client.submit(do, shared, task, pure=False): task for task in tasks}
        try:
            while pending and not stop.is_set():
                for future in [one for one in pending if one.done()]:
                    yield pending.pop(future), future.result()
                stop.wait(_LOOK_S)
        except distributed.KilledWorker as error:
            raise StreamError(
                f"{address}: workers of the cluster ended again and again ({error}). Is motewatch[cluster] of this "
                "version on each, and memory enough?"
            ) from None
        client.cancel(list(pending))


def _leave_signals() -> None:
    """Ctrl-C on a terminal reaches every process; the parent decides what it means."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
