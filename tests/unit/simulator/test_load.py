"""The load generator says valid things, the same things again, and its site file fits them."""

from __future__ import annotations

import json
from itertools import islice, pairwise
from pathlib import Path

import pytest

from motewatch.links.site_file import load_site
from motewatch.wire.decode import decode
from motewatch.wire.records import Reading
from motewatch_simulator.lean import Parcel
from motewatch_simulator.load import ALERT_PER_M3, LoadPlan, in_excursion, parcels, sensor_id, site_text
from support.simulated import START_US


def a_plan(sensors: int = 30, excursions: bool = True) -> LoadPlan:
    return LoadPlan(sensors, 1_000_000, START_US, "b1", excursions=excursions)


def read(plan: LoadPlan, parcel: Parcel) -> Reading:
    topic = parcel.topic_part[2:].decode()
    reading = decode(plan.topics, topic, parcel.payload)
    assert isinstance(reading, Reading), reading
    return reading


def test_every_message_is_a_reading_and_each_sensor_counts_on() -> None:
    plan = a_plan()
    readings = [read(plan, parcel) for parcel in islice(parcels(plan), 30 * 50)]
    for i in range(30):
        own = [r for r in readings if r.sensor == sensor_id(i)]
        assert [r.seq for r in own] == list(range(50))
        assert all(a.end_us == b.start_us for a, b in pairwise(own))
    assert {r.volume_ul for r in readings} == {471_667}
    ends = [r.end_us for r in readings]
    assert ends == sorted(ends)


def test_excursions_are_where_the_plan_says() -> None:
    plan = a_plan()
    beyond = 0
    for parcel in islice(parcels(plan), 30 * 250):
        reading = read(plan, parcel)
        index = int(reading.sensor[1:]) - 1
        high = reading.counts[1] / (reading.volume_ul / 1e9) > ALERT_PER_M3
        assert high is in_excursion(index, reading.seq)
        beyond += high
    assert beyond == pytest.approx(30 * 250 * 5 / 200, rel=0.5)


def test_a_calm_plan_stays_within_its_levels() -> None:
    plan = a_plan(excursions=False)
    for parcel in islice(parcels(plan), 30 * 100):
        reading = read(plan, parcel)
        assert reading.counts[1] / (reading.volume_ul / 1e9) < ALERT_PER_M3


def test_one_plan_says_the_same_twice() -> None:
    first, second = ([(p.topic_part, p.payload) for p in islice(parcels(a_plan()), 500)] for _ in range(2))
    assert first == second


def test_messages_are_of_the_usual_size() -> None:
    sizes = [len(parcel.payload) for parcel in islice(parcels(a_plan()), 100)]
    assert 280 < sum(sizes) / 100 < 400


@pytest.mark.parametrize("each_reading", [False, True])
def test_the_site_file_fits_the_load(tmp_path: Path, each_reading: bool) -> None:
    path = tmp_path / "load.toml"
    path.write_text(site_text(25, each_reading=each_reading, port=2883, period_s=10, time_series_url="http://x:1"))
    site = load_site(path)
    assert [sensor.id for sensor in site.sensors] == [sensor_id(i) for i in range(25)]
    assert len(site.rooms) == 3
    assert site.service.broker.port == 2883
    assert site.service.time_series is not None
    assert site.programmes[0].sample == ("each-reading" if each_reading else "period")
    plan = a_plan(25)
    assert (plan.topics.root, plan.topics.site) == (site.service.topic_root, site.site.id)
    body = json.loads(next(parcels(plan)).payload)
    assert tuple(body["counts"]["sizes_um"]) == site.sensors[0].sizes_um
