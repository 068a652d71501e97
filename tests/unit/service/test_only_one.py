"""One service on one journal."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from motewatch.service.errors import AnotherServiceError, ServiceError
from motewatch.service.only_one import holder, only_service, sign_of_life
from support.another_user import asked, close, open_folder

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


def test_who_may_not_look_does_not_find_that_nobody_runs() -> None:
    with open_folder() as folder, only_service(folder / "journal.db"):
        close(folder / "journal.db.lock")
        found = asked("from motewatch.service.only_one import holder", "holder(path)", folder / "journal.db")
        assert found.startswith("PermissionError: ")
        assert "journal.db.lock" in found
        none = asked("from motewatch.service.only_one import holder", "holder(path)", folder / "another.db")
        assert none == "None"


def test_where_no_lock_can_be_made_the_journal_has_the_word(tmp_path: Path) -> None:
    with only_service(tmp_path / "no-such-folder" / "journal.db"):
        pass


def test_on_a_full_disk_the_journal_has_the_word(tmp_path: Path) -> None:
    (tmp_path / "journal.db.lock").symlink_to("/dev/full")
    with only_service(tmp_path / "journal.db"):
        pass


def test_a_sign_of_life_is_read_back_and_leaves_the_process_readable(tmp_path: Path) -> None:
    journal = tmp_path / "journal.db"
    assert sign_of_life(journal) is None
    with only_service(journal) as held:
        assert (holder(journal), sign_of_life(journal)) == (str(os.getpid()), None)
        held.tell(7, 5, True, "")
        size = (tmp_path / "journal.db.lock").stat().st_size
        first = sign_of_life(journal)
        assert first is not None
        assert (first.now_us, first.upto_us, first.connected, first.trouble) == (7, 5, True, "")
        assert holder(journal) == str(os.getpid())
        # However much there is to say, it is written over the same bytes: a full disk has no more.
        for trouble in ("no room, said “the disk”\n" * 100, "\x00" * 1_000, "\U0001f4be" * 1_000, "\udcff"):
            held.tell(8, 5, False, trouble)
            found = sign_of_life(journal)
            assert found is not None
            assert (found.connected, found.trouble[:5]) == (False, trouble.replace("\udcff", "?")[:5])
            assert (tmp_path / "journal.db.lock").stat().st_size == size
        with pytest.raises(AnotherServiceError, match=f"process {os.getpid()} "), only_service(journal):
            pass
    assert holder(journal) is None
    with only_service(journal):
        assert sign_of_life(journal) is None, "the next one has not lived yet"


def test_what_else_is_in_the_lock_file_is_no_sign_of_life(tmp_path: Path) -> None:
    journal = tmp_path / "journal.db"
    for text in ("", "12", "12\n", "12\nnonsense", "12\n[]", '12\n{"now_us": 1}', '12\n{"now_us": "x", "upto_us": {}}'):
        (tmp_path / "journal.db.lock").write_text(text)
        assert sign_of_life(journal) is None, text


def test_a_sign_that_cannot_be_written_is_not_given(tmp_path: Path) -> None:
    (tmp_path / "journal.db.lock").symlink_to("/dev/full")
    with only_service(tmp_path / "journal.db") as held:
        held.tell(7, 5, True, "")
    with only_service(tmp_path / "no-such-folder" / "journal.db") as held:
        held.tell(7, 5, True, "")
