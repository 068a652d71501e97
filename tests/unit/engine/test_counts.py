"""From readings to samples to alarms, as dialogues with the engine."""

from __future__ import annotations

from motewatch.engine.records import AlarmChanged, Input, SampleTaken, Turned
from motewatch.wire.records import SECOND_US, Health
from support.dialogue import transcript
from support.facility import T0, engine, heard, reading, run, site_dict

S = SECOND_US


def minute(first_seq: int, start_s: int, counts: tuple[int, int], sensor: str = "pc-1") -> list[Input]:
    """Six readings of 10 s that fill one minute."""
    return [heard(reading(sensor, first_seq + i, T0 + (start_s + 10 * (i + 1)) * S, counts)) for i in range(6)]


def test_a_minute_of_clean_air_is_one_good_sample() -> None:
    said = run(engine(), minute(0, 0, (2, 0)), T0 + 62 * S)
    assert transcript(said, SampleTaken)[0] == "sample fill-1 +0..+60 r1 12/0 GOOD"


def test_a_period_closes_when_it_has_settled_and_not_before() -> None:
    made = engine()
    said = run(made, minute(0, 0, (2, 0)), T0 + 62 * S - 1)
    assert transcript(said, SampleTaken) == []
    assert transcript(made.advance(T0 + 62 * S), SampleTaken) == ["sample fill-1 +0..+60 r1 12/0 GOOD"]


def test_alert_and_action_are_two_alarms_and_both_clear() -> None:
    # 28.3 L at grade A: 99 counts are 3 498 per m3 and pass 3 520, 100 counts are 3 534 and do not.
    inputs = minute(0, 0, (16, 0)) + minute(6, 60, (17, 0)) + minute(12, 120, (4, 0))
    said = run(engine(), inputs, T0 + 182 * S)
    assert [text for text in transcript(said, AlarmChanged) if "fill-1" in text] == [
        "location/fill-1/0.5um/alert starts at +60 -> unacknowledged",
        "location/fill-1/0.5um/action starts at +120 -> unacknowledged",
        "location/fill-1/0.5um/action returns at +180 -> returned-unacknowledged",
        "location/fill-1/0.5um/alert returns at +180 -> returned-unacknowledged",
    ]


def test_the_alarm_tells_what_where_and_against_which_limit() -> None:
    said = run(engine(), minute(0, 0, (17, 0)), T0 + 62 * S)
    action = next(out for out in said if isinstance(out, AlarmChanged) and out.kind == "count-action")
    assert action.text.startswith("Needle side: 3 604 particles/m3 >= 0.5 um, above the action level of 3 520 (EU GMP")
    assert (action.location, action.room, action.area) == ("fill-1", "fill", "north")
    assert action.value is not None
    assert round(action.value, 3) == round(102 * 1000 / 28.3, 3)
    assert (action.limit, action.unit) == (3520, "/m3")


def test_too_little_air_does_not_end_an_alarm() -> None:
    inputs = minute(0, 0, (17, 0)) + minute(6, 60, (0, 0))[:2]
    said = run(engine(), inputs, T0 + 122 * S)
    assert "location/fill-1/0.5um/action returns" not in " ".join(transcript(said, AlarmChanged))
    assert transcript(said, SampleTaken)[1] == "sample fill-1 +60..+120 r1 0/0 PARTIAL"


def test_counts_in_a_part_that_exceed_the_whole_raise_the_alarm() -> None:
    said = run(engine(), minute(0, 0, (60, 0))[:2], T0 + 62 * S)
    assert "location/fill-1/0.5um/action starts at +60 -> unacknowledged" in transcript(said, AlarmChanged)


def test_clean_air_by_a_faulty_laser_ends_nothing() -> None:
    faulty = [heard(reading("pc-1", 6 + i, T0 + (70 + 10 * i) * S, (0, 0), laser=Health.FAULT)) for i in range(6)]
    said = transcript(run(engine(), minute(0, 0, (17, 0)) + faulty, T0 + 122 * S), AlarmChanged)
    assert "sensor/pc-1/laser starts at +70 -> unacknowledged" in said
    assert not any("action returns" in text for text in said)


def test_flow_outside_five_percent_is_flagged_and_its_own_alarm() -> None:
    inputs = [heard(reading("pc-1", i, T0 + 10 * (i + 1) * S, volume_ul=4_400_000)) for i in range(6)]
    said = run(engine(), inputs, T0 + 62 * S)
    assert "sensor/pc-1/flow starts at +10 -> unacknowledged" in transcript(said, AlarmChanged)
    assert transcript(said, SampleTaken)[0] == "sample fill-1 +0..+60 r1 0/0 FLOW_FAULT"


def test_late_data_make_a_new_revision_and_find_the_excursion() -> None:
    first, missed, then = minute(0, 0, (1, 0)), minute(6, 60, (40, 0)), minute(12, 120, (1, 0))
    now_us = T0 + 200 * S
    late = [Input(now_us + i, now_us + i, item.what) for i, item in enumerate(missed)]
    said = run(engine(), first + then + late, T0 + 210 * S)
    assert [text for text in transcript(said, SampleTaken) if "+60..+120" in text] == [
        "sample fill-1 +60..+120 r1 - MISSING",
        "sample fill-1 +60..+120 r2 240/0 GOOD",
    ]
    assert [text for text in transcript(said, AlarmChanged) if "um/" in text] == [
        "location/fill-1/0.5um/action starts at +120 -> unacknowledged late",
        "location/fill-1/0.5um/action returns at +120 -> returned-unacknowledged late",
        "location/fill-1/0.5um/alert starts at +120 -> unacknowledged late",
        "location/fill-1/0.5um/alert returns at +120 -> returned-unacknowledged late",
    ]


