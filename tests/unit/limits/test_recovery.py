"""Which samples are fitted, and which streams are refused and why."""

from __future__ import annotations

from dataclasses import replace
from math import exp, log

import pytest

from motewatch.limits.errors import OutOfRangeError
from motewatch.limits.recovery import (
    BACKGROUNDS,
    MORE_COUNTS_THAN,
    DecaySample,
    NoDecay,
    NotADecayError,
    recovery,
    recovery_rate,
    recovery_time_min,
)
from motewatch.limits.sampling_locations import locations_2015, locations_by_plan, squares_to_sample
from motewatch.limits.sequential import Decision, decide, decide_by_time, fail_share, follow, pass_share
from motewatch.limits.upper_confidence import student_quantile, student_two_sided, upper_limit
from motewatch.limits.well_mixed import air_change_effectiveness, decayed, minutes_to_reach, removal_minutes
from motewatch.wire.records import MINUTE_US

VOLUME_UL = 28_300_000


def stream(*counts: float) -> list[DecaySample]:
    """One sample a minute."""
    return [DecaySample(minute * MINUTE_US, round(count), VOLUME_UL) for minute, count in enumerate(counts)]


def falling(samples: int, rate: float = 0.4, start: float = 100_000, background: float = 0.0) -> list[float]:
    return [background + (start - background) * exp(-rate * minute) for minute in range(samples)]


def test_an_exact_decay_gives_its_rate() -> None:
    found = recovery(stream(*falling(40)))
    assert found.rate_per_min == pytest.approx(0.4, rel=1e-4)
    assert found.lower_per_min < 0.4 < found.upper_per_min
    assert found.hundredth_min == pytest.approx(log(100) / 0.4, rel=1e-4)
    assert found.seen_fall_min == pytest.approx(log(100) / 0.4, rel=2e-3)
    assert found.hundredth_bounds_min[0] < found.hundredth_min < found.hundredth_bounds_min[1]
    # Counts fall to 100 after ln(1000)/0.4 = 17.3 minutes.
    assert (found.first, found.last) == (0, 17)


def test_the_printed_form_is_the_printed_pair() -> None:
    counts = falling(40)
    exact, printed = recovery(stream(*counts)), recovery(stream(*counts), printed=True)
    assert printed.rate_per_min == pytest.approx(exact.rate_per_min * 2.3 / log(10), rel=1e-12)
    assert printed.hundredth_min == pytest.approx(4.6 / printed.rate_per_min, rel=1e-12)
    assert printed.line_per_m3(600_000_000) == pytest.approx(exact.line_per_m3(600_000_000), rel=1e-12)


def test_the_fit_begins_at_the_peak_and_ends_by_the_rule() -> None:
    found = recovery(stream(10, 4_000, 60_000, *falling(30, background=50)))
    assert found.first == 3
    samples = stream(10, 4_000, 60_000, *falling(30, background=50))
    kept = samples[found.first : found.last + 1]
    assert all(one.per_m3 > BACKGROUNDS * found.background_per_m3 and one.count > MORE_COUNTS_THAN for one in kept)
    after = samples[found.last + 1]
    assert after.per_m3 <= BACKGROUNDS * found.background_per_m3 or after.count <= MORE_COUNTS_THAN
    # The rule keeps the background's bend small: within the 5 % that the docstring promises, and never fast.
    assert 0.38 <= found.rate_per_min <= 0.4


def test_a_given_background_is_used() -> None:
    samples = stream(*falling(12))
    open_end = recovery(samples)
    known = recovery(samples, background_per_m3=0.0)
    assert open_end.last < known.last == 11
    assert (open_end.background_given, known.background_given) == (False, True)


def test_suspect_samples_are_never_fitted() -> None:
    samples = stream(*falling(30))
    # Over range at the peak: the fall is taken from where the counter could follow.
    samples[:3] = [replace(sample, suspect=True) for sample in samples[:3]]
    samples[12] = replace(samples[12], suspect=True)
    found = recovery(samples)
    assert (found.first, found.last) == (3, 11)


@pytest.mark.parametrize(
    ("counts", "reason"),
    [
        ([1000, 400, 100], NoDecay.TOO_FEW_SAMPLES),
        ([0] * 20, NoDecay.NO_COUNTS),
        ([100, 1_000, 10_000, 100_000], NoDecay.PEAK_AT_THE_END),
        ([5_000, 4_900, 5_050, 5_010, 4_980, 5_000], NoDecay.NO_FALL),
        ([90_000, 9_000, 900, 90, 9, 1, 0, 0], NoDecay.INTERVAL_TOO_SHORT),
        ([3_000, 2_700, 2_500, 2_400, 90, 0, 0, 0], NoDecay.NO_FALL),
        ([*falling(8), 30_000, *falling(12, start=5_000)], NoDecay.NOT_STRAIGHT),
        ([100_000 * exp(-0.02 * minute**2) for minute in range(30)], NoDecay.NOT_STRAIGHT),
    ],
    ids=lambda value: value.word if isinstance(value, NoDecay) else "",
)
def test_what_is_no_decay_is_refused_with_the_reason(counts: list[float], reason: NoDecay) -> None:
    with pytest.raises(NotADecayError) as refused:
        recovery(stream(*counts))
    assert refused.value.reason is reason
    assert reason.text in str(refused.value)
    assert refused.value.mend in str(refused.value)


