"""What a classification test is short of, how it is told, and what comes from the journal."""

from __future__ import annotations

import pytest

from motewatch.limits.classification import (
    Classification,
    Edition,
    Lack,
    Outcome,
    best_class,
    classify,
    considered_sizes,
    iso_target,
)
from motewatch.limits.errors import OutOfRangeError, UnknownClassError
from motewatch.limits.single_samples import SingleSample, pooled
from motewatch.limits.standards.verdict import CellVerdict
from motewatch.measure.samples import Channel, Quality, Sample
from motewatch.site.models import Occupancy
from motewatch.wire.records import MINUTE_US

REST = Occupancy.AT_REST


def sample(location: str, *counts: int, volume_l: float = 28.3, number: int = 1, **more: object) -> SingleSample:
    """Counts at 0.5 um and, where given, at 5 um."""
    volume_ul = round(volume_l * 1_000_000)
    channels = tuple(Channel(size, count, volume_ul) for size, count in zip((500, 5000), counts, strict=False))
    return SingleSample(location, number, channels, **more)  # type: ignore[arg-type]


def lacks(found: Classification) -> list[Lack]:
    return [each.lack for each in found.shortfalls]


def test_a_complete_test_passes_and_is_designated() -> None:
    found = classify([sample("A", 100, 2), sample("B", 9_000, 80)], iso_target("7", REST), [5000, 500], 4, 28.3)
    assert found.outcome is Outcome.PASS
    assert found.designation == "ISO Class 7; at-rest; 0.5 um, 5 um"
    assert (found.needed_locations, found.shortfalls) == (2, ())
    assert found.least_volume_l == pytest.approx(6.826, abs=5e-4)
    assert [place.verdict for place in found.locations] == [CellVerdict.WITHIN, CellVerdict.WITHIN]


def test_a_location_is_the_mean_of_its_samples_and_each_location_stands_alone() -> None:
    taken = [sample("A", 200, volume_l=100), sample("A", 500, volume_l=100, number=2), sample("B", 0, volume_l=100)]
    found = classify(taken, iso_target("5", REST), [500], 4, 28.3)
    assert [place.sizes[0].mean for place in found.locations] == [3500, 0]
    assert found.outcome is Outcome.PASS
    dirtier = classify([*taken, sample("C", 353, volume_l=100)], iso_target("5", REST), [500], 4, 28.3)
    # The mean of all is far below 3 520; one location above it fails the room.
    assert dirtier.outcome is Outcome.FAIL
    assert dirtier.designation is None
    assert dirtier.highest(500) == 3530


def test_too_few_locations_too_little_air_and_too_little_time_leave_a_clean_room_unshown() -> None:
    found = classify([sample("A", 1, volume_l=1.9)], iso_target("7", REST), [500], 5, 28.3)
    assert found.outcome is Outcome.NOT_SHOWN
    assert lacks(found) == [Lack.LOCATIONS, Lack.VOLUME, Lack.TIME]
    assert [each.text for each in found.shortfalls] == [
        "1 of the 3 sampling locations that ISO 14644-1:2015 asks for in 5 m2",
        "location (sample) A (1): 1.9 L of the 2 L of air that a sample needs",
        "location (sample) A (1): 0.0671 min of the 1 min that a sample needs",
    ]


def test_what_every_sample_lacks_is_told_once() -> None:
    found = classify([sample("A", 1), sample("B", 2)], iso_target("7", REST), [500], 4)
    assert [each.text for each in found.shortfalls] == [
        "every sample: neither the duration nor the counter's flow is given; 1 minute is needed"
    ]


@pytest.mark.parametrize(("seconds", "missing"), [(60, []), (59, [Lack.TIME])])
def test_a_recorded_duration_wins_over_the_flow(seconds: int, missing: list[Lack]) -> None:
    one = sample("A", 1, volume_l=100, duration_us=seconds * 1_000_000)
    assert lacks(classify([one], iso_target("7", REST), [500], 2, 1.0)) == missing


def test_a_full_minute_at_the_counters_flow_is_a_minute() -> None:
    for flow in (2.83, 28.3, 28.317, 50.0, 100.0):
        one = sample("A", 1, volume_l=flow)
        assert lacks(classify([one], iso_target("7", REST), [500], 2, flow)) == []


def test_a_size_that_was_not_counted_and_air_that_is_suspect_are_missing() -> None:
    found = classify([sample("A", 1, suspect=True)], iso_target("7", REST), [500, 5000], 2, 28.3)
    assert found.outcome is Outcome.NOT_SHOWN
    assert set(lacks(found)) == {Lack.SIZE, Lack.SUSPECT}
    assert found.locations[0].sizes[1].mean is None


def test_suspect_air_can_fail_a_room() -> None:
    found = classify([sample("A", 10**6, suspect=True)], iso_target("7", REST), [500], 2, 28.3)
    assert found.outcome is Outcome.FAIL


def test_class_5_at_5_um_has_no_verdict_but_the_macroparticle_descriptor() -> None:
    found = classify([sample("A", 10, 5)], iso_target("ISO 5", REST), [500, 5000], 2, 28.3)
    assert found.outcome is Outcome.PASS
    assert found.designation == "ISO Class 5; at-rest; 0.5 um"
    assert found.macroparticle_hint is not None
    assert "ISO M (29; >=5 um); LSAPC" in found.macroparticle_hint
    # Air for 0.5 um, the largest size with a limit.
    assert found.least_volume_l == pytest.approx(5.682, abs=5e-4)
    alone = classify([sample("A", 10, 5)], iso_target("5", REST), [5000], 2, 28.3)
    assert alone.outcome is Outcome.NOT_APPLICABLE
    legacy = classify([sample("A", 10, 5)] * 1, iso_target("5", REST, Edition.OF_1999), [5000], 1, 28.3)
    assert legacy.outcome is Outcome.FAIL


