"""The fault campaign, short: every kind of fault that a minute and a half has room for, and nothing lost or doubled.

The program itself (`tests/campaign/run.py`) compares everything line by line and ends with 1 when anything is wrong; it
is run in a process of its own, as by hand. MOTEWATCH_CAMPAIGN_SEED chooses another schedule; `-s` shows the table.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

pytestmark = [pytest.mark.crash, pytest.mark.broker, pytest.mark.timeseries]

RUN = Path(__file__).resolve().parent.parent / "campaign" / "run.py"
SECONDS = 75


def test_a_short_campaign_loses_and_doubles_nothing() -> None:
    seed = os.environ.get("MOTEWATCH_CAMPAIGN_SEED", "7")
    command = [sys.executable, str(RUN), "--seconds", str(SECONDS), "--seed", seed]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    print(f"\n{done.stdout}")
    assert done.returncode == 0, f"{done.stdout}\n{done.stderr}"
    assert "Nothing is wrong." in done.stdout
