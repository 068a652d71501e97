"""Housekeeping jobs: run, run again after an error, and end."""

from __future__ import annotations

import threading

import pytest

from motewatch.journal.errors import DiskFullError
from motewatch.links.housekeeping import Housekeeping, Job
from support.servers import wait_until


def test_a_job_that_raises_is_logged_counted_and_run_again(caplog: pytest.LogCaptureFixture) -> None:
    def fail() -> None:
        raise OSError("no space")

    done: list[int] = []
    keeper = Housekeeping([Job("fails", 0.02, fail), Job("works", 0.02, lambda: done.append(1))])
    keeper.start()
    wait_until(lambda: keeper.failures().get("fails", 0) >= 2 and len(done) >= 2, "two runs of each job")
    keeper.stop()
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
    keeper.stop()
    assert "'sums' was put off for 0.02 s: night.db: no space left" in caplog.text
    assert "Traceback" not in caplog.text
    assert {record.levelname for record in caplog.records if "sums" in record.message} == {"WARNING"}


def test_after_the_stop_nothing_runs() -> None:
    done: list[int] = []
    keeper = Housekeeping([Job("works", 0.01, lambda: done.append(1))])
    keeper.start()
    wait_until(lambda: done, "a run")
    keeper.stop()
    keeper.stop()
    count = len(done)
    assert count == keeper.runs()["works"]


def test_one_that_was_never_started_can_be_stopped() -> None:
    Housekeeping([Job("idle", 3600.0, lambda: None)]).stop()


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
    keeper.stop()


def test_after_a_stall_a_job_runs_once_and_goes_on_in_step() -> None:
    at_s, done = [100.0], []
    keeper = Housekeeping([Job("works", 0.05, lambda: done.append(at_s[0]))], lambda: at_s[0])
    keeper.start()
    at_s[0] = 100.225  # after 100.05, 100.10, 100.15 and 100.20
    wait_until(lambda: keeper.runs().get("works"), "a run")
    at_s[0] = 100.26
    wait_until(lambda: keeper.runs()["works"] >= 2, "the next run")
    keeper.stop()
    assert done == [100.225, 100.26]
