"""Streams through the daemon's engine: alarms, delays, and agreement with the daemon's judging of whole series."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from motewatch.limits.judging import Verdict
from motewatch.limits.judging_arrays import VERDICTS, judge_series, series, verdicts
from motewatch.site.models import KOfN, RollingVolume, Rule
from motewatch_simulator.study import model as m
from motewatch_simulator.study.engine_run import alarms_in_month, incident_found, levels_of, warm_s
from motewatch_simulator.study.file import load_study
from motewatch_simulator.study.positions import place_counters, volume_of
from motewatch_simulator.study.streams import Stream
from support.studies import STUDIES, small_study

STEPS_A_MINUTE = 60 // m.STEP_S
LIMIT_COUNT = 1661
"""A minute of 28.3 L at a tenth of 3 520 000 / 6 per m3 ... the first count above 58 667 per m3."""


def minutes(values: list[int]) -> np.ndarray[tuple[int, ...], np.dtype[np.int64]]:
    """Counts at 0.5 um of whole minutes, all in their last step; none at 5 um."""
    counts = np.zeros((len(values) * STEPS_A_MINUTE, 2), dtype=np.int64)
    counts[STEPS_A_MINUTE - 1 :: STEPS_A_MINUTE, 0] = values
    return counts


def rule(**changes: object) -> m.AlarmRule:
    return m.AlarmRule(id="rule", name="Rule", period_s=60, share=1 / 60).model_copy(update=changes)


def test_the_levels_are_the_class_limits_times_the_share() -> None:
    study = small_study()
    assert levels_of(study, rule(), "bench", at_rest=False) == [(0.5, 58667), (5.0, 488)]
    assert levels_of(study, rule(), "bench", at_rest=True) == [(0.5, 5867), (5.0, 49)]
    assert levels_of(study, rule(sizes_um=(5.0,)), "bench", at_rest=True) == [(5.0, 49)]


def test_an_incident_is_found_at_the_end_of_its_sample() -> None:
    study = small_study()
    quiet, loud = [10] * 60, [LIMIT_COUNT]
    stream = Stream({"bench": minutes(quiet + loud + [10] * 30)}, begins_step=60 * STEPS_A_MINUTE)
    found = incident_found(study, rule(), stream, 30.0)
    assert (found.delay_s, found.before) == (60.0, False)
    # Equal to the level is not above it.
    level = Stream({"bench": minutes(quiet + [LIMIT_COUNT - 1] + [10] * 30)}, begins_step=60 * STEPS_A_MINUTE)
    assert incident_found(study, rule(), level, 30.0).delay_s is None
    # Too late is not found.
    late = Stream({"bench": minutes(quiet + [10] * 30 + loud)}, begins_step=60 * STEPS_A_MINUTE)
    assert incident_found(study, rule(), late, 30.0).delay_s is None
    assert incident_found(study, rule(), late, 31.0).delay_s == 31 * 60.0


def test_an_alarm_that_stands_already_is_told_apart() -> None:
    study = small_study()
    stream = Stream({"bench": minutes([10] * 50 + [LIMIT_COUNT] * 40)}, begins_step=60 * STEPS_A_MINUTE)
    found = incident_found(study, rule(), stream, 20.0)
    assert (found.delay_s, found.before) == (None, True)


def test_two_of_three_waits_for_the_second() -> None:
    study = small_study()
    two = rule(rule=KOfN(kind="k-of-n", k=2, n=3))
    stream = Stream(
        {"bench": minutes([10] * 60 + [LIMIT_COUNT, 10, LIMIT_COUNT] + [10] * 30)}, begins_step=60 * STEPS_A_MINUTE
    )
    assert incident_found(study, two, stream, 30.0).delay_s == 180.0


def test_any_place_may_find_it() -> None:
    study = small_study()
    quiet = minutes([10] * 90)
    other = minutes([10] * 62 + [LIMIT_COUNT] + [10] * 27)
    stream = Stream({"bench": quiet, "door": other}, begins_step=60 * STEPS_A_MINUTE)
    assert incident_found(study, rule(), stream, 30.0).delay_s == 180.0


@pytest.mark.parametrize(
    "judged",
    [
        m.PerSample(kind="per-sample"),
        KOfN(kind="k-of-n", k=2, n=3),
        RollingVolume(kind="rolling-volume", volume_l=1000.0),
    ],
    ids=lambda judged: judged.kind,
)
def test_the_engine_agrees_with_the_judging_of_whole_series(judged: Rule) -> None:
    """A week-end at rest: every start of the engine's alarm is a rise of the daemon's verdicts in numpy."""
    study = small_study()
    rng = np.random.default_rng(11)
    counts = rng.poisson(160 * np.exp(0.2 * rng.standard_normal(2 * 1440))).tolist()
    # Two days at the beginning of a study's month that has no work at all.
    idle = study.model_copy(update={"room": study.room.model_copy(update={"operational": ()})})
    one = rule(rule=judged)
    starts = alarms_in_month(idle, one, Stream({"bench": minutes(counts)}))["bench"]
    (_, level), _ = levels_of(idle, one, "bench", at_rest=True)
    reasons = judge_series(judged, series(np.array(counts), np.full(len(counts), volume_of(idle, one))), level)
    above = verdicts(reasons) == VERDICTS.index(Verdict.EXCEEDS)
    assert starts == int((above[1:] & ~above[:-1]).sum() + above[0])
    assert starts > 0


def test_rules_that_look_back_get_time_to_fill() -> None:
    assert warm_s(rule(), 28.3) == 3600
    assert warm_s(rule(rule=KOfN(kind="k-of-n", k=2, n=30)), 28.3) == 3600 + 30 * 60
    rolling = warm_s(rule(rule=RollingVolume(kind="rolling-volume", volume_l=1000.0)), 28.3)
    assert rolling >= 3600 + 1000 / 28.3 * 60
    assert warm_s(rule(period_s=1800), 28.3) % 1800 == 0


def test_a_zone_is_watched_where_its_plumes_pass() -> None:
    """Hands above the needles are seen at the needles alone; a valve between the places is a gap and said to be one."""
    study = load_study(STUDIES / "grade-ab-filling.toml")
    placing = place_counters(study.model_copy(update={"rules": study.rules[:1]}))
    assert {"needle", "stopper"} <= set(placing.chosen)
    assert placing.sight("needle-hands", "needle").chance > 0.95
    assert placing.sight("needle-hands", "stopper").chance < 0.1
    gaps = {gap.incident: gap for gap in placing.gaps}
    assert gaps["far-valve"].few
    assert "needle-hands" not in gaps
    # More counters never find less.
    found = [choice.beyond for choice in placing.choices]
    assert all(b >= a - 0.03 for a, b in pairwise(found))
