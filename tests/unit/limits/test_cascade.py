"""The pressure cascade: each reason, contradictions between gauges, and orders that cannot be."""

from __future__ import annotations

from itertools import permutations

import pytest

from motewatch.limits.cascade import (
    CascadeError,
    CascadeVerdict,
    Gauge,
    Loop,
    Reason,
    Step,
    check_order,
    evaluate,
    steps_of,
)
from motewatch.site.models import Site
from motewatch.site.order import find_cycle
from support.facility import site_dict

# Filling room above its lock above the corridor.
STEPS = (Step("filling", "lock"), Step("lock", "corridor"))


def _reasons(gauges: list[Gauge], steps: tuple[Step, ...] = STEPS, tolerance: int = 1_000) -> list[Reason]:
    return [judged.reason for judged in evaluate(steps, gauges, tolerance).steps]


@pytest.mark.parametrize(
    ("difference", "reason"),
    [
        (10_000, Reason.HOLDS),
        (9_999, Reason.TOO_SMALL),
        (0, Reason.TOO_SMALL),
        (-1, Reason.REVERSED),
        (45_000, Reason.HOLDS),
    ],
)
def test_a_gauge_along_the_step(difference: int, reason: Reason) -> None:
    (judged,) = evaluate(STEPS[:1], [Gauge("filling", "lock", difference)]).steps
    assert judged.reason is reason
    assert judged.difference == difference
    # The same gauge, read from the other side.
    (turned,) = evaluate(STEPS[:1], [Gauge("lock", "filling", -difference)]).steps
    assert turned == judged


def test_gauges_against_a_common_reference() -> None:
    finding = evaluate(
        STEPS, [Gauge("filling", "plant", 42_500), Gauge("lock", "plant", 30_000), Gauge("corridor", "plant", 20_001)]
    )
    assert [judged.difference for judged in finding.steps] == [12_500, 9_999]
    assert [judged.reason for judged in finding.steps] == [Reason.HOLDS, Reason.TOO_SMALL]
    assert finding.steps[0].through == ("filling", "plant", "lock")
    assert finding.contradictions == ()


def test_a_room_without_a_gauge_is_unknown() -> None:
    finding = evaluate(STEPS, [Gauge("filling", "lock", 15_000)])
    assert [judged.verdict for judged in finding.steps] == [CascadeVerdict.WITHIN, CascadeVerdict.UNKNOWN]
    assert finding.steps[1].difference is None
    assert _reasons([]) == [Reason.NO_GAUGE, Reason.NO_GAUGE]


def test_gauges_in_two_islands_are_not_connected() -> None:
    assert _reasons([Gauge("filling", "plant", 40_000), Gauge("lock", "roof", 20_000)])[0] is Reason.NO_GAUGE


def test_a_loop_that_does_not_add_up_is_a_contradiction() -> None:
    gauges = [Gauge("filling", "lock", 12_000), Gauge("lock", "corridor", 12_000), Gauge("filling", "corridor", 10_000)]
    finding = evaluate(STEPS, gauges)
    (loop,) = finding.contradictions
    assert set(loop.places) == {"filling", "lock", "corridor"}
    assert abs(loop.residual) == 14_000
    assert [judged.reason for judged in finding.steps] == [Reason.CONTRADICTORY, Reason.CONTRADICTORY]


def test_a_contradiction_that_cannot_change_the_verdict_does_not_hide_it() -> None:
    gauges = [Gauge("filling", "lock", 40_000), Gauge("lock", "corridor", 2_000), Gauge("filling", "corridor", 46_000)]
    finding = evaluate(STEPS, gauges)
    assert len(finding.contradictions) == 1
    assert [judged.reason for judged in finding.steps] == [Reason.HOLDS, Reason.TOO_SMALL]


def test_a_loop_within_the_gauges_tolerance_is_none() -> None:
    gauges = [Gauge("filling", "lock", 12_000), Gauge("lock", "corridor", 12_000), Gauge("filling", "corridor", 21_000)]
    assert evaluate(STEPS, gauges).contradictions == ()
    assert len(evaluate(STEPS, gauges, 999).contradictions) == 1


