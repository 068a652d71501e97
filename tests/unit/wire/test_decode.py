"""Good messages: what becomes of every key."""

from __future__ import annotations

import json
from typing import Any

import pytest

from motewatch.wire import examples
from motewatch.wire.decode import decode
from motewatch.wire.records import (
    Acknowledge,
    Confirm,
    Health,
    Place,
    Presence,
    Reading,
    Refusal,
    RemoveFromService,
    Reset,
    ReturnToService,
    SetOccupancy,
    Shelve,
    Unshelve,
)
from motewatch.wire.topics import Topics

TOPICS = Topics("motewatch/v1", "demo")
START_US = 1_772_439_240_000_000  # 2026-03-02T08:14:00Z


def reading(**changes: Any) -> Reading:
    message = {**examples.COUNTS[0], **changes}
    found = decode(TOPICS, TOPICS.counts(message["sensor"]), json.dumps(message).encode())
    assert isinstance(found, Reading), found
    return found


def counted(kind: str, sizes_um: list[float], values: list[int]) -> tuple[int, ...]:
    return reading(counts={"kind": kind, "sizes_um": sizes_um, "values": values}).counts


def test_a_whole_count_message() -> None:
    assert reading() == Reading(
        sensor="counter-01",
        boot="0b7c9d52-7c0e-4c5c-9a55-0b1f6a3f8d11",
        seq=1041,
        start_us=START_US,
        duration_us=60_000_000,
        volume_ul=28_300_000,
        sizes_nm=(300, 500, 1000, 5000),
        counts=(412, 137, 29, 2),
        temperature_mc=20_400,
        humidity_mpct=44_500,
        pressure_mpa=15_200,
        flow=Health.OK,
        laser=Health.OK,
        calibration=Health.OK,
        location=None,
    )


def test_what_may_be_left_out() -> None:
    message = {key: examples.COUNTS[0][key] for key in ("v", "sensor", "boot", "seq", "start", "duration_s")}
    message |= {"volume_l": 1, "counts": {"kind": "cumulative", "sizes_um": [0.5], "values": [0]}}
    assert decode(TOPICS, TOPICS.counts("counter-01"), json.dumps(message).encode()) == Reading(
        "counter-01", message["boot"], 1041, START_US, 60_000_000, 1_000_000, (500,), (0,)
    )


def test_null_is_the_same_as_left_out() -> None:
    assert reading(temperature_c=None).temperature_mc is None
    assert reading(location=None).location is None


# Source of the two tables: the identity cumulative(i) = sum of differential(j), j >= i; figures computed by hand.
CASES = [
    ([0.3, 0.5, 1.0, 5.0], [412, 137, 29, 2], [275, 108, 27, 2]),
    ([0.3, 0.5, 0.7, 1.0, 2.0, 5.0], [1000, 400, 200, 100, 30, 5], [600, 200, 100, 70, 25, 5]),
]


@pytest.mark.parametrize(("sizes_um", "cumulative", "differential"), CASES)
def test_both_kinds_of_counts_give_the_same_reading(
    sizes_um: list[float], cumulative: list[int], differential: list[int]
) -> None:
    assert counted("cumulative", sizes_um, cumulative) == tuple(cumulative)
    assert counted("differential", sizes_um, differential) == tuple(cumulative)


def test_the_first_table_sums_up_and_gives_its_concentrations() -> None:
    found = reading(counts={"kind": "differential", "sizes_um": [0.3, 0.5, 1, 5], "values": [275, 108, 27, 2]})
    per_m3 = [round(count * 1e9 / found.volume_ul, 1) for count in found.counts]
    assert sum([275, 108, 27, 2]) == 412
    assert per_m3 == [14_558.3, 4_841.0, 1_024.7, 70.7]


def test_differential_counts_may_rise_with_size() -> None:
    assert counted("differential", [0.3, 0.5], [120, 130]) == (250, 130)


def test_equal_cumulative_counts_are_fine() -> None:
    assert counted("cumulative", [0.3, 0.5, 1], [7, 7, 7]) == (7, 7, 7)


def test_one_channel() -> None:
    assert counted("cumulative", [0.5], [3]) == (3,)
    assert counted("differential", [0.5], [3]) == (3,)


def test_the_largest_counts_stay_exact() -> None:
    sizes = [round(0.1 + place / 10, 1) for place in range(64)]
    assert counted("differential", sizes, [10**12] * 64)[0] == 64 * 10**12


def test_all_usual_sizes_become_whole_nanometres() -> None:
    sizes = [0.1, 0.15, 0.2, 0.25, 0.3, 0.5, 0.7, 1.0, 2.0, 2.5, 3.0, 5.0, 10.0, 25.0, 99.999, 100.0]
    found = reading(counts={"kind": "cumulative", "sizes_um": sizes, "values": [0] * len(sizes)})
    nm = (100, 150, 200, 250, 300, 500, 700, 1000, 2000, 2500, 3000, 5000, 10_000, 25_000, 99_999, 100_000)
    assert found.sizes_nm == nm


@pytest.mark.parametrize(
    ("start", "us"),
    [
        ("1970-01-01T00:00:00Z", 0),
        ("2026-03-02T08:14:00Z", START_US),
        ("2026-03-02T09:14:00+01:00", START_US),
        ("2026-03-02T03:29:00-04:45", START_US),
        ("2026-03-02t08:14:00z", START_US),
        ("2026-03-02T08:14:00.000001Z", START_US + 1),
        ("2026-03-02T08:14:00.25Z", START_US + 250_000),
        ("2026-03-02T08:14:00.9999999Z", START_US + 999_999),
        ("2199-12-31T23:59:59.999999Z", 7_258_118_399_999_999),
    ],
)
def test_the_start_is_taken_to_the_microsecond(start: str, us: int) -> None:
    assert reading(start=start).start_us == us


