"""The demo day with its real parts: broker, daemon and simulator as processes, told and scored. A morning will do."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from pathlib import Path

import pytest

CONFIG = Path(__file__).parents[2] / "config"
PATIENCE_S = 150.0


def day(*arguments: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-P", "-m", "motewatch_simulator.demo.day", "--config", str(CONFIG), *arguments]
    return subprocess.run(command, capture_output=True, text=True, timeout=PATIENCE_S, stdin=subprocess.DEVNULL)


@pytest.mark.broker
def test_the_early_shift_is_told_found_and_scored(tmp_path: Path) -> None:
    # Longer than the show needs: on a loaded machine its processes begin late.
    ended = day("--seconds", "40", "--keep", str(tmp_path / "run"))
    assert ended.returncode == 0, ended.stdout + ended.stderr
    said = ended.stdout
    assert "  06:20  people change or move abruptly: Gowning room" in said
    alarm = re.search(r"  0[67]:\d\d      ALARM  Gowning bench: .* above the alert level", said)
    over = re.search(r"  0[67]:\d\d      over   Gowning bench: .* back within the alert level", said)
    assert alarm is not None, said
    assert over is not None, said
    assert said.index("06:20") < alarm.start() < over.start()
    assert "every one of them is in the journal, once" in said
    row = re.search(r"gowning-burst +(\d+) +(\d+) +(\d+) +(\d+)", said)
    assert row is not None, said
    assert row.groups() == ("1", "1", "0", "0")
    truths = [json.loads(line) for line in (tmp_path / "run" / "truth.jsonl").read_text().splitlines()]
    assert next(one["what"] for one in truths if one["kind"] == "incident") == "gowning-burst"


def test_a_folder_without_the_day_is_told(tmp_path: Path) -> None:
    ended = day("--config", str(tmp_path))
    assert ended.returncode == 2
    assert "there is no day-site.toml in" in ended.stderr
