"""Line protocol as we write it: values, escaping, identity, and the check before sending."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from motewatch.alarms.lifecycle import Event, State
from motewatch.engine.records import AlarmChanged, Priority
from motewatch.links.time_series import alarm_line, malformed, sample_lines, size_um, tag
from motewatch.measure.samples import Channel, Quality, Sample, Spread

END_US = 1_780_000_080_000_000


def sample(**changes: object) -> Sample:
    plain: dict[str, object] = {
        "location": "fill-1",
        "start_us": END_US - 60_000_000,
        "end_us": END_US,
        "revision": 2,
        "channels": (Channel(500, 100, 28_300_000), Channel(5000, 0, 28_300_000)),
        "sampled_us": 45_000_000,
        "readings": 6,
        "sensors": ("pc-1",),
        "quality": Quality.PARTIAL | Quality.FLOW_FAULT,
        "occupancy": "at-rest",
        **changes,
    }
    return Sample(**plain)  # type: ignore[arg-type]


def change(**changes: object) -> AlarmChanged:
    plain: dict[str, object] = {
        "alarm": "location/fill-1/action/500",
        "kind": "action",
        "priority": Priority.HIGH,
        "event": Event.STARTS,
        "before": State.NORMAL,
        "after": State.UNACKNOWLEDGED,
        "at_us": END_US,
        "found_us": END_US + 1,
        "text": "too many",
        **changes,
    }
    return AlarmChanged(**plain)  # type: ignore[arg-type]


def test_a_sample_becomes_one_point_a_size_and_one_of_its_own() -> None:
    lines = sample_lines(sample(), "hall", "fill").split("\n")
    place = "site=hall,room=fill,location=fill-1"
    assert lines[0] == f"sample,{place} coverage=0.75,quality=9i,revision=2i,readings=6i {END_US}"
    head, fields, stamp = lines[1].split(" ")
    assert head == f"concentration,{place},size_um=0.5,occupancy=at-rest"
    assert stamp == str(END_US)
    values = dict(each.split("=") for each in fields.split(","))
    assert values["count"] == "100i"
    assert values["volume_l"] == "28.3"
    assert float(values["per_m3"]) == pytest.approx(100 / 0.0283, rel=1e-15)
    # The exact 95 % interval of 100 counts is 81.364 to 121.627: from memory of the published tables, not confirmed.
    assert float(values["lower_95"]) == pytest.approx(81.364 / 0.0283, rel=1e-5)
    assert float(values["upper_95"]) == pytest.approx(121.627 / 0.0283, rel=1e-5)
    assert lines[2].startswith(f"concentration,{place},size_um=5,occupancy=at-rest per_m3=0.0,count=0i,")
    assert len(lines) == 3


def test_climate_is_a_point_of_means_of_what_was_measured() -> None:
    made = sample(temperature=Spread(2, 43_000, 21_000, 22_000), pressure=Spread(1, -5_500, -5_500, -5_500))
    last = sample_lines(made, "hall", "fill").split("\n")[-1]
    assert last == (
        f"climate,site=hall,room=fill,location=fill-1 temperature_c=21.5,pressure_difference_pa=-5.5 {END_US}"
    )


def test_without_air_there_is_no_concentration() -> None:
    lines = sample_lines(sample(channels=(Channel(500, 0, 0),), quality=Quality.MISSING), "hall", "fill")
    assert lines == (
        "sample,site=hall,room=fill,location=fill-1 coverage=0.75,quality=2i,revision=2i,readings=6i " + str(END_US)
    )


@pytest.mark.parametrize(
    ("after", "active"),
    [(State.UNACKNOWLEDGED, 1), (State.ACKNOWLEDGED, 1), (State.NORMAL, 0), (State.RETURNED_UNACKNOWLEDGED, 0)],
)
def test_an_alarm_is_active_while_its_condition_holds(after: State, active: int) -> None:
    assert alarm_line(change(after=after), "hall") == (
        f"alarm,site=hall,alarm=location/fill-1/action/500,kind=action,priority=high active={active}i {END_US}"
    )


@pytest.mark.parametrize(("size_nm", "text"), [(500, "0.5"), (5000, "5"), (10_000, "10"), (1234, "1.234")])
def test_a_size_has_one_form(size_nm: int, text: str) -> None:
    assert size_um(size_nm) == text


@pytest.mark.parametrize(
    ("text", "escaped"),
    [("a b", r"a\ b"), ("a,b=c", r"a\,b\=c"), ("two\nlines", "two_lines"), ("end\\", "end_"), ("", "-"), ("µ", "µ")],
)
def test_tags_are_escaped(text: str, escaped: str) -> None:
    assert tag(text) == escaped


@given(st.text(min_size=1, max_size=40))
def test_no_alarm_id_can_break_its_line(name: str) -> None:
    line = alarm_line(change(alarm=name), "hall").encode()
    assert malformed(line) is None
    assert b"\n" not in line


@given(
    st.integers(0, 10**12),
    st.integers(1, 10**12),
    st.one_of(st.none(), st.builds(Spread, st.integers(1, 1000), *[st.integers(-(10**9), 10**9)] * 3)),
)
def test_every_sample_passes_the_check(count: int, volume_ul: int, spread: Spread | None) -> None:
    made = sample(channels=(Channel(500, count, volume_ul),), temperature=spread)
    assert malformed(sample_lines(made, "hall", "fill").encode()) is None


@pytest.mark.parametrize(
    "line",
    [
        b"",
        b"sample",
        b"sample 1",
        b"sample readings=1i",
        b"sample readings=1i 1.5",
        b"sample readings= 1",
        b"sample,site= readings=1i 1",
        b"sample,site=a b readings=1i 1",
        b"sample readings=nan 1",
        b"sample readings=inf 1",
        b'sample readings="text" 1',
        b"sample readings=1i 1\n",
        b"sample readings=1i 1\nsample",
    ],
)
def test_malformed_lines_are_found(line: bytes) -> None:
    assert malformed(line) is not None


def test_the_first_bad_line_is_named() -> None:
    assert malformed(b"sample readings=1i 1\nbad \xff\nsample readings=1i 2") == "bad \\xff"
