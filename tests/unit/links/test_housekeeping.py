"""Housekeeping jobs: run, run again after an error, and end."""

from __future__ import annotations

import subprocess
import sys
import threading
from datetime import UTC, datetime, timedelta

import pytest
from apscheduler.schedulers.background import BackgroundScheduler

from motewatch.journal.errors import DiskFullError
from motewatch.links.housekeeping import Every, Housekeeping, Job
from support.servers import wait_until


def test_a_job_that_raises_is_logged_counted_and_run_again(caplog: pytest.LogCaptureFixture) -> None:
    def fail() -> None:
        raise OSError("no space")

    done: list[int] = []
    keeper = Housekeeping([Job("fails", 0.02, fail), Job("works", 0.02, lambda: done.append(1))])
    keeper.start()
    wait_until(lambda: keeper.failures().get("fails", 0) >= 2 and len(done) >= 2, "two runs of each job")
    keeper.stop(20)
    assert "housekeeping: 'fails' failed" in caplog.text
    assert "no space" in caplog.text
    assert keeper.failures().keys() == {"fails"}
    runs = keeper.runs()
    assert runs["works"] == len(done)


def test_a_journal_that_cannot_be_written_puts_a_job_off_without_a_trace(caplog: pytest.LogCaptureFixture) -> None:
    def full() -> None:
        raise DiskFullError("night.db")

    keeper = Housekeeping([Job("sums", 0.02, full)])
    keeper.start()
    wait_until(lambda: keeper.failures().get("sums", 0) >= 2, "two runs")
    keeper.stop(20)
    assert "'sums' was put off for 0.02 s: night.db: no space left" in caplog.text
    assert "Traceback" not in caplog.text
    assert {record.levelname for record in caplog.records if "sums" in record.message} == {"WARNING"}


def test_after_the_stop_nothing_runs() -> None:
    done: list[int] = []
    keeper = Housekeeping([Job("works", 0.01, lambda: done.append(1))])
    keeper.start()
    wait_until(lambda: done, "a run")
    keeper.stop(20)
    keeper.stop(20)
    count = len(done)
    assert count == keeper.runs()["works"]


def test_one_that_was_never_started_can_be_stopped() -> None:
    Housekeeping([Job("idle", 3600.0, lambda: None)]).stop(20)


def test_a_job_that_hangs_holds_up_no_other_and_does_not_meet_itself() -> None:
    done: list[int] = []
    hanging, freed = threading.Semaphore(0), threading.Event()

    def hang() -> None:
        hanging.release()
        freed.wait()

    keeper = Housekeeping([Job("hangs", 0.01, hang), Job("works", 0.01, lambda: done.append(1))])
    keeper.start()
    assert hanging.acquire(timeout=20)
    count = len(done)
    wait_until(lambda: len(done) > count + 5, "runs of the other job")
    assert not hanging.acquire(blocking=False)
    freed.set()
    assert hanging.acquire(timeout=20)
    keeper.stop(20)


def test_one_that_hangs_is_left_at_the_stop_and_said_and_nothing_begins_after_it(
    caplog: pytest.LogCaptureFixture,
) -> None:
    begun: list[int] = []
    hanging, freed = threading.Semaphore(0), threading.Event()

    def hang() -> None:
        hanging.release()
        freed.wait()

    # Both hands hang, so that the third is waiting for its turn at the stop.
    jobs = [Job("folder", 0.01, hang), Job("other", 0.01, hang), Job("works", 0.01, lambda: begun.append(1))]
    keeper = Housekeeping(jobs)
    before = set(threading.enumerate())
    keeper.start()
    hands = [each for each in set(threading.enumerate()) - before if each.name.startswith("housekeeping-")]
    assert len(hands) >= 2
    assert hanging.acquire(timeout=20)
    assert hanging.acquire(timeout=20)
    keeper.stop(0.01)
    assert "left under way at the stop: folder, other" in caplog.text
    count = len(begun)
    freed.set()
    for each in hands:
        each.join()
    assert len(begun) == count


ENDS = """
import threading
from motewatch.links.housekeeping import Housekeeping, Job
begun = threading.Event()
def hang():
    begun.set()
    threading.Event().wait()
keeper = Housekeeping([Job("hangs", 0.01, hang)])
keeper.start()
begun.wait()
keeper.stop(0.01)
print("stopped")
"""


def test_one_that_hangs_for_ever_does_not_keep_the_process_from_ending() -> None:
    ended = subprocess.run([sys.executable, "-c", ENDS], capture_output=True, text=True, timeout=60, check=False)
    assert (ended.returncode, ended.stdout) == (0, "stopped\n"), ended.stderr


NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)


@pytest.mark.parametrize(
    ("after_s", "next_s"),
    [(0, 5), (4.9, 5), (5, 10), (5.1, 10), (23, 25), (10 * 366 * 86_400 + 1, 10 * 366 * 86_400 + 5), (-86_400, 5)],
)
def test_what_was_left_out_stays_out_and_the_next_time_is_in_step(after_s: float, next_s: float) -> None:
    found = Every(5).get_next_fire_time(NOON, NOON + timedelta(seconds=after_s))
    assert found == NOON + timedelta(seconds=next_s)


def test_the_first_time_is_one_interval_away() -> None:
    assert Every(5).get_next_fire_time(None, NOON) == NOON + timedelta(seconds=5)


def test_a_clock_that_was_set_back_silences_no_job() -> None:
    steps: list[int] = []
    done: list[int] = []
    scheduler = BackgroundScheduler(timezone=UTC)  # type: ignore[no-untyped-call]
    keeper = Housekeeping(
        [Job("works", 0.02, lambda: done.append(1))], lambda: steps.pop() if steps else None, 0.01, scheduler
    )
    keeper.start()
    wait_until(lambda: done, "a run")
    # As the scheduler sees it after somebody set the clock back by an hour: it is due an hour from now.
    scheduler.pause()  # type: ignore[no-untyped-call]
    scheduler.modify_job("works", next_run_time=datetime.now(UTC) + timedelta(hours=1))  # type: ignore[no-untyped-call]
    scheduler.resume()  # type: ignore[no-untyped-call]
    count = len(done)
    steps.append(-3_600_000_000)
    wait_until(lambda: len(done) > count + 3, "runs after the clock was set")
    keeper.stop(20)
