"""One service on one journal."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from motewatch.service.errors import AnotherServiceError, ServiceError
from motewatch.service.only_one import only_service

HOLDER = """
import sys, time
from pathlib import Path
from motewatch.service.only_one import only_service
with only_service(Path(sys.argv[1])):
    print("held", flush=True)
    sys.stdin.read()
"""


def test_a_second_one_is_refused_by_name_and_may_come_later(tmp_path: Path) -> None:
    journal = tmp_path / "journal.db"
    with only_service(journal):
        with pytest.raises(AnotherServiceError) as caught, only_service(journal):
            pass
        assert caught.value.holder == str(os.getpid())
        assert f"process {os.getpid()} already serves this journal" in str(caught.value)
        assert isinstance(caught.value, ServiceError)
        with only_service(tmp_path / "another.db"):
            pass
    with only_service(journal):
        pass
    assert not journal.exists()


def test_a_killed_service_leaves_no_lock_behind(tmp_path: Path) -> None:
    journal = tmp_path / "journal.db"
    with subprocess.Popen(
        [sys.executable, "-c", HOLDER, str(journal)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as holder:
        assert holder.stdout is not None
        assert holder.stdout.readline() == "held\n"
        with pytest.raises(AnotherServiceError, match=f"process {holder.pid} "), only_service(journal):
            pass
        holder.send_signal(signal.SIGKILL)
        holder.wait(20)
    with only_service(journal):
        pass


def test_where_no_lock_can_be_made_the_journal_has_the_word(tmp_path: Path) -> None:
    with only_service(tmp_path / "no-such-folder" / "journal.db"):
        pass


def test_on_a_full_disk_the_journal_has_the_word(tmp_path: Path) -> None:
    (tmp_path / "journal.db.lock").symlink_to("/dev/full")
    with only_service(tmp_path / "journal.db"):
        pass
