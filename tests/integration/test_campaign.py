"""The fault campaign, short: every kind of fault once, in haste, and nothing lost or doubled.

The program itself (`tests/campaign/run.py`) compares everything line by line and ends with 1 when anything is wrong; it
is run in a process of its own, as by hand. MOTEWATCH_CAMPAIGN_SEED chooses another schedule; `-s` shows the table.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from campaign.faults import KINDS

pytestmark = [pytest.mark.crash, pytest.mark.broker, pytest.mark.timeseries]

TESTS = Path(__file__).resolve().parent.parent
RUN = TESTS / "campaign" / "run.py"
DOCS = TESTS.parent / "deploy" / "docs" / "fault-campaign.md"
HASTE = 0.4


def test_a_short_campaign_loses_and_doubles_nothing() -> None:
    seed = os.environ.get("MOTEWATCH_CAMPAIGN_SEED", "7")
    command = [sys.executable, str(RUN), "--once", "--haste", str(HASTE), "--seed", seed]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    print(f"\n{done.stdout}")
    assert done.returncode == 0, f"{done.stdout}\n{done.stderr}"
    assert "Nothing is wrong." in done.stdout
    left_out = set(re.findall(r"^not possible on this machine: (\S+)$", done.stdout, re.MULTILINE))
    dealt = dict(re.findall(r"^\| (\S+) \| (\d+) \|", done.stdout, re.MULTILINE))
    for kind in KINDS:
        assert kind.name in left_out or int(dealt[kind.name]) >= 1, kind.name


def test_the_docs_name_each_kind_of_fault() -> None:
    table = DOCS.read_text(encoding="utf-8").partition("## What happens")[2].partition("## What must hold")[0]
    named = {name for row in re.findall(r"^\| ([a-z, -]+) \|", table, re.MULTILINE) for name in row.split(", ")}
    assert named - {"fault", "---"} == {kind.name for kind in KINDS}
