"""What gives off particles, heat and moisture in the rooms: people with their shifts, machines, incidents.

People come and go and machines turn by the agenda, and people change what they do by `next_us`; between two of these
instants everything here stands still. `during` goes through many instants of the second sort at once. Knows nothing of
concentrations, counters or doors.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from functools import partial

import numpy as np
from numpy.typing import NDArray

from motewatch.site.schedule import WeeklyWindows
from motewatch_simulator import scenario as s
from motewatch_simulator.activities import Activities, Course
from motewatch_simulator.agenda import Agenda
from motewatch_simulator.people import HEAT_W, MOISTURE_G_H, Person
from motewatch_simulator.plant import Plant
from motewatch_simulator.shifts import Doing, itinerary
from motewatch_simulator.spectra import GARMENTS, Array, power_law
from motewatch_simulator.timeline import Active
from motewatch_simulator.workers import Tool, Worker, hours_of


class Sources:
    """Everything that gives something off, in the scenario's zones and size bins."""

    def __init__(
        self,
        scenario: s.Scenario,
        plant: Plant,
        sizes_um: tuple[float, ...],
        agenda: Agenda,
        time_zone: str,
        *,
        people_rng: np.random.Generator,
        shift_rng: np.random.Generator,
        tool_rng: np.random.Generator,
    ) -> None:
        self._plant = plant
        self._agenda = agenda
        self._sizes_um = sizes_um
        self._shed: Array | None = None
        """What people and machines give off, until one of them changes."""
        self._present: list[int] | None = None
        self.changes = 0
        """Rises when people come or go, or a machine starts or stops."""
        self._garments = {name: source.bins(sizes_um) for name, source in GARMENTS.items()}
        self._workers = [
            Worker(
                number,
                Person(group.activity, scenario.scenario.person_spread, one),
                group,
                plant.index[group.room],
                None if group.gowning_room is None else plant.index[group.gowning_room],
            )
            for number, (group, one) in enumerate(
                (group, one) for group in scenario.people for one in people_rng.spawn(group.count)
            )
        ]
        self._activities = Activities([worker.person for worker in self._workers], agenda)
        worn = {garment for group in scenario.people for garment in (group.garment, group.gowning_garment)}
        self._worn = tuple(name for name in self._garments if name in worn)
        """In this order they are added up, so that the sum is the same to the last bit."""
        self._strengths = self._no_strengths()
        """Shares of vigorous dispersion in each zone, added up by garment."""
        self._stale = set(range(len(plant.rooms)))
        """Rooms whose sums are to be made anew: few of them at each step, and a step comes every few seconds."""
        self._may_be_in = [
            [worker for worker in self._workers if room in (worker.room, worker.gowning_room)]
            for room in range(len(plant.rooms))
        ]
        for worker, one in zip(self._workers, shift_rng.spawn(len(self._workers)), strict=True):
            if worker.group.hours:
                worker.days = itinerary(hours_of(worker.group, time_zone), agenda.now_us, one)
                self._follow(worker, next(worker.days)[1])
        self._tools = [self._tool(machine, time_zone, tool_rng) for machine in scenario.machines]
        rooms = len(plant.rooms)
        self._usual_w, self._usual_g_h = np.zeros(rooms), np.zeros(rooms)
        for worker in self._workers:
            self._usual_w[worker.room] += HEAT_W
            self._usual_g_h[worker.room] += MOISTURE_G_H
        for tool in self._tools:
            self._usual_w[tool.room] += tool.machine.heat_w

    # -- what they do

    def next_us(self) -> int | None:
        """When somebody changes next what they do."""
        return self._activities.next_us()

    def advance(self, to_us: int) -> None:
        """Let time go on to an instant, and change what changes there."""
        for number in self._activities.advance(to_us):
            self._unsettle(self._workers[number])

    def _unsettle(self, worker: Worker) -> None:
        """The sum of the room they are in no longer holds."""
        place = worker.place()
        if place is not None:
            self._stale.add(place)
            self._shed = None

    def _follow(self, worker: Worker, doing: Doing) -> None:
        self._unsettle(worker)
        worker.doing = doing
        self._unsettle(worker)
        self._present = None
        self.changes += 1
        coming = next(worker.days, None)
        if coming is not None:
            self._agenda.at(coming[0], partial(self._follow, worker, coming[1]))

    def _tool(self, machine: s.Machine, time_zone: str, rng: np.random.Generator) -> Tool:
        room = self._plant.index[machine.room]
        tool = Tool(
            machine,
            room if machine.near is None else self._plant.near_index[machine.near],
            room,
            power_law(machine.per_min_at_0_5_um / 60.0, 0.5, machine.slope).bins(self._sizes_um),
            WeeklyWindows.parse(machine.hours, time_zone) if machine.hours else None,
        )
        if machine.off_min > 0:
            point_min = float(rng.uniform(0.0, machine.on_min + machine.off_min))
            tool.turning = point_min < machine.on_min
            left_min = (machine.on_min if tool.turning else machine.on_min + machine.off_min) - point_min
            self._agenda.after(left_min * 60.0, partial(self._turn, tool))
        self._knock(tool)
        return tool

    def _turn(self, tool: Tool) -> None:
        tool.turning = not tool.turning
        self._shed = None
        self.changes += 1
        minutes = tool.machine.on_min if tool.turning else tool.machine.off_min
        self._agenda.after(minutes * 60.0, partial(self._turn, tool))

    def _knock(self, tool: Tool) -> None:
        """Working hours begin or end."""
        if tool.windows is None:
            return
        now_us = self._agenda.now_us
        tool.within = tool.windows.is_operational(now_us)
        self._shed = None
        self.changes += 1
        change_us = tool.windows.next_change_us(now_us)
        if change_us is not None:
            self._agenda.at(change_us, partial(self._knock, tool))

    # -- what it comes to

    def particles(self, active: list[Active], weather: float, *, mean: bool = False) -> Array:
        """Particles/s per bin and zone. `mean`: with everybody present at their long-term mean, for a start."""
        if mean:
            strengths = self._no_strengths()
            self._add_up(strengths, range(len(self._plant.rooms)), mean=True)
            return self._with_incidents(self._shed_by(strengths), active, weather)
        return self._with_incidents(self._shed_now().copy(), active, weather)

    def during(
        self, active: list[Active], weather: float, now_us: int, marks_us: Sequence[int]
    ) -> tuple[NDArray[np.int64], Array]:
        """When the steps from now until the last mark start, and particles/s per step, bin and zone.

        A step ends at each mark and wherever a person changes what they do; nothing else may change until then.
        """
        until_us = marks_us[-1]
        courses = self._activities.courses(until_us)
        changes = [course.instants_us for course in courses.values()]
        starts_us = np.unique(np.concatenate([np.array([now_us, *marks_us[:-1]], dtype=np.int64), *changes]))
        strengths = self._no_strengths(len(starts_us))
        for room in range(len(self._plant.rooms)):
            self._add_up_during(strengths, room, courses, starts_us)
        for number in courses:
            self._unsettle(self._workers[number])
        return starts_us, self._with_incidents(self._shed_by(strengths, len(starts_us)), active, weather)

    def _with_incidents(self, sources: Array, active: list[Active], weather: float) -> Array:
        index = self._plant.index
        for x in active:
            incident = x.incident
            if isinstance(incident, s.GowningBurst):
                strength = incident.people * incident.activity
                sources[..., index[incident.room]] += self._garments[incident.garment] * strength
            elif isinstance(incident, s.FilterLeak):
                sources[..., index[incident.room]] += self.leaked(incident, weather)
        return sources

    def _shed_now(self) -> Array:
        """People and machines, as they are at this moment."""
        if self._shed is None:
            self._add_up(self._strengths, self._stale, mean=False)
            self._stale.clear()
            self._shed = self._shed_by(self._strengths)
        return self._shed

    def _no_strengths(self, *steps: int) -> dict[str, Array]:
        return {name: np.zeros((*steps, len(self._plant.volumes_m3))) for name in self._worn}

    def _add_up(self, strengths: dict[str, Array], rooms: Iterable[int], *, mean: bool) -> None:
        """Make the sums of these rooms anew, each from nothing, so that no rounding builds up."""
        for room in rooms:
            for by_zone in strengths.values():
                by_zone[room] = 0.0
            for worker in self._may_be_in[room]:
                if worker.place() == room:
                    garment, strength = worker.sheds(mean=mean)
                    strengths[garment][room] += strength

    def _add_up_during(
        self, strengths: dict[str, Array], room: int, courses: Mapping[int, Course], starts_us: NDArray[np.int64]
    ) -> None:
        """The same for steps one after the other, in which some change what they do."""
        for worker in self._may_be_in[room]:
            if worker.place() == room:
                garment, strength = worker.sheds(mean=False)
                course = courses.get(worker.number)
                if course is None or worker.doing is Doing.GOWNING:
                    # Whoever changes clothes does only that, whatever they would do at work.
                    strengths[garment][:, room] += strength
                else:
                    strengths[garment][:, room] += course.at(starts_us)

    def _shed_by(self, strengths: dict[str, Array], *steps: int) -> Array:
        """Particles/s per bin and zone of people so strong, and of the machines that run now."""
        sources: Array = np.zeros((*steps, len(self._sizes_um), len(self._plant.volumes_m3)))
        for name, by_zone in strengths.items():
            sources += self._garments[name][:, None] * by_zone[..., None, :]
        for tool in self._tools:
            if tool.running:
                sources[..., tool.column] += tool.bins
        return sources

    def leaked(self, incident: s.FilterLeak, weather: float) -> Array:
        """Particles/s per bin that pass a leaking filter."""
        upstream = self._plant.upstream[:, self._plant.index[incident.room]]
        result: Array = upstream * (weather * incident.bypass_l_min / 60_000.0)
        return result

    def running(self) -> Iterator[tuple[s.Machine, Array]]:
        """Machines that give off something now, and what, in particles/s per bin."""
        return ((tool.machine, tool.bins) for tool in self._tools if tool.running)

    def present(self) -> list[int]:
        """Persons in each room."""
        if self._present is None:
            self._present = self._count()
        return self._present

    def _count(self) -> list[int]:
        counts = [0] * len(self._plant.rooms)
        for worker in self._workers:
            place = worker.place()
            if place is not None:
                counts[place] += 1
        return counts

    def gains(self, active: list[Active]) -> tuple[Array, Array]:
        """Heat in W and moisture in g/h of each room beyond what its set-points are held with."""
        persons = np.array(self.present(), dtype=float)
        for x in active:
            if isinstance(x.incident, s.GowningBurst):
                persons[self._plant.index[x.incident.room]] += x.incident.people
        heat_w = persons * HEAT_W
        for tool in self._tools:
            if tool.running:
                heat_w[tool.room] += tool.machine.heat_w
        return heat_w - self._usual_w, persons * MOISTURE_G_H - self._usual_g_h
