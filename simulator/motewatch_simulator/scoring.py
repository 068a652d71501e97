"""Scores a play: draws its stream once, gives it to the engine, and holds the alarms against the truth.

Own choices: a truth may still be told for three of the site's longest sample periods after its end (`grace_us`), since
a sample closes after the air that it holds, and a rule may want three of them.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from motewatch.alarms.lifecycle import Event
from motewatch.site.models import Site
from motewatch_simulator.judging import judge
from motewatch_simulator.library import Play
from motewatch_simulator.planned import planned
from motewatch_simulator.score import Places, Score, score
from motewatch_simulator.simulation import Simulation
from motewatch_simulator.timeline import micros_of
from motewatch_simulator.truth import Truth

GRACE_PERIODS: Final = 3


def grace_us(site: Site) -> int:
    """How long after its end something may still be found."""
    longest_s = max([*(p.period_s for p in site.programmes), *(sensor.interval_s for sensor in site.sensors)])
    return GRACE_PERIODS * micros_of(longest_s)


def places(site: Site, play: Play) -> Places:
    """Where the sensors hang and stand."""
    stands = {one.id: one.location for one in play.scenario.sensors if one.location is not None}
    hangs = {one.id: one.location or stands.get(one.id) for one in site.sensors}
    return Places(
        {sensor: location for sensor, location in hangs.items() if location is not None},
        {location.id: location.room for location in site.locations},
    )


def true_of(play: Play, simulation: Simulation, start_us: int, end_us: int) -> list[Truth]:
    """What was really so in a stream."""
    return planned(play.scenario, start_us, end_us)


def score_play(
    play: Play,
    simulation: Simulation,
    start_us: int,
    end_us: int,
    progress: Callable[[int], None] = lambda _: None,
) -> Score:
    """Run the engine over the stream until its end, and compare."""
    changes = judge(play.site, simulation.emissions(), start_us, end_us, progress)
    starts = [one for one in changes if one.event is Event.STARTS]
    truths = true_of(play, simulation, start_us, end_us)
    return score(truths, starts, places(play.site, play), grace_us=grace_us(play.site), end_us=end_us)
