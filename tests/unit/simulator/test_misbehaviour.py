"""Every misbehaviour does what its table says while it lasts, nothing before and after, and is in the truth."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np
import pytest

from motewatch.wire.decode import decode
from motewatch.wire.records import Reading, Refusal
from motewatch.wire.topics import Topics
from motewatch_simulator.chain import Chain
from motewatch_simulator.encode import encode
from motewatch_simulator.misbehaviour import ByChance
from motewatch_simulator.response import fine_grid
from motewatch_simulator.scenario import AtRandom, Tubing
from motewatch_simulator.simulation import Counted, Measurement, Simulation
from motewatch_simulator.spectra import bin_middles_um
from motewatch_simulator.truth import Truth, TruthKind
from motewatch_simulator.tubes import Tube, penetration
from support.simulated import START_US, a_scenario, a_simulation, a_site, measured, second_of, until

SECOND = 1_000_000
TOPICS = Topics("motewatch/v1", "testing")


def played(
    fault: dict[str, Any], seconds: float = 90, *, sensor: str = "pc-1", **changes: Any
) -> tuple[list[Measurement], list[Truth]]:
    """What the sensor sent while the fault lasts from second 30 to 60, and what was true of it."""
    incident = {"sensor": sensor, "at_s": 30, "duration_s": 30, **fault}
    simulation = a_simulation(a_scenario(incidents=[incident], **changes), speed=20.0)
    sent = measured(simulation, seconds, "pc-1")
    return sent, [t for t in simulation.truths() if t.kind is TruthKind.MISBEHAVIOUR]


def during(sent: list[Measurement]) -> list[Measurement]:
    """The readings that ended while the fault was on."""
    return [m for m in sent if 30 < second_of(m) <= 60]


def outside(sent: list[Measurement]) -> list[Measurement]:
    return [m for m in sent if not 30 < second_of(m) <= 60]


def the_one(truths: list[Truth], what: str, readings: int = 30) -> dict[str, object]:
    """The one truth there is: its subject and its time are right; returns what else it says."""
    (truth,) = truths
    assert truth.what == what
    assert truth.subject == {"sensor": "pc-1", "room": "clean", "location": "bench"}
    assert (truth.start_us, truth.end_us) == (START_US + 30 * SECOND, START_US + 60 * SECOND)
    detail = dict(truth.detail)
    assert detail.pop("readings") == readings
    return detail


def test_stuck_counts_come_again_and_climate_goes_on() -> None:
    sent, truths = played({"kind": "stuck"})
    before = next(m for m in sent if second_of(m) == 30)
    assert {m.values for m in during(sent)} == {before.values}
    assert len({m.values for m in outside(sent)}) > 10
    assert len({m.humidity_pct for m in during(sent)}) > 1
    assert [m.seq for m in sent] == list(range(90))
    assert the_one(truths, "stuck") == {}


@pytest.mark.parametrize(("flags", "flow", "laser"), [("nothing", 30, 30), ("flow", 10, 30), ("laser", 30, 10)])
def test_all_zero_and_the_status_that_lags(flags: str, flow: int, laser: int) -> None:
    sent, truths = played({"kind": "all-zero", "flags": flags, "flag_after_s": 10})
    assert {m.values for m in during(sent)} == {(0, 0)}
    assert sum(m.flow_ok for m in during(sent)) == flow
    assert sum(m.laser_ok for m in during(sent)) == laser
    assert all(m.flow_ok and m.laser_ok for m in outside(sent))
    assert sum(m.values[0] for m in outside(sent)) > 60
    assert the_one(truths, "all-zero")["flags"] == flags


def test_the_daemon_reads_the_laser_status() -> None:
    incident = {"kind": "all-zero", "sensor": "pc-1", "at_s": 0, "duration_s": 30, "flags": "laser"}
    emission = next(e for e in until(a_simulation(a_scenario(incidents=[incident])), 5) if isinstance(e, Counted))
    read = decode(TOPICS, TOPICS.counts("pc-1"), encode(emission, TOPICS).payload)
    assert isinstance(read, Reading)
    assert read.laser.value == "fault"


def many(fault: dict[str, Any], **changes: Any) -> tuple[float, float]:
    """Mean counts without and with a fault that lasts, in a room with much to count."""
    dirty = {"people": [{"room": "clean", "count": 20, "activity": 1.0, "garment": "indoor"}], **changes}
    calm = measured(a_simulation(a_scenario(**dirty), speed=20.0), 200)
    incident = {"sensor": "pc-1", "at_s": 0, "duration_s": 1_000, **fault}
    ill = measured(a_simulation(a_scenario(incidents=[incident], **dirty), speed=20.0), 200)
    return (
        float(np.mean([m.values[0] for m in calm])),
        float(np.mean([m.values[0] for m in ill])),
    )


def test_a_clogged_inlet_counts_less_and_less_and_is_flagged_late() -> None:
    sent, truths = played(
        {"kind": "clogged-flow", "tau_s": 60, "flag_below": 0.9},
        people=[{"room": "clean", "count": 20, "activity": 1.0, "garment": "indoor"}],
    )
    counts = [m.values[0] for m in during(sent)]
    assert np.mean(counts[25:]) / np.mean(counts[:5]) == pytest.approx(np.exp(-25 / 60), rel=0.1)
    # exp(-t / 60) falls below 0.9 after 6.3 s.
    assert [m.flow_ok for m in during(sent)] == [True] * 6 + [False] * 24
    assert {m.volume_ul for m in sent} == {471_667}, "the stated volume stays nominal"
    assert the_one(truths, "clogged-flow")["tau_s"] == 60


@pytest.mark.parametrize("share", [0.5, 0.9])
def test_a_weak_flow_is_also_slow_in_the_tube(share: float) -> None:
    grid_um = fine_grid((0.5, 5.0))
    middles_um = bin_middles_um(grid_um)
    tubes = [Tubing(length_m=5, diameter_mm=10)]
    rng = np.random.default_rng(1)
    chain = Chain(grid_um, (0.5, 5.0), 28.3, response=None, tubes=tubes, max_per_m3=None, rng=rng)
    for size_um in (1.0, 8.0):
        place = next(i for i, middle in enumerate(middles_um) if middle > size_um)
        air = np.where(np.arange(len(grid_um)) == place, 1e6, 0.0)
        whole, weak = (chain.expected(air, 1.0, flow_share=left).sum() for left in (1.0, share))
        through = [penetration(middles_um[place], Tube(5.0, 0.01), 28.3 * left) for left in (1.0, share)]
        assert weak / whole == pytest.approx(share * through[1] / through[0], rel=0.03)


def test_an_aged_laser_loses_small_particles_by_its_shift() -> None:
    response = {"response": {"coincidence": "none", "false_per_min": 0}}
    calm, ill = many({"kind": "laser-ageing", "power": 0.8, "exponent": 4}, **response)
    # Thresholds x 1.057; people in indoor clothing have slope 0.81.
    assert ill / calm == pytest.approx(1.057**-0.81, rel=0.01)


def test_a_laser_fades_over_its_ramp_and_is_flagged_when_low() -> None:
    sent, truths = played({"kind": "laser-ageing", "power": 0.5, "ramp_s": 20, "flag_below": 0.75})
    # After half of the ramp three quarters are left.
    assert [m.laser_ok for m in during(sent)] == [True] * 10 + [False] * 20
    assert the_one(truths, "laser-ageing")["power"] == 0.5


def test_electronic_noise_is_in_the_first_channel_alone() -> None:
    sent, truths = played({"kind": "electronic-noise", "per_min_at_0_3_um": 60_000})
    small = np.array([m.values[0] - m.values[1] for m in during(sent)])
    # 60,000 a minute at 0.3 um are 216 a second at 0.5 um.
    assert small.mean() == pytest.approx(216 + 4.2, rel=0.05)
    coarse = [np.mean([m.values[1] for m in part]) for part in (during(sent), outside(sent))]
    assert abs(coarse[0] - coarse[1]) < 0.3
    assert the_one(truths, "electronic-noise") == {"per_min_at_0_3_um": 60_000}


def test_a_dirty_tube_bursts_coarse_particles() -> None:
    sent, truths = played({"kind": "tube-burst", "particles": 40, "per_min": 20})
    coarse = [m.values[1] for m in during(sent)]
    assert sum(count > 15 for count in coarse) >= 4, "some seconds have a burst"
    assert sum(count < 3 for count in coarse) >= 10, "most have none"
    assert max(m.values[1] for m in outside(sent)) < 5
    # Hardly any small ones come with them.
    assert np.mean([m.values[0] - m.values[1] for m in during(sent)]) == pytest.approx(4.2, abs=1.5)
    assert the_one(truths, "tube-burst")["particles"] == 40


def test_channels_out_of_order_are_refused_by_the_daemon() -> None:
    sent, truths = played({"kind": "channel-order"})
    assert sum(m.values[0] < m.values[1] for m in during(sent)) > 20
    assert all(m.values[0] >= m.values[1] for m in outside(sent))
    emission = Counted(0, "pc-1", next(m for m in during(sent) if m.values[0] < m.values[1]))
    assert isinstance(decode(TOPICS, TOPICS.counts("pc-1"), encode(emission, TOPICS).payload), Refusal)
    assert the_one(truths, "channel-order") == {}


def test_what_drops_out_never_comes_and_its_numbers_are_missing() -> None:
    sent, truths = played({"kind": "drop-out"})
    assert during(sent) == []
    assert [m.seq for m in sent] == [*range(30), *range(60, 90)]
    assert the_one(truths, "drop-out") == {}


def test_a_late_batch_comes_in_order_with_live_readings_between() -> None:
    incident = {"kind": "network-lost", "sensor": "pc-1", "at_s": 10, "duration_s": 20, "late_per_s": 4}
    simulation = a_simulation(a_scenario(incidents=[incident]))
    sent = [e for e in until(simulation, 60) if isinstance(e, Counted) and e.sensor == "pc-1"]
    due = [e.due_us for e in sent]
    assert due == sorted(due)
    late = [e.measurement.seq for e in sent if e.due_us - e.measurement.start_us > SECOND]
    assert late == list(range(10, 30))
    assert sorted(e.measurement.seq for e in sent) == list(range(60))
    mixed = [e.measurement.seq for e in sent]
    assert mixed.index(30) < mixed.index(29), "the first live one overtakes the end of the batch"
    assert sent[mixed.index(29)].due_us == START_US + 30 * SECOND + round(19 / 4 * SECOND)
    truth = next(t for t in simulation.truths() if t.what == "network-lost")
    assert truth.detail["readings"] == 20


def test_a_delayed_repeat_comes_behind_newer_ones() -> None:
    sent, truths = played({"kind": "repeats", "delay_s": 2.5})
    assert len(sent) == 90 + 30
    again = [m for i, m in enumerate(sent) if m in sent[:i]]
    assert [m.seq for m in again] == list(range(30, 60))
    assert sent.index(again[0]) < len(sent) - 1 - sent[::-1].index(again[0]) - 1
    assert the_one(truths, "repeats")["delay_s"] == 2.5


def test_a_share_of_messages_is_repeated() -> None:
    sent, _ = played({"kind": "repeats", "share": 0.2, "duration_s": 600}, 630)
    assert len(sent) - 630 == pytest.approx(120, abs=35)


def test_a_drifting_clock_counts_by_its_own_seconds() -> None:
    incident = {"kind": "clock-drift", "sensor": "pc-1", "at_s": 0, "duration_s": 100, "ppm": 20_000}
    simulation = a_simulation(a_scenario(incidents=[incident]))
    sent = [e for e in until(simulation, 150) if isinstance(e, Counted) and e.sensor == "pc-1"]
    stamps = [e.measurement.start_us for e in sent]
    fast = [e for e in sent if e.due_us <= START_US + 100 * SECOND]
    # The first second was begun when the fault was not yet known; then a second lasts 0.98.
    assert len(fast) == 101
    assert all(b - a == SECOND for a, b in pairwise(stamps[:101])), "end to end by its own clock"
    ahead = [e.measurement.start_us + SECOND - e.due_us for e in fast]
    assert ahead[-1] == pytest.approx(100 * 0.0196 * SECOND, rel=0.01)
    # Set right at the end: it says again what it has said already.
    assert min(b - a for a, b in pairwise(stamps)) <= 0
    last = sent[-1]
    assert last.measurement.start_us + SECOND == last.due_us


def test_a_small_drift_is_not_lost_in_rounding() -> None:
    site = a_site(interval_s=0.1)
    scenario = a_scenario(sensors=[{"id": "pc-1", "clock_ppm": 1.5}])
    sent = [e for e in until(a_simulation(scenario, site), 120) if isinstance(e, Counted) and e.sensor == "pc-1"]
    last = sent[-1]
    ahead = last.measurement.start_us + 100_000 - last.due_us
    assert ahead == pytest.approx(1.5 * 120, abs=2)


@pytest.mark.parametrize(("jump", "expected"), [({"step_s": -3_600}, -3_600), ({"step_s": 3_600}, 3_600)])
def test_a_clock_jumps_and_comes_back(jump: dict[str, Any], expected: int) -> None:
    sent, truths = played({"kind": "clock-jump", **jump})
    off = [(m.start_us - START_US - m.seq * SECOND) / SECOND for m in sent]
    assert off == [0.0] * 30 + [expected] * 30 + [0.0] * 30
    assert the_one(truths, "clock-jump") == {"step_s": expected}


def test_a_clock_begins_anew_at_its_epoch() -> None:
    sent, _ = played({"kind": "clock-jump", "epoch": 2000})
    began = [m.start_us / SECOND - 946_684_800 for m in sent if 30 <= m.seq < 60]
    assert began == [float(second) for second in range(30)]


def test_counts_per_cubic_foot_are_thirty_five_times_too_many() -> None:
    calm, ill = many({"kind": "config-error", "mode": "per-ft3"})
    assert ill / calm == pytest.approx(35.31, rel=0.02)


def test_differential_counts_called_cumulative() -> None:
    sent, truths = played({"kind": "config-error", "mode": "wrong-kind"})
    plain = measured(a_simulation(a_scenario(), speed=20.0), 90)
    assert {m.kind for m in sent} == {"cumulative"}
    for wrong, right in zip(during(sent), during(plain), strict=True):
        assert wrong.values == (right.values[0] - right.values[1], right.values[1])
    assert outside(sent) == outside(plain)
    assert the_one(truths, "config-error") == {"mode": "wrong-kind"}


def test_a_sensor_at_another_place_than_it_says() -> None:
    people = [{"room": "next", "count": 20, "activity": 1.0, "garment": "indoor"}]
    sent, truths = played({"kind": "config-error", "mode": "wrong-place", "location": "table"}, people=people)
    assert np.mean([m.values[0] for m in during(sent)]) > 50
    assert np.mean([m.values[0] for m in outside(sent)]) < 5
    assert {m.location for m in sent} == {None}
    assert the_one(truths, "config-error") == {"mode": "wrong-place", "location": "table"}


def test_old_misbehaviour_is_in_the_truth_as_well() -> None:
    for fault, readings in (
        ({"kind": "flow-fault", "share": 0.5}, 30),
        ({"kind": "network-lost"}, 30),
        ({"kind": "sensor-unplugged"}, 0),
    ):
        _, truths = played(fault)
        the_one(truths, str(fault["kind"]), readings)


# By chance


def test_spans_by_chance_have_the_rate_and_length_they_should() -> None:
    chance = ByChance(AtRandom(per_day=48, mean_s=120), np.random.default_rng(2), 0)
    at = 0
    spans: list[tuple[int, int]] = []
    while len(spans) < 3_000:
        at = chance.next_edge_us(at)
        span = chance.span(at)
        if span is not None:
            spans.append(span)
    lengths = np.array([end - begin for begin, end in spans]) / SECOND
    waits = np.array([b[0] - a[1] for a, b in pairwise(spans)]) / SECOND
    assert lengths.mean() == pytest.approx(120, rel=0.06)
    assert waits.mean() == pytest.approx(1_800, rel=0.06)
    assert (waits > 0).all()
    assert np.std(waits) == pytest.approx(1_800, rel=0.1), "exponential"


def flickering(seed: int = 1) -> Simulation:
    fault = {
        "kind": "drop-out",
        "sensor": "*",
        "at_s": 60,
        "duration_s": 1_200,
        "random": {"per_day": 1_440, "mean_s": 20},
    }
    return a_simulation(a_scenario(incidents=[fault]), seed=seed)


def test_faults_by_chance_come_and_go_for_each_sensor_by_itself_and_the_truth_says_when() -> None:
    simulation = flickering()
    sent = measured(simulation, 1_500)
    truths = [t for t in simulation.truths() if t.what == "drop-out"]
    mine = [t for t in truths if t.subject["sensor"] == "pc-1"]
    others = [t for t in truths if t.subject["sensor"] == "pc-2"]
    assert len(mine) >= 5
    assert len(others) >= 5
    assert {t.start_us for t in mine}.isdisjoint(t.start_us for t in others)
    assert all(t.end_us is not None and START_US + 60 * SECOND <= t.start_us < t.end_us for t in truths)
    assert max(t.end_us or 0 for t in truths) <= START_US + 1_260 * SECOND
    gone = set(range(1_500)) - {m.seq for m in sent}
    assert len(gone) == sum(t.detail["readings"] for t in mine if isinstance(t.detail["readings"], int))
    for seq in gone:
        end_us = START_US + (seq + 1) * SECOND
        assert any(t.start_us < end_us <= (t.end_us or 0) for t in mine)


def test_the_same_seed_gives_the_same_faults_and_another_one_others() -> None:
    def truths(seed: int) -> list[Truth]:
        simulation = flickering(seed)
        measured(simulation, 1_000)
        return simulation.truths()

    assert truths(1) == truths(1)
    assert truths(1) != truths(2)


def test_a_fault_of_one_sensor_does_not_change_what_another_counts() -> None:
    fault = {
        "kind": "tube-burst",
        "sensor": "pc-1",
        "at_s": 5,
        "duration_s": 60,
        "random": {"per_day": 5_000, "mean_s": 9},
    }
    with_it = measured(a_simulation(a_scenario(incidents=[fault])), 90, "pc-2")
    without = measured(a_simulation(a_scenario()), 90, "pc-2")
    assert [m.seq for m in with_it] == [m.seq for m in without]
    same = sum(a.values == b.values for a, b in zip(with_it, without, strict=True))
    assert same >= 88, "an edge between two steps may round the last digit of an expectation"
