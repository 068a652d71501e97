"""What people give off is added up anew only where somebody changed, and is then what all of them together give off."""

from __future__ import annotations

from itertools import combinations_with_replacement

import numpy as np
import pytest

from motewatch_simulator.agenda import Agenda
from motewatch_simulator.people import GOWNING_LEVEL, LEVELS
from motewatch_simulator.plant import Plant
from motewatch_simulator.sources import Sources
from motewatch_simulator.spectra import CLEANROOM_GARMENTS, INDOOR_CLOTHING
from support.simulated import a_scenario, a_site

SIZES_UM = (0.5, 5.0)
MINUTE_US = 60_000_000
MONDAY_US = 1_780_272_000_000_000
"""Midnight UTC of a Monday in June 2026."""

CREW = {
    "room": "clean",
    "count": 3,
    "hours": ["Mon-Fri 06:00-14:00"],
    "breaks": ["Mon-Fri 09:00-09:15"],
    "gowning_room": "next",
}


def crew(agenda: Agenda) -> Sources:
    scenario = a_scenario(people=[CREW])
    plant = Plant(a_site(), scenario, SIZES_UM)
    people, shifts, tools = np.random.default_rng(4).spawn(3)
    return Sources(scenario, plant, SIZES_UM, agenda, "UTC", people_rng=people, shift_rng=shifts, tool_rng=tools)


def test_rooms_hold_what_those_in_them_shed_at_every_moment_of_a_day() -> None:
    agenda = Agenda(MONDAY_US, 1_000_000, 1.0)
    sources = crew(agenda)
    sums = [{sum(levels) for levels in combinations_with_replacement(LEVELS, n)} for n in range(4)]
    strengths, gowning = set(), set()
    while True:
        due_us = min(us for us in (agenda.next_us(), sources.next_us()) if us is not None)
        if due_us >= MONDAY_US + 1440 * MINUTE_US:
            break
        agenda.advance(due_us)
        sources.advance(due_us)
        clean, beside = sources.particles([], 1.0).T
        at_work, changing = sources.present()
        strength = clean[0] / CLEANROOM_GARMENTS.bins(SIZES_UM)[0]
        assert any(strength == pytest.approx(one, abs=1e-9) for one in sums[at_work])
        assert beside == pytest.approx(changing * GOWNING_LEVEL * INDOOR_CLOTHING.bins(SIZES_UM))
        strengths.add(round(float(strength), 6))
        gowning.add(changing)
    assert len(strengths) > 20, "people at work change what they do"
    assert max(gowning) > 1, "more than one person gowned at a time"


def test_a_start_at_the_mean_leaves_the_moment_as_it_is() -> None:
    agenda = Agenda(MONDAY_US, 1_000_000, 1.0)
    sources = crew(agenda)
    agenda.advance(MONDAY_US + 8 * 60 * MINUTE_US)
    sources.advance(MONDAY_US + 8 * 60 * MINUTE_US)
    now = sources.particles([], 1.0)
    assert sources.present() == [3, 0]
    mean = sources.particles([], 1.0, mean=True)[:, 0]
    assert mean == pytest.approx(3 * 0.3 * CLEANROOM_GARMENTS.bins(SIZES_UM))
    assert np.array_equal(sources.particles([], 1.0), now)
