"""The roll-up against an independent computation with pandas, on generated streams in which everything goes wrong.

The engine is fed the bytes in the order of their arrival, with gaps, repeats, disorder and late batches; pandas gets
all readings at once, without repeats, and groups them. The last revision of every sample must agree: whole numbers
exactly, concentrations and means to 1e-12 relative. Source: none but arithmetic (constructed streams).
"""

from __future__ import annotations

import json
import math
from collections import defaultdict
from typing import Any

import numpy as np
import pandas as pd
import pytest

from motewatch.engine import Engine
from motewatch.engine.records import Heard, Input, Memory, Output, Repeated, SampleTaken, Turned
from motewatch.links.publications import sample_payload
from motewatch.measure.samples import Quality, Sample
from motewatch.wire.decode import decode
from motewatch.wire.records import SECOND_US, Reading
from motewatch.wire.topics import Topics
from support.facility import T0, at, configured
from support.streams import Device, Faults, Sent, stream

TOPICS = Topics("motewatch/v1", "testing")
FIVE = (0.3, 0.5, 1.0, 5.0, 10.0)
HOURS = 1.5

DEVICES = [
    Device("pc-1", (0.5, 5.0), "cumulative", 10.0, "fill-1"),
    Device("pc-2", FIVE, "differential", 6.0, "prep-1", mean_counts=4_000.0),
    Device("pc-3", (0.5, 1.0, 5.0), "differential", 60.0, "prep-2", mean_counts=0.4),
    Device("pc-4", (0.5,), "cumulative", 20.0, "each-1"),
    Device("hand-1", (0.5, 5.0), "cumulative", 10.0, visits=("prep-3", "fill-1", "prep-1"), visit_s=430.0),
    Device("hand-2", FIVE, "differential", 7.0, visits=("prep-3", "each-2"), visit_s=900.0, flow_l_min=50.0),
]


def site(period_s: float) -> dict[str, Any]:
    places = {
        "fill-1": "fill",
        "prep-1": "prep",
        "prep-2": "prep",
        "prep-3": "prep",
        "each-1": "prep",
        "each-2": "prep",
    }
    return {
        "format": 1,
        "site": {"id": "testing", "name": "Testing ground", "time_zone": "UTC"},
        "areas": [{"id": "north", "name": "North wing"}],
        "rooms": [
            {"id": "fill", "name": "Filling", "area": "north", "grade": "A"},
            {"id": "prep", "name": "Preparation", "area": "north", "iso_class": 7},
        ],
        "programmes": [
            {"id": "sums", "period_s": period_s, "settle_s": 2.0},
            {"id": "each", "sample": "each-reading", "settle_s": 2.0},
        ],
        "locations": [
            {"id": id_, "name": id_, "room": room, "programme": "each" if id_.startswith("each") else "sums"}
            for id_, room in places.items()
        ],
        "sensors": [
            {
                "id": device.id,
                "serial": device.id,
                "sizes_um": list(device.sizes_um),
                "flow_l_min": device.flow_l_min,
                "interval_s": device.interval_s,
                **({"location": device.location} if device.location else {"kind": "portable"}),
            }
            for device in DEVICES
        ],
    }


def by_engine(sent: list[Sent], period_s: float) -> tuple[dict[tuple[str, int], list[Sample]], list[Output]]:
    """All revisions of every sample, by location and end; and everything that was said."""
    made = Engine(Memory())
    made.apply(at(T0, configured(site(period_s))))
    said: list[Output] = []
    now_us = T0
    for one in sent:
        reading = decode(TOPICS, TOPICS.counts(one.sensor), one.payload)
        assert isinstance(reading, Reading)
        now_us = max(now_us + 1, one.arrives_us)
        said += made.apply(Input(now_us, now_us, Heard(reading)))
    said += made.advance(now_us + round(period_s * SECOND_US) + 10 * SECOND_US)
    revisions: dict[tuple[str, int], list[Sample]] = defaultdict(list)
    for output in said:
        if isinstance(output, SampleTaken):
            revisions[(output.sample.location, output.sample.end_us)].append(output.sample)
    return revisions, said


def readings_frame(sent: list[Sent], period_s: float) -> Any:
    """One row a reading, repeats left out, with the period it belongs to: the one in which it ended."""
    frame = pd.DataFrame([one.plain for one in sent])
    frame = frame.drop_duplicates(["sensor", "boot", "seq"])
    ends = pd.to_datetime(frame["start_us"] + frame["duration_us"], unit="us", utc=True)
    closes = ends.dt.ceil(f"{round(period_s * 1000)}ms").where(~frame["location"].str.startswith("each"), ends)
    frame["close_us"] = (closes - pd.Timestamp(0, tz="UTC")) // pd.Timedelta(microseconds=1)
    return frame


