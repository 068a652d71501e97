"""Scores a play: draws its stream once, gives it to the engine, and holds the alarms against the truth.

Own choices: a truth may still be told for three of the site's longest sample periods after its end (`grace_us`), since
a sample closes after the air that it holds, and a rule may want three of them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import replace
from typing import Final

from motewatch.engine.records import AlarmChanged
from motewatch.site.models import Site
from motewatch_simulator.emissions import Emission
from motewatch_simulator.judging import judge
from motewatch_simulator.library import Play
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


def drawn(emissions: Iterator[Emission], end_us: int) -> None:
    """Draw a stream to its end, for what it leaves behind."""
    for emission in emissions:
        if emission.due_us > end_us:
            return


def true_of(simulation: Simulation, end_us: int) -> list[Truth]:
    """What was really so in a stream that was drawn until its end, or a little beyond."""
    return [
        replace(truth, end_us=None) if truth.end_us is not None and truth.end_us > end_us else truth
        for truth in simulation.truths()
        if truth.start_us < end_us
    ]


def score_play(
    play: Play,
    simulation: Simulation,
    start_us: int,
    end_us: int,
    progress: Callable[[int], None] = lambda _: None,
) -> Score:
    """Run the engine over the stream until its end, and compare."""
    changes = judge(play.site, simulation.emissions(), start_us, end_us, progress)
    return compared(play, true_of(simulation, end_us), changes, end_us)


def compared(play: Play, truths: Sequence[Truth], changes: Iterable[AlarmChanged], end_us: int) -> Score:
    """The steps of alarms against what was so."""
    return score(truths, changes, places(play.site, play), grace_us=grace_us(play.site), end_us=end_us)
