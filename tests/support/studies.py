"""Small studies for tests: few rooms, few months, few runs, so that one takes a second or two."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from motewatch_simulator.study import model as m
from motewatch_simulator.study.file import load_study

STUDIES = Path(__file__).parents[2] / "config" / "studies"


def small_study(name: str = "grade-c-room", **head: Any) -> m.Study:
    """An example with two coarse rules and two incidents, and little work."""
    study = load_study(STUDIES / f"{name}.toml")
    wanted = {"draws": 100, "months": 1, "runs": 10} | head
    coarse = m.AlarmRule(id="coarse", name="Coarse", period_s=3600, share=0.1)
    half_hours = m.AlarmRule(id="half-hours", name="Half hours", period_s=1800, share=0.1)
    return study.model_copy(
        update={
            "study": study.study.model_copy(update=wanted),
            "rules": (coarse, half_hours),
            "incidents": study.incidents[:2],
        }
    )