def channels_frame(frame: Any) -> Any:
    """Counts and air by location, period and size: differential counts added up from the largest size down."""
    long = frame.explode(["differential", "sizes_um"]).reset_index(names="reading")
    long["differential"] = long["differential"].astype("int64")
    long["count"] = long[::-1].groupby("reading")["differential"].cumsum()
    long["size_nm"] = (long["sizes_um"].astype(float) * 1000).round().astype("int64")
    sums = long.groupby(["location", "close_us", "size_nm"]).agg(count=("count", "sum"), volume_ul=("volume_ul", "sum"))
    sums["per_m3"] = sums["count"] / (sums["volume_ul"] * 1e-9)
    sums["per_ft3"] = sums["per_m3"] * 0.3048**3
    return sums


@pytest.mark.parametrize(
    ("seed", "period_s"), [(1, 60.0), (2, 60.0), (3, 300.0), (4, 7.5), (5, 12.345)], ids=lambda value: f"{value:g}"
)
def test_the_last_revisions_are_what_pandas_makes_of_all_readings(seed: int, period_s: float) -> None:
    rng = np.random.default_rng(seed)
    sent = stream(rng, DEVICES, T0 + SECOND_US, HOURS * 3600)
    revisions, said = by_engine(sent, period_s)
    frame = readings_frame(sent, period_s)

    # The stream holds what it is to hold, or this would show little.
    assert len(frame) > 1_500
    assert sum(isinstance(output, Repeated) for output in said) == len(sent) - len(frame) > 50
    assert not [output for output in said if isinstance(output, Turned)]
    assert sum(len(each) > 1 for each in revisions.values()) > 10
    assert frame.loc[frame["sensor"] == "hand-1", "location"].nunique() == 3

    for each in revisions.values():
        assert [sample.revision for sample in each] == list(range(1, len(each) + 1))
    last = {key: each[-1] for key, each in revisions.items()}

    groups = frame.groupby(["location", "close_us"])
    expected = groups.agg(
        readings=("seq", "size"),
        sampled_us=("duration_us", "sum"),
        sensors=("sensor", lambda names: tuple(sorted(set(names)))),
    )
    assert set(expected.index) == {key for key, sample in last.items() if sample.readings}
    for key, sample in last.items():
        assert bool(sample.quality & Quality.MISSING) is (key not in expected.index)
    for row in expected.itertuples():
        sample = last[row.Index]
        assert (sample.readings, sample.sampled_us, sample.sensors) == (row.readings, row.sampled_us, row.sensors)
        assert bool(sample.quality & Quality.SEVERAL_SENSORS) is (len(row.sensors) > 1)

    compare_channels(last, channels_frame(frame))
    compare_climate(last, groups)


def compare_channels(last: dict[tuple[str, int], Sample], channels: Any) -> None:
    """Counts and air exactly, concentrations to 1e-12; also as they are published."""
    assert len(channels) == sum(len(sample.channels) for sample in last.values())
    published = {key: json.loads(sample_payload(sample, "room"))["channels"] for key, sample in last.items()}
    for (location, close_us, size_nm), row in channels.iterrows():
        sample = last[(location, close_us)]
        channel = sample.channel(size_nm)
        assert channel is not None
        assert (channel.count, channel.volume_ul) == (int(row["count"]), int(row["volume_ul"]))
        assert channel.per_m3 == pytest.approx(row["per_m3"], rel=1e-12)
        assert channel.per_ft3 == pytest.approx(row["per_ft3"], rel=1e-12)
        (wire,) = [one for one in published[(location, close_us)] if one["size_um"] == size_nm / 1000]
        assert wire["count"] == channel.count
        assert wire["per_m3"] == pytest.approx(row["per_m3"], rel=1e-12)
        assert wire["per_ft3"] == pytest.approx(row["per_ft3"], rel=1e-12)


def compare_climate(last: dict[tuple[str, int], Sample], groups: Any) -> None:
    """Mean, least and greatest of what was measured; nothing where nothing was."""
    for column, name in (
        ("temperature_mc", "temperature"),
        ("humidity_mpct", "humidity"),
        ("pressure_mpa", "pressure"),
    ):
        spreads = groups[column].agg(["count", "mean", "min", "max"])
        assert spreads["count"].sum() > 500
        for key, row in spreads.iterrows():
            spread = getattr(last[key], name)
            if row["count"] == 0:
                assert spread is None
                continue
            assert (spread.n, spread.low, spread.high) == (row["count"], row["min"], row["max"])
            assert math.isclose(spread.mean, row["mean"] / 1000, rel_tol=1e-12)


def test_without_faults_each_sample_is_complete_at_once() -> None:
    rng = np.random.default_rng(6)
    devices = [device for device in DEVICES if not device.visits]
    sent = stream(rng, devices, T0, 1800, Faults(0, 0, 0, 0))
    revisions, said = by_engine(sent, 60.0)
    assert not [output for output in said if isinstance(output, Repeated | Turned)]
    frame = readings_frame(sent, 60.0)
    inside = {key for key in revisions if T0 + 60 * SECOND_US < key[1] <= T0 + 1740 * SECOND_US}
    assert len(inside) > 100
    slow = {key for key in inside if len(revisions[key]) > 1}
    assert not slow
    compare_channels({key: each[-1] for key, each in revisions.items()}, channels_frame(frame))
