"""The stream as a whole: the same from the same seed, whole intervals, messages that the daemon can read."""

from __future__ import annotations

import json

import numpy as np
import pytest

from motewatch.wire.decode import decode
from motewatch.wire.records import Health, Presence, Reading
from motewatch.wire.topics import Topics
from motewatch_simulator.encode import Outgoing, encode
from motewatch_simulator.scenario import Scenario
from motewatch_simulator.simulation import Came, Counted, Emission, Simulation
from support.simulated import START_US, a_scenario, a_simulation, a_site, measured, until

TOPICS = Topics("motewatch/v1", "testing")


def eventful() -> Scenario:
    """Something of everything, people at random, a busy door."""
    return a_scenario(
        people=[{"room": "clean", "count": 3}, {"room": "next", "count": 2, "garment": "smock"}],
        connections=[{"higher": "clean", "lower": "next", "leak_m3_h": 100.0, "door": {"passages_per_h": 120.0}}],
        machines=[{"room": "next", "per_min_at_0_5_um": 1e6}],
        sensors=[{"id": "pc-2", "counts": "differential", "climate": ["temperature"]}],
        incidents=[
            {"kind": "gowning-burst", "room": "next", "at_s": 5, "duration_s": 10},
            {"kind": "door-open", "higher": "clean", "lower": "next", "at_s": 12, "duration_s": 7},
            {"kind": "sensor-unplugged", "sensor": "pc-1", "at_s": 20, "duration_s": 5},
            {"kind": "network-lost", "sensor": "pc-2", "at_s": 30, "duration_s": 5},
            {"kind": "repeats", "sensor": "pc-1", "at_s": 40, "duration_s": 5},
            {"kind": "flow-fault", "sensor": "pc-2", "at_s": 45, "duration_s": 5},
        ],
    )


def messages(seed: int = 1, speed: float = 20.0, seconds: float = 60) -> list[Outgoing]:
    simulation = a_simulation(eventful(), seed=seed, speed=speed)
    return [encode(emission, TOPICS) for emission in until(simulation, seconds)]


def test_the_same_seed_gives_the_same_stream_to_the_last_byte() -> None:
    assert messages() == messages()


def test_another_seed_gives_another_stream() -> None:
    assert messages() != messages(seed=2)


def test_the_stream_does_not_depend_on_how_it_is_drawn() -> None:
    whole = list(until(a_simulation(eventful(), speed=20.0), 60))
    one_by_one: list[Emission] = []
    source = a_simulation(eventful(), speed=20.0).emissions()
    while len(one_by_one) < len(whole):
        one_by_one.append(next(source))
    assert one_by_one == whole


def test_the_daemon_reads_every_message() -> None:
    kinds = set()
    for message in messages():
        read = decode(TOPICS, message.topic, message.payload)
        assert isinstance(read, Reading | Presence), read
        assert read.sensor == message.sensor
        assert message.retain is isinstance(read, Presence)
        kinds.add(type(read))
    assert kinds == {Reading, Presence}


def test_what_the_daemon_reads_is_what_was_measured() -> None:
    emission = next(e for e in until(a_simulation(), 5) if isinstance(e, Counted))
    m = emission.measurement
    read = decode(TOPICS, TOPICS.counts(m.sensor), encode(emission, TOPICS).payload)
    assert isinstance(read, Reading)
    assert (read.boot, read.seq, read.start_us, read.duration_us) == (m.boot, m.seq, m.start_us, 1_000_000)
    assert (read.volume_ul, read.sizes_nm, read.counts) == (471_667, (500, 5000), m.values)
    assert m.temperature_c is not None
    assert m.pressure_pa is not None
    assert read.temperature_mc == round(m.temperature_c * 1000)
    assert read.pressure_mpa == round(m.pressure_pa * 1000)
    assert (read.flow, read.laser, read.calibration) == (Health.OK,) * 3


def test_a_sensor_says_only_what_it_is_set_to_say() -> None:
    body = json.loads(next(m for m in messages() if m.topic.endswith("counts/pc-2")).payload)
    assert body["counts"]["kind"] == "differential"
    assert "temperature_c" in body
    assert "humidity_pct" not in body
    assert "pressure_difference_pa" not in body


def test_intervals_lie_on_whole_marks_and_leave_no_gap() -> None:
    site = a_site(interval_s=2.5)
    here = measured(a_simulation(site=site), 60)
    assert [m.start_us for m in here] == [START_US + i * 2_500_000 for i in range(24)]
    assert [m.seq for m in here] == list(range(24))


def test_a_stream_that_starts_between_two_marks_waits_for_the_next() -> None:
    simulation = Simulation(a_site(), a_scenario(), rng=np.random.default_rng(1), start_us=START_US + 300_000)
    first = next(e for e in simulation.emissions() if isinstance(e, Counted))
    assert first.measurement.start_us == START_US + 1_000_000
    assert first.due_us == START_US + 2_000_000


def test_emissions_are_in_order() -> None:
    due = [message.due_us for message in messages()]
    assert due == sorted(due)


def test_the_boot_id_tells_one_start_from_another() -> None:
    def boot(start_us: int) -> str:
        simulation = Simulation(a_site(), a_scenario(), rng=np.random.default_rng(1), start_us=start_us)
        return next(e.boot for e in simulation.emissions() if isinstance(e, Came))

    boots = {boot(START_US + late) for late in (0, 1, 1_000_000)}
    assert len(boots) == 3


@pytest.mark.parametrize("speed", [1.0, 60.0])
def test_physics_speed_changes_how_fast_rooms_settle_and_not_what_they_settle_at(speed: float) -> None:
    scenario = a_scenario(
        incidents=[{"kind": "gowning-burst", "room": "clean", "at_s": 60, "duration_s": 540, "garment": "cleanroom"}]
    )
    here = measured(a_simulation(scenario, speed=speed), 600)
    counts = [m.values[0] for m in here]
    calm, settled = sum(counts[:60]) / 60, sum(counts[540:]) / 60
    # Two people at 0.3 are 9,067 /m3; two more at 2 are 60,444 /m3 more.
    assert calm == pytest.approx(9_067 * 0.4717e-3, rel=0.25)
    assert settled == pytest.approx((9_067 + 60_444) * 0.4717e-3, rel=0.06)
    # At 60 air changes the room needs a minute of its own for 63 %, at 60 times the speed a second.
    early = sum(counts[60:70]) / 10
    assert (early > 0.8 * settled) is (speed == 60.0)
