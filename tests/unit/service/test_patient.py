"""A command in a process of its own ends, however much it prints, and is ended with the service."""

from __future__ import annotations

import sys

import pytest

from motewatch.service.patient import Patient
from support.servers import wait_until


def patient(code: str) -> Patient:
    """One that runs some Python instead of motewatch."""
    return Patient(1, (sys.executable, "-c", code))


def test_one_that_prints_more_than_a_pipe_holds_ends_and_the_end_is_handed_on() -> None:
    command = patient("for line in range(20_000): print('file', line)\nraise SystemExit('the disk is full')")
    command.begin()
    status, said = wait_until(command.ended, "the end of the command")
    assert status == 1
    assert said.endswith("file 19999\nthe disk is full")
    assert len(said) <= 4_000
    assert not command.busy
    assert command.ended() is None


DEAF = "import signal; signal.signal(signal.SIGTERM, signal.SIG_IGN)\n"


@pytest.mark.parametrize("first", ["", DEAF])
def test_one_under_way_is_ended_and_another_may_begin(first: str) -> None:
    command = patient(f"{first}import time\ntime.sleep(600)")
    for _ in range(2):
        command.begin()
        assert command.busy
        command.stop(0.1)
        assert not command.busy
