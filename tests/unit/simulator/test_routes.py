"""Where and when a counter samples: marks, pauses, tours that leave nothing half done, manifolds port by port."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from motewatch_simulator.route import Ports, Route, Spot, Tour, Visit, carry_over_s, next_whole

SECOND = 1_000_000
MINUTE = 60 * SECOND
TOUR = Tour(0, (("a", 5 * MINUTE), ("b", 3 * MINUTE)), 2 * MINUTE, MINUTE, MINUTE)
PORTS = Ports(("p1", "p2", "p3"), 50 * SECOND, 10 * SECOND)


def visits(route: Route, count: int, after_us: int = 0) -> list[Visit]:
    """One after the other, as a counter would."""
    result = []
    for _ in range(count):
        visit = route.next(after_us)
        result.append(visit)
        after_us = visit.begin_us + visit.duration_us
    return result


def test_a_pause_lies_between_samples_that_are_shorter_than_the_interval() -> None:
    spot = Spot("a", 5 * MINUTE, MINUTE)
    assert [v.begin_us // MINUTE for v in visits(spot, 3, 1)] == [5, 10, 15]
    assert {v.duration_us for v in visits(spot, 3)} == {MINUTE}


def test_a_tour_goes_round_and_nothing_is_sampled_on_the_way() -> None:
    seen = [(v.location, v.begin_us // MINUTE) for v in visits(TOUR, 10)]
    a, b = [("a", m) for m in range(5)], [("b", m) for m in (7, 8, 9)]
    assert seen == [*a, *b, ("a", 12), ("a", 13)]


def test_a_sample_that_would_not_end_before_the_counter_is_carried_on_is_not_begun() -> None:
    tour = Tour(0, (("a", 150 * SECOND), ("b", 150 * SECOND)), 20 * SECOND, MINUTE, MINUTE)
    assert tour.fits
    for visit in visits(tour, 50):
        offset = visit.begin_us % (340 * SECOND)
        arrival = {"a": 0, "b": 170 * SECOND}[visit.location]
        assert arrival <= offset
        assert offset + MINUTE <= arrival + 150 * SECOND


def test_a_stop_that_is_too_short_is_known() -> None:
    assert not Tour(0, (("a", 90 * SECOND),), SECOND, MINUTE, MINUTE).fits


@given(route=st.sampled_from([Spot("a", MINUTE, 20 * SECOND), TOUR, PORTS]), after=st.integers(0, 10**12))
def test_the_next_sample_is_not_before_and_none_is_skipped_by_asking_again(route: Route, after: int) -> None:
    visit = route.next(after)
    assert visit.begin_us >= after
    assert route.next(visit.begin_us) == visit


def test_a_manifold_purges_then_dwells_port_by_port() -> None:
    seen = [(v.location, v.port, v.begin_us // SECOND) for v in visits(PORTS, 4)]
    assert seen == [("p1", 0, 10), ("p2", 1, 70), ("p3", 2, 130), ("p1", 0, 190)]
    assert {v.duration_us for v in visits(PORTS, 4)} == {50 * SECOND}


def test_sixteen_ports_see_a_two_minute_event_one_time_in_six() -> None:
    ports = Ports(tuple(f"p{i}" for i in range(16)), 60 * SECOND, 10 * SECOND)
    assert ports.cycle_us == 1120 * SECOND
    assert ports.seen_share(2 * MINUTE) == pytest.approx(0.16, abs=0.005)
    assert ports.seen_share(10**10) == 1.0


def test_a_purge_takes_most_of_the_old_air_away() -> None:
    flow, line = 28.3 / 60_000, 0.8e-3
    without = carry_over_s(0.0, 60.0, flow, line)
    assert without == pytest.approx(line / flow, rel=1e-6), "all of the line's air is counted"
    assert carry_over_s(10.0, 60.0, flow, line) / without == pytest.approx(0.00274, rel=0.01)
    assert carry_over_s(10.0, 60.0, flow, 0.0) == 0.0


def test_marks() -> None:
    assert [next_whole(at, 10) for at in (-1, 0, 1, 10)] == [0, 0, 10, 10]
