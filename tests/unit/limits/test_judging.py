"""Each branch of each rule, by its reason."""

from __future__ import annotations

import pytest

from motewatch.limits.judging import (
    LOOK_BACK_BLIND,
    Judgement,
    Observation,
    Reason,
    Verdict,
    judge,
    look_back,
    observe,
)
from motewatch.measure.samples import Channel, Quality, Sample
from motewatch.site.models import Confidence, KOfN, PerSample, RollingVolume, Rule

FULL_UL = 28_300_000
LIMIT = 3_520
"""99 counts in 28.3 litres pass, 100 exceed."""

PER_SAMPLE = PerSample(kind="per-sample")
TWO_OF_THREE = KOfN(kind="k-of-n", k=2, n=3)
CONFIDENT = Confidence(kind="confidence", confidence_pct=95)


def good(count: int, volume_ul: int = FULL_UL) -> Observation:
    return Observation(0, count, volume_ul, sufficient=True, suspect=False, nominal_ul=FULL_UL)


def suspect(count: int, volume_ul: int = FULL_UL) -> Observation:
    return Observation(0, count, volume_ul, sufficient=True, suspect=True, nominal_ul=FULL_UL)


def partial(count: int, volume_ul: int = FULL_UL // 4, nominal_ul: int | None = FULL_UL) -> Observation:
    return Observation(0, count, volume_ul, sufficient=False, suspect=False, nominal_ul=nominal_ul)


MISSING = Observation(0, 0, 0, sufficient=False, suspect=False, nominal_ul=FULL_UL)


def reason(rule: Rule, *window: Observation, limit: int = LIMIT) -> Reason:
    judgement = judge(rule, window, limit)
    assert judgement.verdict is judgement.reason.verdict
    assert judgement.limit_per_m3 == limit
    return judgement.reason


# Observing


def sample(*channels: Channel, quality: Quality = Quality.GOOD) -> Sample:
    return Sample("fill-1", 0, 60_000_000, 1, channels, 60_000_000, 1, ("c1",), quality, "operational")


def test_observe_a_good_sample() -> None:
    taken = sample(Channel(500, 12, FULL_UL), Channel(5000, 1, FULL_UL))
    assert observe(taken, 5000, FULL_UL) == Observation(60_000_000, 1, FULL_UL, True, False, FULL_UL)
    assert observe(taken, 500).nominal_ul is None


@pytest.mark.parametrize(
    ("quality", "sufficient", "is_suspect"),
    [
        (Quality.PARTIAL, False, False),
        (Quality.MISSING, False, False),
        (Quality.OVER_RANGE, True, True),
        (Quality.FLOW_FAULT, True, True),
        (Quality.LASER_FAULT, True, True),
        (Quality.CLOCK_SUSPECT, True, True),
        (Quality.CALIBRATION_OVERDUE, True, False),
        (Quality.SEVERAL_SENSORS, True, False),
        (Quality.PARTIAL | Quality.LASER_FAULT, False, True),
    ],
)
def test_observe_quality(quality: Quality, sufficient: bool, is_suspect: bool) -> None:
    seen = observe(sample(Channel(500, 12, FULL_UL), quality=quality), 500)
    assert (seen.sufficient, seen.suspect) == (sufficient, is_suspect)


def test_a_size_not_counted_is_no_air() -> None:
    seen = observe(sample(Channel(500, 12, FULL_UL)), 5000, FULL_UL)
    assert (seen.count, seen.volume_ul, seen.sufficient) == (0, 0, False)


def test_a_size_counted_in_less_air_is_partial() -> None:
    taken = sample(Channel(300, 5, FULL_UL // 2), Channel(500, 12, FULL_UL))
    assert not observe(taken, 300).sufficient
    assert observe(taken, 500).sufficient


# One sample


@pytest.mark.parametrize(
    ("seen", "expected"),
    [
        (good(99), Reason.SAMPLE_WITHIN),
        (good(100), Reason.SAMPLE_ABOVE),
        (good(176, 50_000_000), Reason.SAMPLE_WITHIN),
        (good(177, 50_000_000), Reason.SAMPLE_ABOVE),
        (suspect(99), Reason.SUSPECT_SAMPLE),
        (suspect(100), Reason.SUSPECT_SAMPLE_ABOVE),
        (partial(25), Reason.PARTIAL_SAMPLE),
        (partial(99), Reason.PARTIAL_SAMPLE),
        (partial(100), Reason.PARTIAL_SAMPLE_ABOVE),
        (partial(10_000, nominal_ul=None), Reason.PARTIAL_SAMPLE),
        (partial(100, volume_ul=2 * FULL_UL), Reason.PARTIAL_SAMPLE),
        (partial(200, volume_ul=2 * FULL_UL), Reason.PARTIAL_SAMPLE_ABOVE),
        (MISSING, Reason.NO_AIR),
        (good(7, 0), Reason.NO_AIR),
    ],
)
def test_per_sample(seen: Observation, expected: Reason) -> None:
    assert reason(PER_SAMPLE, good(10_000), seen) is expected


def test_the_judgement_has_the_figures() -> None:
    judgement = judge(PER_SAMPLE, [good(100)], LIMIT)
    assert judgement == Judgement(Verdict.EXCEEDS, Reason.SAMPLE_ABOVE, 100, FULL_UL, LIMIT)
    assert judgement.per_m3 == pytest.approx(3_533.57, abs=0.005)
    assert judge(PER_SAMPLE, [MISSING], LIMIT).per_m3 is None


def test_no_window_is_no_air() -> None:
    assert reason(PER_SAMPLE) is Reason.NO_AIR
    assert reason(RollingVolume(kind="rolling-volume", volume_l=10)) is Reason.NO_AIR


def test_a_limit_of_zero() -> None:
    assert reason(PER_SAMPLE, good(0), limit=0) is Reason.SAMPLE_WITHIN
    assert reason(PER_SAMPLE, good(1), limit=0) is Reason.SAMPLE_ABOVE


# k of n


@pytest.mark.parametrize(
    ("window", "expected"),
    [
        ("w w w", Reason.K_OUT_OF_REACH),
        ("E w w", Reason.K_OUT_OF_REACH),
        ("w E w", Reason.K_OUT_OF_REACH),
        ("E E w", Reason.K_REACHED),
        ("E w E", Reason.K_REACHED),
        ("E E w w", Reason.K_OUT_OF_REACH),
        ("E w w E", Reason.K_OUT_OF_REACH),
        ("E ? w", Reason.K_UNDECIDED),
        ("w ? w", Reason.K_OUT_OF_REACH),
        ("w w ?", Reason.K_OUT_OF_REACH),
        ("E w ?", Reason.K_UNDECIDED),
        ("? ? w", Reason.K_UNDECIDED),
        ("E E ?", Reason.K_REACHED),
        ("E E", Reason.K_REACHED),
        ("w", Reason.K_UNDECIDED),
        ("w w", Reason.K_OUT_OF_REACH),
        ("E w", Reason.K_UNDECIDED),
        ("S s", Reason.K_UNDECIDED),
        ("S S", Reason.K_REACHED),
        ("P P", Reason.K_REACHED),
        ("p w w", Reason.K_OUT_OF_REACH),
        ("p w p", Reason.K_UNDECIDED),
    ],
)
def test_two_of_three(window: str, expected: Reason) -> None:
    """w within, E above, ? missing, s and S suspect below and above, p and P partial below and above."""
    kinds = {
        "w": good(10),
        "E": good(100),
        "?": MISSING,
        "s": suspect(10),
        "S": suspect(100),
        "p": partial(10),
        "P": partial(100),
    }
    assert reason(TWO_OF_THREE, *(kinds[letter] for letter in window.split())) is expected


def test_k_of_n_shows_the_newest_sample_above() -> None:
    """The newest sample is below the limit: an alarm that named its value would read as nonsense."""
    assert judge(TWO_OF_THREE, [good(150), good(120), good(10)], LIMIT).count == 120
    assert judge(TWO_OF_THREE, [good(150), good(12), good(10)], LIMIT).count == 10


# Rolling volume

CUBIC_METRE = RollingVolume(kind="rolling-volume", volume_l=1000)


@pytest.mark.parametrize(
    ("window", "expected", "figures"),
    [
        ([good(1)] * 29 + [good(0)] * 7, Reason.VOLUME_WITHIN, (29, 36 * FULL_UL)),
        ([good(1)] * 30 + [good(0)] * 6, Reason.VOLUME_ABOVE, (30, 36 * FULL_UL)),
        # What lies before the volume is full does not count.
        ([good(500)] + [good(0)] * 36, Reason.VOLUME_WITHIN, (0, 36 * FULL_UL)),
        # Not full: 29 counts are allowed in the whole cubic metre, so 30 are too many already.
        ([good(29)], Reason.VOLUME_FILLING, (29, FULL_UL)),
        ([good(30)], Reason.FILLING_VOLUME_ABOVE, (30, FULL_UL)),
        ([good(0)] * 35, Reason.VOLUME_FILLING, (0, 35 * FULL_UL)),
        # A missing period takes nothing away and adds nothing.
        ([good(0)] * 18 + [MISSING] + [good(0)] * 18, Reason.VOLUME_WITHIN, (0, 36 * FULL_UL)),
        ([good(1)] * 30 + [good(0)] * 6 + [MISSING], Reason.VOLUME_ABOVE, (30, 36 * FULL_UL)),
        # A newest sample without air, partial or suspect cannot show that an excursion is over.
        ([good(0)] * 36 + [MISSING], Reason.VOLUME_NEWEST_UNSOUND, (0, 36 * FULL_UL)),
        ([good(0)] * 36 + [partial(0)], Reason.VOLUME_NEWEST_UNSOUND, (0, 36 * FULL_UL + FULL_UL // 4)),
        ([good(0)] * 36 + [suspect(0)], Reason.VOLUME_NEWEST_UNSOUND, (0, 36 * FULL_UL)),
        # Partial samples inside the window hold good air.
        ([good(0)] * 35 + [partial(0)] * 2 + [good(0)], Reason.VOLUME_WITHIN, (0, 35 * FULL_UL + FULL_UL // 4 * 2)),
        # Suspect air does not fill the volume of clean air ...
        ([good(0)] * 34 + [suspect(0)] + [good(0)], Reason.VOLUME_FILLING, (0, 35 * FULL_UL)),
        ([good(0)] * 35 + [suspect(0)] + [good(0)], Reason.VOLUME_WITHIN, (0, 36 * FULL_UL)),
        # ... its dirt counts ...
        ([good(0)] * 35 + [suspect(30)] + [good(0)], Reason.VOLUME_ABOVE, (30, 36 * FULL_UL)),
        # ... and its seeming cleanness does not dilute what sound air has shown.
        (
            [good(30)] + [good(0)] * 10 + [suspect(0)] * 30 + [good(0)] * 25,
            Reason.SOUND_VOLUME_ABOVE,
            (30, 36 * FULL_UL),
        ),
    ],
)
def test_rolling_cubic_metre(window: list[Observation], expected: Reason, figures: tuple[int, int]) -> None:
    judgement = judge(CUBIC_METRE, window, 29)
    assert judgement.reason is expected
    assert (judgement.count, judgement.volume_ul) == figures


# Confidence


@pytest.mark.parametrize(
    ("seen", "expected"),
    [
        (good(0), Reason.NOT_SURELY_ABOVE),
        (good(1), Reason.NOT_SURELY_ABOVE),
        (good(2), Reason.NOT_SURELY_ABOVE),
        (good(3), Reason.NOT_SURELY_ABOVE),
        (good(4), Reason.SURELY_ABOVE),
        (suspect(3), Reason.SUSPECT_SAMPLE),
        (suspect(4), Reason.SUSPECT_SAMPLE_ABOVE),
        (suspect(0), Reason.SUSPECT_SAMPLE),
        (partial(3), Reason.PARTIAL_SAMPLE),
        (partial(4), Reason.PARTIAL_SAMPLE_ABOVE),
        (partial(0), Reason.PARTIAL_SAMPLE),
        (partial(400, nominal_ul=None), Reason.PARTIAL_SAMPLE),
        (MISSING, Reason.NO_AIR),
    ],
)
def test_confidence(seen: Observation, expected: Reason) -> None:
    """0.8207 counts are expected at 29 per cubic metre: P(>= 3) is 0.0509 there, P(>= 4) is 0.0103."""
    assert reason(CONFIDENT, seen, limit=29) is expected


# Looking back


@pytest.mark.parametrize(
    ("rule", "nominal_ul", "expected"),
    [
        (PER_SAMPLE, FULL_UL, 1),
        (CONFIDENT, None, 1),
        (TWO_OF_THREE, FULL_UL, 3),
        (CUBIC_METRE, FULL_UL, 49),
        (CUBIC_METRE, 10**9, 3),
        (CUBIC_METRE, None, LOOK_BACK_BLIND),
        (CUBIC_METRE, 0, LOOK_BACK_BLIND),
    ],
)
def test_look_back(rule: Rule, nominal_ul: int | None, expected: int) -> None:
    assert look_back(rule, nominal_ul) == expected


def test_look_back_over_thinner_samples() -> None:
    """At half coverage twice as many samples are needed: 1000 / 14.15 = 70.7, and one more."""
    assert look_back(CUBIC_METRE, FULL_UL, 0.5) == 72


def test_every_reason_is_told_apart() -> None:
    assert len({found.text for found in Reason}) == len(Reason) == 18
