"""People are busy 0.3 of the time, in the mean."""

from __future__ import annotations

import numpy as np
import pytest

from motewatch_simulator.people import LEVELS, MEAN_HOLD_S, SHARES, Person


def test_the_mean_level_is_three_tenths() -> None:
    assert sum(SHARES) == pytest.approx(1.0)
    assert sum(level * share for level, share in zip(LEVELS, SHARES, strict=True)) == pytest.approx(0.3)


def test_a_person_changes_level_at_random() -> None:
    person = Person(None, 0.0, np.random.default_rng(3))
    levels, holds = [], []
    for _ in range(4_000):
        hold_s = person.hold_s()
        assert hold_s is not None
        holds.append(hold_s)
        levels.append(person.level)
        person.change()
    assert set(levels) == set(LEVELS)
    assert np.average(levels, weights=holds) == pytest.approx(0.3, rel=0.1)
    assert np.mean(holds) == pytest.approx(MEAN_HOLD_S, rel=0.05)


def test_a_person_with_an_activity_keeps_it() -> None:
    person = Person(0.5, 0.0, np.random.default_rng(3))
    assert person.hold_s() is None
    assert person.strength == 0.5


def test_people_differ_but_not_in_the_mean() -> None:
    strengths = [Person(1.0, 0.5, one).strength for one in np.random.default_rng(3).spawn(2_000)]
    assert np.std(np.log(strengths)) == pytest.approx(0.5, rel=0.05)
    assert np.mean(strengths) == pytest.approx(1.0, rel=0.05)