def test_class_9_is_for_operation_only() -> None:
    assert classify([sample("A", 10)], iso_target("9", REST), [500], 2, 28.3).outcome is Outcome.NOT_APPLICABLE
    busy = iso_target("9", Occupancy.OPERATIONAL)
    assert classify([sample("A", 10)], busy, [500], 2, 28.3).outcome is Outcome.PASS


def test_1999_wants_three_samples_at_a_single_location_and_judges_the_upper_limit() -> None:
    old = iso_target("5", REST, Edition.OF_1999)
    one = [sample("A", 10)]
    assert lacks(classify(one, old, [500], 1, 28.3)) == [Lack.SAMPLES]
    assert classify([*one, sample("A", 1, number=2), sample("A", 1, number=3)], old, [500], 1, 28.3).shortfalls == ()
    spread = [sample(name, count, volume_l=1000) for name, count in (("A", 3400), ("B", 3450), ("C", 2000))]
    found = classify(spread, old, [500], 9, 28.3)
    assert found.outcome is Outcome.FAIL
    assert [place.verdict for place in found.locations] == [CellVerdict.WITHIN] * 3
    assert found.upper_limits[0].upper.value == pytest.approx(4328.1, abs=0.05)
    ten = [sample(str(number), 10) for number in range(10)]
    assert classify(ten, old, [500], 9, 28.3).upper_limits == ()


def test_1999_has_classes_in_tenths() -> None:
    assert iso_target("ISO 5.3", REST, Edition.OF_1999).iso_class == "5.3"
    with pytest.raises(UnknownClassError):
        iso_target("ISO 5.3", REST)


def test_the_best_class_says_whether_it_is_shown() -> None:
    found = best_class([sample("A", 90, 2)], REST, [500], 2, 28.3)
    assert found is not None
    assert (found.target.name, found.outcome) == ("ISO 5", Outcome.PASS)
    small = best_class([sample("A", 0, volume_l=28.3)], REST, [500], 2, 28.3)
    assert small is not None
    # Class 3 is the first with a limit at 0.5 um, and needs 571 L.
    assert (small.target.name, small.outcome) == ("ISO 3", Outcome.NOT_SHOWN)
    assert best_class([sample("A", 10**9)], REST, [500], 2, 28.3) is None


@pytest.mark.parametrize(
    ("sizes", "told"),
    [
        ([], "at least one size"),
        ([700], "sizes that ISO 7 has: 0.1, 0.2, 0.3, 0.5, 1, 5 um"),
        ([500, 500], "1.5 times"),
    ],
)
def test_sizes_that_cannot_be(sizes: list[int], told: str) -> None:
    with pytest.raises(OutOfRangeError, match=told):
        considered_sizes(sizes, iso_target("7", REST))


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        ({"area_m2": 0}, "area_m2"),
        ({"area_m2": float("nan")}, "area_m2"),
        ({"flow_l_min": 0}, "flow_l_min"),
        ({"flow_l_min": float("nan")}, "flow_l_min"),
        ({"samples": []}, "samples"),
    ],
)
def test_input_that_cannot_be(arguments: dict[str, object], told: str) -> None:
    given = {"samples": [sample("A", 1)], "target": iso_target("7", REST), "sizes_nm": [500], "area_m2": 2}
    with pytest.raises(OutOfRangeError, match=told):
        classify(**(given | arguments))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("channels", "told"),
    [
        ((Channel(500, -1, 1),), "count = -1"),
        ((Channel(500, 1, 0),), "volume_ul = 0"),
        ((Channel(500, 1, 9), Channel(5000, 2, 9)), "not more than the 1 at 0.5 um"),
        ((Channel(500, 1, 9), Channel(500, 1, 9)), "rising sizes"),
    ],
)
def test_samples_that_cannot_be(channels: tuple[Channel, ...], told: str) -> None:
    with pytest.raises(OutOfRangeError, match=told):
        SingleSample("A", 1, channels)


def recorded(location: str, minute: int, count: int, occupancy: str, quality: Quality = Quality.GOOD) -> Sample:
    air = quality is not Quality.MISSING
    return Sample(
        location=location,
        start_us=minute * MINUTE_US,
        end_us=(minute + 1) * MINUTE_US,
        revision=1,
        channels=(Channel(500, count, 28_300_000),) if air else (),
        sampled_us=MINUTE_US if air else 0,
        readings=6,
        sensors=("pc-1",),
        quality=quality,
        occupancy=occupancy,
    )


def test_the_journals_periods_are_pooled_by_location_in_one_state() -> None:
    found = pooled(
        [
            recorded("B", 0, 5, "at-rest"),
            recorded("A", 0, 100, "at-rest"),
            recorded("A", 1, 7, "at-rest", Quality.OVER_RANGE),
            recorded("A", 2, 999, "operational"),
            recorded("A", 3, 0, "at-rest", Quality.MISSING),
        ],
        REST,
    )
    assert (found.periods, found.other_state, found.no_air) == (3, 1, 1)
    a, b = found.samples
    assert (a.location, a.channels, a.duration_us, a.suspect) == (
        "A", (Channel(500, 107, 56_600_000),), 2 * MINUTE_US, True,
    )  # fmt: skip
    assert (b.location, b.suspect) == ("B", False)