def test_two_gauges_on_one_door() -> None:
    near = [Gauge("filling", "lock", 11_000), Gauge("filling", "lock", 9_500)]
    assert _reasons(near, STEPS[:1]) == [Reason.TOO_SMALL]
    far = [Gauge("filling", "lock", 30_000), Gauge("lock", "filling", -9_500)]
    finding = evaluate(STEPS[:1], far)
    assert finding.contradictions == (Loop(("filling", "lock"), 20_500),)
    assert finding.steps[0].reason is Reason.CONTRADICTORY
    both = evaluate(STEPS[:1], [Gauge("filling", "lock", 20_000), Gauge("filling", "lock", 40_500)])
    assert len(both.contradictions) == 1
    assert both.steps[0].reason is Reason.HOLDS


def test_a_contradiction_elsewhere_leaves_other_steps_alone() -> None:
    gauges = [
        Gauge("filling", "lock", 15_000),
        Gauge("a", "b", 1_000),
        Gauge("b", "c", 1_000),
        Gauge("a", "c", 30_000),
    ]
    finding = evaluate(STEPS[:1], gauges)
    assert len(finding.contradictions) == 1
    assert finding.steps[0].reason is Reason.HOLDS


def test_the_order_of_gauges_changes_nothing() -> None:
    gauges = [
        Gauge("filling", "lock", 12_000),
        Gauge("lock", "corridor", 12_000),
        Gauge("filling", "corridor", 10_000),
        Gauge("corridor", "plant", 3_000),
    ]
    findings = {repr(evaluate(STEPS, order)) for order in permutations(gauges)}
    assert len(findings) == 1


@pytest.mark.parametrize(
    ("steps", "named"),
    [
        ((Step("a", "a"),), "'a' cannot be above itself"),
        ((Step("a", "b"), Step("a", "b", 5_000)), "'a' above 'b' is stated twice"),
        ((Step("a", "b", -1),), "asks for -0.001 Pa"),
        ((Step("c", "a"), Step("a", "b"), Step("b", "c")), "a above b above c above a"),
    ],
)
def test_orders_that_cannot_be(steps: tuple[Step, ...], named: str) -> None:
    with pytest.raises(CascadeError, match=named):
        check_order(steps)
    with pytest.raises(CascadeError, match=named):
        evaluate(steps, [])


def test_gauges_that_cannot_be() -> None:
    with pytest.raises(CascadeError, match="'a' to itself"):
        evaluate((), [Gauge("a", "a", 1)])
    with pytest.raises(CascadeError, match="tolerance of -1 mPa"):
        evaluate((), [], -1)


@pytest.mark.parametrize(
    ("pairs", "cycle"),
    [
        ([], None),
        ([("a", "b"), ("b", "c"), ("a", "c")], None),
        ([("a", "b"), ("b", "a")], ("a", "b")),
        ([("x", "a"), ("b", "c"), ("c", "a"), ("a", "b")], ("a", "b", "c")),
        ([("a", "a")], ("a",)),
        ([(str(number), str(number + 1)) for number in range(5_000)], None),
    ],
)
def test_find_cycle(pairs: list[tuple[str, str]], cycle: tuple[str, ...] | None) -> None:
    assert find_cycle(pairs) == cycle
    assert find_cycle(reversed(pairs)) == cycle


def test_steps_of_a_site() -> None:
    site = Site.model_validate(
        site_dict(
            rooms=[{"id": name, "name": name, "area": "a", "iso_class": 8} for name in ("filling", "lock")],
            cascade=[{"higher": "filling", "lower": "lock"}, {"higher": "lock", "lower": "corridor", "low_pa": 12.5}],
        )
    )
    assert steps_of(site) == (Step("filling", "lock", 10_000), Step("lock", "corridor", 12_500))
