"""What passes filters by class, rating and size."""

from __future__ import annotations

import pytest

from motewatch_simulator.filters import (
    CLASS_PENETRATION,
    RATING_EFFICIENCY,
    FilterModel,
    rated_penetration,
    terminal_penetration,
)


@pytest.mark.parametrize("model", ["simple", "single-fibre"])
def test_a_filter_is_weakest_at_its_worst_size_and_never_better_than_its_pinholes(model: FilterModel) -> None:
    def passes(size_um: float) -> float:
        return terminal_penetration(size_um, 5e-5, 1e-7, model)

    assert passes(0.21) == pytest.approx(5e-5, rel=0.01)
    assert 1e-5 < passes(0.3) < 5e-5
    assert passes(0.1) < passes(0.15) < 5e-5
    assert passes(5.0) == 1e-7


def test_the_simple_model_stays_near_the_fibre_model_around_the_worst_size() -> None:
    for size_um in (0.15, 0.2, 0.3, 0.4):
        simple, fibre = (terminal_penetration(size_um, 5e-4, 0.0, m) for m in ("simple", "single-fibre"))
        assert 0.4 < simple / fibre < 2.5


def test_a_better_class_passes_less_at_every_size() -> None:
    classes = [CLASS_PENETRATION[name] for name in ("E10", "E11", "E12", "H13", "H14", "U15", "U16", "U17")]
    for size_um in (0.1, 0.2, 0.5):
        passed = [terminal_penetration(size_um, at_worst, 0.0, "single-fibre") for at_worst in classes]
        assert passed == sorted(passed, reverse=True)
        assert len(set(passed)) == len(passed)


def test_a_rating_holds_back_more_of_the_large() -> None:
    assert [rated_penetration(size, "merv-14") for size in (0.3, 1.0, 3.0)] == pytest.approx([0.25, 0.10, 0.05])
    assert rated_penetration(0.5, "merv-8") == 1.0
    for rating in RATING_EFFICIENCY:
        assert rated_penetration(0.5, rating) >= rated_penetration(2.0, rating) >= rated_penetration(5.0, rating)