def test_a_fall_that_could_be_chance_is_refused() -> None:
    with pytest.raises(NotADecayError) as refused:
        recovery(stream(1_000, 700, 1_100 * 0.6, 1_000 * 0.3, 1, 1, 1), confidence=0.999)
    assert refused.value.reason is NoDecay.UNSURE


def test_all_suspect() -> None:
    with pytest.raises(NotADecayError, match="no sample without a fault"):
        recovery([replace(one, suspect=True) for one in stream(*falling(9))])


@pytest.mark.parametrize(
    "call",
    [
        lambda: recovery([*stream(1, 2, 3), DecaySample(0, 1, 1)]),
        lambda: recovery(stream(*falling(9)), background_per_m3=-1),
        lambda: recovery(stream(*falling(9)), confidence=1),
        lambda: DecaySample(0, -1, 1),
        lambda: DecaySample(0, 1, 0),
        lambda: recovery_rate(0, 1, 1),
        lambda: recovery_rate(1, 1, float("nan")),
        lambda: recovery_time_min(0),
        lambda: decayed(1, 0, float("inf"), 1),
        lambda: decayed(-1, 0, 1, 1),
        lambda: minutes_to_reach(100, 10, 10, 20),
        lambda: minutes_to_reach(100, 101, 0, 20),
        lambda: removal_minutes(0, 0.9),
        lambda: removal_minutes(1, 1),
        lambda: removal_minutes(1, 0.9, 0.5),
        lambda: air_change_effectiveness(1, 0),
        lambda: locations_2015(float("inf")),
        lambda: locations_2015(-3),
        lambda: locations_by_plan(4, 1.0),
        lambda: squares_to_sample(0),
        lambda: decide(0, 1, 1),
        lambda: decide(1, -1, 1),
        lambda: decide(1, 1, -1),
        lambda: decide_by_time(10, 0, 1, 1),
        lambda: decide_by_time(10, 1, -1, 1),
        lambda: fail_share(3),
        lambda: pass_share(-1),
        lambda: upper_limit([1]),
        lambda: upper_limit([1, float("nan")]),
        lambda: upper_limit([1] * 10),
        lambda: student_quantile(1, 3),
        lambda: student_quantile(0.9, 0),
    ],
)
def test_input_that_cannot_be_is_refused_by_name(call: object) -> None:
    with pytest.raises(OutOfRangeError, match=r" = .*: give "):
        call()  # type: ignore[operator]


def test_effectiveness_and_students_t() -> None:
    assert air_change_effectiveness(14, 20) == pytest.approx(0.7)
    for freedom in (1, 2, 5, 8):
        assert student_two_sided(student_quantile(0.95, freedom), freedom) == pytest.approx(0.9, abs=1e-12)


def test_a_sequential_test_tells_after_each_minute_and_stops_at_its_decision() -> None:
    minutes = [(0, VOLUME_UL)] * 10
    told = list(follow(35, minutes))
    # 35 per m3 x 28.3 L = 0.99 a minute: no counts pass in the fourth, at 3.962 of the 3.845 needed.
    assert [each.decision for each in told] == [Decision.GO_ON] * 3 + [Decision.PASSES]
    assert told[-1].share == pytest.approx(4 * 35 * 0.0283 / 20)
    assert [each.decision for each in follow(35, [(2, VOLUME_UL), (4, VOLUME_UL), (0, VOLUME_UL)])] == [
        Decision.GO_ON,
        Decision.GO_ON,
        Decision.GO_ON,
    ]
    failed = list(follow(35, [(2, VOLUME_UL), (6, VOLUME_UL), (0, VOLUME_UL)]))
    assert [each.decision for each in failed] == [Decision.GO_ON, Decision.FAILS]
    assert (failed[1].count, failed[1].fails_at) == (8, 7)


def test_a_full_sample_is_decided_by_the_limit_itself() -> None:
    assert decide(20, 1_000_000_000, 20).decision is Decision.PASSES
    assert decide(20, 1_000_000_000, 21).decision is Decision.FAILS
    # Just before its end the 21st count fails too, and the 20th leaves it open.
    assert decide(20, 999_000_000, 21).decision is Decision.FAILS
    assert decide(20, 999_000_000, 20).decision is Decision.GO_ON
