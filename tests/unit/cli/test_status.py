"""What `motewatch status` says where it may not look."""

from __future__ import annotations

import json
from pathlib import Path

from motewatch.journal.journal import Journal
from support.command_line import run, write_site
from support.live import live_site


def test_whoever_may_not_look_is_not_told_that_no_service_runs(tmp_path: Path) -> None:
    site = live_site({"port": 1})
    path = write_site(tmp_path, site)
    with Journal(tmp_path / "journal.db", site=site["site"]["id"]):
        pass
    lock = tmp_path / "journal.db.lock"
    lock.symlink_to(lock)  # nobody can look there, not even root
    told = run("status", path, "--format", "json")
    found = {each["question"]: (each["answer"], each["text"]) for each in json.loads(told.output)}
    answer, text = found["Does the service run?"]
    assert answer == "cannot tell"
    assert text.startswith(f"{lock} may not be looked at (")
    assert "run this as the service's user" in text
    assert "not well" not in {answer for answer, _ in found.values()}
    assert told.exit_code == 1, "a program that asks is not told that all is well"