@pytest.mark.parametrize(
    ("duration_s", "us"), [(60, 60_000_000), (59.997, 59_997_000), (1e-6, 1), (86_400, 86_400_000_000), (0.1, 100_000)]
)
def test_the_duration_is_rounded_to_microseconds(duration_s: float, us: int) -> None:
    found = reading(duration_s=duration_s)
    assert found.duration_us == us
    assert found.end_us == START_US + us


@pytest.mark.parametrize(
    ("volume_l", "ul"), [(28.3, 28_300_000), (28.316846592, 28_316_847), (1e-6, 1), (1e6, 10**12), (2.83, 2_830_000)]
)
def test_the_volume_is_rounded_to_microlitres(volume_l: float, ul: int) -> None:
    assert reading(volume_l=volume_l).volume_ul == ul


def test_the_climate_is_rounded_to_thousandths() -> None:
    found = reading(temperature_c=-20.0004, humidity_pct=45.1236, pressure_difference_pa=-0.4)
    assert (found.temperature_mc, found.humidity_mpct, found.pressure_mpa) == (-20_000, 45_124, -400)
    assert reading(temperature_c=0).temperature_mc == 0


def test_each_part_of_the_status_goes_to_its_place() -> None:
    assert reading(status={"flow": "fault"}).flow is Health.FAULT
    assert reading(status={"laser": "unknown"}).laser is Health.UNKNOWN
    found = reading(status={"calibration": "fault"})
    assert (found.flow, found.laser, found.calibration) == (Health.OK, Health.OK, Health.FAULT)


def test_a_portable_says_where_it_stands() -> None:
    assert reading(location="filling-line-1").location == "filling-line-1"


def test_of_a_key_written_twice_the_last_one_counts() -> None:
    payload = json.dumps(examples.COUNTS[0]).encode().replace(b'"seq": 1041', b'"seq": -1, "seq": 7')
    found = decode(TOPICS, TOPICS.counts("counter-01"), payload)
    assert isinstance(found, Reading)
    assert found.seq == 7


def test_a_boot_text_may_be_in_any_script() -> None:
    assert reading(boot="Zähler 1 \U0001f600").boot == "Zähler 1 \U0001f600"


def test_presence() -> None:
    message = examples.PRESENCE[0]
    topic = TOPICS.presence("counter-01")
    came = Presence("counter-01", True, message["boot"], 1_772_438_292_000_000)
    assert decode(TOPICS, topic, json.dumps(message).encode()) == came
    gone = decode(TOPICS, topic, json.dumps({**message, "online": False}).encode())
    assert gone == Presence("counter-01", False, message["boot"], 1_772_438_292_000_000)


def test_a_cleared_presence_is_nothing_to_do() -> None:
    assert decode(TOPICS, TOPICS.presence("counter-01"), b"") is None


def test_acknowledge() -> None:
    found = decode(TOPICS, TOPICS.command, json.dumps(examples.COMMAND[0]).encode())
    assert found == Acknowledge(
        id="5a4f4a0e-7f4e-4a53-8a39-6a1f0e0d3c55",
        by="j.doe",
        alarm="location/filling-line-1/0.5um/action",
        comment="Door to the corridor stood open.",
    )


def test_set_occupancy_and_give_it_back() -> None:
    assert decode(TOPICS, TOPICS.command, json.dumps(examples.COMMAND[1]).encode()) == SetOccupancy(
        id="cleaning-2026-03-02", by="j.doe", room="filling", occupancy="at-rest"
    )
    assert decode(TOPICS, TOPICS.command, json.dumps(examples.COMMAND[2]).encode()) == SetOccupancy(
        id="cleaned-2026-03-02", by="j.doe", room="filling", occupancy=None
    )


def test_a_check_in_and_a_check_out_are_one_command_each() -> None:
    said = [one for one in examples.COMMAND if one["command"] in ("check-in", "check-out")]
    assert [decode(TOPICS, TOPICS.command, json.dumps(one).encode()) for one in said] == [
        Place("round-2026-03-02", "j.doe", "hand-1", "filling-line-1", "Weekly round."),
        Place("round-2026-03-02-end", "j.doe", "hand-1", None),
    ]


def test_confirm_a_test_call() -> None:
    assert decode(TOPICS, TOPICS.command, json.dumps(examples.COMMAND[3]).encode()) == Confirm(
        id="confirmed-2026-03-02", by="j.doe", test="k7m2qx4c"
    )


def ordered(command: str, **keys: object) -> object:
    """What a command on the wire is to the core."""
    message = {"v": 1, "id": "c-1", "command": command, "by": "ada", "alarm": "a/b", **keys}
    return decode(TOPICS, TOPICS.command, json.dumps(message).encode())


def test_the_commands_that_hide_alarms_and_bring_them_back() -> None:
    until = "2026-03-02T11:00:00.5+01:00"
    assert ordered("shelve", until=until, comment="mended") == Shelve(
        "c-1", "ada", "a/b", 1_772_445_600_500_000, "mended"
    )
    assert ordered("unshelve", comment="done") == Unshelve("c-1", "ada", "a/b", "done")
    assert ordered("reset") == Reset("c-1", "ada", "a/b")
    assert ordered("remove-from-service", permit="WP 7") == RemoveFromService("c-1", "ada", "a/b", "WP 7")
    assert ordered("return-to-service") == ReturnToService("c-1", "ada", "a/b")


@pytest.mark.parametrize("example", examples.COMMAND, ids=lambda example: str(example["id"]))
def test_every_example_is_a_command(example: dict[str, object]) -> None:
    assert not isinstance(decode(TOPICS, TOPICS.command, json.dumps(example).encode()), Refusal | None)