def test_late_data_older_than_the_memory_are_joined_to_the_record() -> None:
    made = engine()
    run(made, minute(0, 0, (1, 0))[:5], T0 + 20 * 60 * S + 2 * S)
    now_us = T0 + 20 * 60 * S + 2 * S + 5
    said = run(made, [Input(now_us, now_us, minute(0, 0, (300, 0))[5].what)], now_us + 5 * S)
    assert transcript(said, SampleTaken) == ["sample fill-1 +0..+60 r2 305/0 GOOD"]
    assert "location/fill-1/0.5um/action starts at +60 -> unacknowledged late" in transcript(said, AlarmChanged)


def test_each_reading_can_be_a_sample() -> None:
    inputs = [heard(reading("pc-2", i, T0 + 60 * (i + 1) * S, (n, 0), 60.0)) for i, n in enumerate([10, 10_000, 10])]
    said = run(engine(), inputs)
    assert [text for text in transcript(said, SampleTaken) if "prep-1" in text] == [
        "sample prep-1 +0..+60 r1 10/0 GOOD",
        "sample prep-1 +60..+120 r1 10000/0 GOOD",
        "sample prep-1 +120..+180 r1 10/0 GOOD",
    ]
    # ISO 7 at 0.5 um is 352 000 per m3: 10 000 counts in 28.3 L are 353 357.
    assert [text for text in transcript(said, AlarmChanged) if "prep-1" in text] == [
        "location/prep-1/0.5um/action starts at +120 -> unacknowledged",
        "location/prep-1/0.5um/action returns at +180 -> returned-unacknowledged",
    ]


def test_a_portable_samples_where_it_says_it_stands_and_leaves_no_gaps_behind() -> None:
    inputs = minute_of_portable(0, 0, "prep-2") + minute_of_portable(6, 300, "prep-2")
    said = run(engine(), inputs, T0 + 400 * S)
    assert [text for text in transcript(said, SampleTaken) if "prep-2" in text] == [
        "sample prep-2 +0..+60 r1 18/0 GOOD",
        "sample prep-2 +300..+360 r1 18/0 GOOD",
    ]


def minute_of_portable(first_seq: int, start_s: int, location: str) -> list[Input]:
    return [
        heard(reading("hand-1", first_seq + i, T0 + (start_s + 10 * (i + 1)) * S, (3, 0), location=location))
        for i in range(6)
    ]


def test_k_of_n_waits_for_the_second_sample() -> None:
    site = site_dict()
    site["programmes"][0]["size_rules"] = [{"size_um": 5.0, "rule": {"kind": "k-of-n", "k": 2, "n": 3}}]
    # One particle >= 5 um in 28.3 L is 35 per m3, above 29.
    counts = [(6, 1), (0, 0), (6, 1), (0, 0), (0, 0), (0, 0)]
    inputs = []
    for number, count in enumerate(counts):
        one = minute(6 * number, 60 * number, (0, 0))
        one[3] = heard(reading("pc-1", 6 * number + 3, T0 + (60 * number + 40) * S, count))
        inputs += one
    said = run(engine(site), inputs, T0 + 362 * S)
    assert [text for text in transcript(said, AlarmChanged) if "5um/action" in text and "0.5um" not in text] == [
        "location/fill-1/5um/action starts at +180 -> unacknowledged",
        "location/fill-1/5um/action returns at +240 -> returned-unacknowledged",
    ]


def test_levels_change_with_the_occupancy_state() -> None:
    site = site_dict()
    site["rooms"][1] = {"id": "prep", "name": "Preparation", "area": "north", "grade": "C", "operational": []}
    site["levels"] = [
        {"room": "prep", "size_um": 0.5, "occupancy": "at-rest", "action_per_m3": 1000},
        {"room": "prep", "size_um": 0.5, "occupancy": "operational", "action_per_m3": 100_000},
    ]
    # T0 is a Thursday, 20:27 UTC: the window ended at 20:00, and five minutes of clean-up are over too.
    site["rooms"][1] |= {"occupancy": "at-rest", "operational": ["Mon-Fri 06:00-20:00"], "clean_up_min": 5}
    busy = run(engine(site), [heard(reading("pc-2", 0, T0 + 60 * S, (50, 0), 60.0))])
    assert [text for text in transcript(busy, AlarmChanged) if "prep-1" in text] == [
        "location/prep-1/0.5um/action starts at +60 -> unacknowledged"
    ]
    site["rooms"][1] |= {"clean_up_min": 60}
    calm = run(engine(site), [heard(reading("pc-2", 0, T0 + 60 * S, (50, 0), 60.0))])
    assert [text for text in transcript(calm, AlarmChanged) if "prep-1" in text] == []


def test_readings_that_cannot_be_placed_are_turned() -> None:
    other = reading("pc-1", 0, T0 + 10 * S, sizes_nm=(300, 5000))
    inputs = [
        heard(reading("ghost", 0, T0 + 10 * S)),
        heard(other),
        heard(reading("hand-1", 0, T0 + 10 * S)),
        heard(reading("hand-1", 0, T0 + 10 * S, location="attic")),
        heard(reading("pc-1", 0, T0 + 10 * S, location="prep-1")),
        Input(T0 + 11 * S, T0 + 11 * S, heard(reading("pc-1", 0, T0 + 3600 * S)).what),
        Input(T0 + 11 * S, T0 + 11 * S, heard(reading("pc-1", 0, T0 - 9_999_999 * S)).what),
    ]
    assert transcript(run(engine(), inputs), Turned) == [
        "turned unknown-sensor",
        "turned other-channels",
        "turned unknown-location",
        "turned unknown-location",
        "turned unknown-location",
        "turned in-the-future",
        "turned too-old",
    ]
