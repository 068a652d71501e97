"""When incidents happen."""

from __future__ import annotations

from motewatch_simulator.scenario import Repeats
from motewatch_simulator.timeline import Timeline

START = 1_000_000_000


def a_timeline(repeat_s: float | None = None) -> Timeline:
    incidents = [
        Repeats(kind="repeats", sensor="a", at_s=10.0, duration_s=5.0),
        Repeats(kind="repeats", sensor="b", at_s=12.5, duration_s=10.0),
    ]
    return Timeline(incidents, START, repeat_s)


def seconds(edge_us: int | None) -> float | None:
    return None if edge_us is None else (edge_us - START) / 1_000_000


def active(timeline: Timeline, second: float) -> list[int]:
    return [x.index for x in timeline.active(START + round(second * 1_000_000))]


def test_an_incident_is_active_from_its_start_until_before_its_end() -> None:
    timeline = a_timeline()
    assert [active(timeline, second) for second in (9.999999, 10, 12.5, 14.999999, 15, 22.5)] == [
        [],
        [0],
        [0, 1],
        [0, 1],
        [1],
        [],
    ]


def test_edges_come_in_order_and_end() -> None:
    timeline, edges, at = a_timeline(), [], START
    while (edge := timeline.next_edge_us(at)) is not None:
        edges.append(seconds(edge))
        at = edge
    assert edges == [10.0, 12.5, 15.0, 22.5]


def test_a_repeat_starts_all_of_it_anew() -> None:
    timeline = a_timeline(repeat_s=60.0)
    assert active(timeline, 72.5) == [0, 1]
    assert seconds(timeline.next_edge_us(START + 22_500_000)) == 70.0
    assert seconds(timeline.next_edge_us(START + 70_000_000)) == 72.5
    assert seconds(timeline.next_edge_us(START + 600_000_000_000)) == 600_010.0


def test_a_ramp_rises_to_one() -> None:
    (only,) = a_timeline().active(START + 12_000_000)
    assert only.ramp(4.0) == 0.5
    assert only.ramp(1.0) == 1.0
    assert only.ramp(0.0) == 1.0


def test_no_incidents_no_edges() -> None:
    assert Timeline([], START, 60.0).next_edge_us(START) is None
