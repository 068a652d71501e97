"""The stream: every message of every sensor, in order, from a site, a scenario, a seed and a start.

A pure generator: it knows no clock, no file and no network, so the stream is the same however fast it is drawn. Each
piece of time in which nothing changes is one exact step of the rooms; the instruments add up what their air held and
draw when their sample ends. What becomes of a reading on its way is decided here: kept, late, lost or sent twice.
Sensors' clocks are real time; only the rooms run `physics_speed` times as fast. What was really so is kept beside it.
"""

from __future__ import annotations

import heapq
from collections import Counter
from collections.abc import Iterator

import numpy as np

from motewatch.site.models import Site
from motewatch_simulator import scenario as s
from motewatch_simulator.air import Air
from motewatch_simulator.emissions import Came as Came
from motewatch_simulator.emissions import Counted as Counted
from motewatch_simulator.emissions import Emission as Emission
from motewatch_simulator.emissions import Measurement as Measurement
from motewatch_simulator.emissions import Went as Went
from motewatch_simulator.excursions import Excursions
from motewatch_simulator.instrument import Instrument, response_of
from motewatch_simulator.instrument import boot_id as boot_id
from motewatch_simulator.misbehaviour import Ongoing
from motewatch_simulator.response import fine_grid
from motewatch_simulator.route import next_whole as next_whole
from motewatch_simulator.spectra import Array
from motewatch_simulator.timeline import SECOND_US, Active, Timeline, micros_of
from motewatch_simulator.truth import Truth, TruthBook, TruthKind


class Simulation:
    """Plays a scenario on a site. Iterate over `emissions()`; it never ends by itself."""

    def __init__(
        self,
        site: Site,
        scenario: s.Scenario,
        *,
        rng: np.random.Generator,
        start_us: int,
        physics_speed: float | None = None,
    ) -> None:
        speed = scenario.scenario.physics_speed if physics_speed is None else physics_speed
        room_rng, counter_rng = rng.spawn(2)
        # A stream of its own, so that a fault here does not change the counts there.
        own_rngs = rng.spawn(1)[0].spawn(len(site.sensors))
        self.sizes_um = size_grid(site, scenario)
        self._timeline = Timeline(scenario.incidents, start_us, scenario.scenario.repeat_s)
        shortest_us = min(micros_of(sensor.interval_s) for sensor in site.sensors)
        self.air = Air(
            site,
            scenario,
            self.sizes_um,
            self._timeline,
            rng=room_rng,
            start_us=start_us,
            physics_speed=speed,
            grid_us=max(1, shortest_us // 10),
        )
        speaks = {counter.id: counter for counter in scenario.sensors}
        columns = {location: i for i, location in enumerate(self.air.locations)}
        self._breath = np.zeros((len(site.sensors), len(self.sizes_um)))
        """What the air of each sensor's sample has held so far, particles x s / m3 per bin."""
        self._instruments = [
            Instrument(
                sensor,
                speaks.get(sensor.id) or s.Counter(id=sensor.id),
                scenario,
                self.sizes_um,
                columns,
                breath,
                draw_rng=draw_rng,
                own_rng=own_rng,
                start_us=start_us,
            )
            for sensor, draw_rng, own_rng, breath in zip(
                site.sensors, counter_rng.spawn(len(site.sensors)), own_rngs, self._breath, strict=True
            )
        ]
        count = len(self._instruments)
        self._begin_us, self._end_us = np.zeros(count, dtype=np.int64), np.zeros(count, dtype=np.int64)
        self._columns = np.zeros(count, dtype=np.intp)
        self._powered = np.ones(count, dtype=np.bool_)
        for i in range(count):
            self._follow(i)
        self._room_of = {location.id: location.room for location in site.locations}
        self._book = TruthBook()
        self._excursions = Excursions(site, self.air.locations, self.sizes_um, start_us, self._book)
        self._suffered: Counter[tuple[str, int, int]] = Counter()
        """Readings that each fault had a chance to spoil."""
        self._incidents: set[tuple[str, int, int]] = set()
        self._later: list[tuple[int, int, Instrument, Measurement]] = []
        """Readings that are sent later, as a heap: (when, order, whose, which)."""
        self._order = 0
        self.now_us = start_us

    def emissions(self) -> Iterator[Emission]:
        """Every emission in order of `due_us`, for ever."""
        for instrument in self._instruments:
            yield Came(self.now_us, instrument.id, instrument.boot)
        yield from self._turn()
        edge_us = self._next_edge_us()
        while True:
            to_us = min(self._boundaries(edge_us))
            seen = self.air.advance(to_us)
            self._excursions.take(seen, to_us)
            self.now_us = to_us
            for i in self._breathe(seen, to_us):
                yield from self._finish(self._instruments[i])
                self._follow(i)
            if edge_us is not None and to_us >= edge_us:
                yield from self._turn()
                edge_us = self._next_edge_us()
            yield from self._send_later()

    def truths(self) -> list[Truth]:
        """What was really so up to now; what goes on has no end yet."""
        for key, readings in self._suffered.items():
            self._book.note(key, readings=readings)
        return self._book.rows()

    # -- time

    def _next_edge_us(self) -> int | None:
        """The next instant at which an incident or a fault begins or ends."""
        edges = [self._timeline.next_edge_us(self.now_us)]
        edges += [instrument.misbehaviour.next_edge_us(self.now_us) for instrument in self._instruments]
        return min((edge for edge in edges if edge is not None), default=None)

    def _boundaries(self, edge_us: int | None) -> Iterator[int]:
        if edge_us is not None:
            yield edge_us
        room_edge_us = self.air.next_edge_us()
        if room_edge_us is not None:
            yield room_edge_us
        if self._later:
            yield max(self._later[0][0], self.now_us)
        if self._powered.any():
            nexts = np.where(self._begin_us > self.now_us, self._begin_us, self._end_us)
            yield int(nexts[self._powered].min())

    def _follow(self, i: int) -> None:
        """Note when and where the present sample of an instrument is."""
        instrument = self._instruments[i]
        self._begin_us[i], self._end_us[i] = instrument.begin_us, instrument.end_us
        self._columns[i], self._powered[i] = instrument.column, instrument.powered

    def _breathe(self, seen: Array, to_us: int) -> list[int]:
        """Give every sensor its part of a step, and tell whose sample is over."""
        # Air before a sample begins, in a pause or on the way, goes uncounted.
        busy = self._powered & (self._begin_us < to_us)
        self._breath[busy] += seen.T[self._columns[busy]]
        over: list[int] = np.flatnonzero(busy & (self._end_us == to_us)).tolist()
        return over

    def _turn(self) -> Iterator[Emission]:
        """Incidents or faults begin or end at this instant."""
        active = self._timeline.active(self.now_us)
        self._note_incidents(active)
        for i, instrument in enumerate(self._instruments):
            ongoing = instrument.misbehaviour.active(active, self.now_us)
            if ongoing != instrument.ongoing:
                self._note_faults(instrument, ongoing)
                instrument.suffer(ongoing, self.now_us)
                yield from self._power(instrument)
                yield from self._network(instrument)
                self._follow(i)

    # -- readings

    def _finish(self, instrument: Instrument) -> Iterator[Emission]:
        """A sample is over: send the reading, keep it or lose it."""
        climate = self.air.climate(self._room_of[instrument.location])
        measurement = instrument.finish(climate, self.now_us)
        for x in instrument.ongoing:
            self._suffered[_key(instrument, x)] += 1
        if any(isinstance(x.fault, s.DropOut) for x in instrument.ongoing):
            return
        if not instrument.online:
            instrument.held.append(measurement)
            return
        yield Counted(self.now_us, instrument.id, measurement)
        for x in instrument.ongoing:
            if isinstance(x.fault, s.Repeats) and (
                x.fault.share == 1.0 or instrument.fault_rng.random() < x.fault.share
            ):
                if x.fault.delay_s == 0.0:
                    yield Counted(self.now_us, instrument.id, measurement)
                else:
                    self._send(instrument, measurement, self.now_us + micros_of(x.fault.delay_s))
                # Two such faults at once do not make three messages.
                break

    def _send(self, instrument: Instrument, measurement: Measurement, due_us: int) -> None:
        self._order += 1
        heapq.heappush(self._later, (due_us, self._order, instrument, measurement))

    def _send_later(self) -> Iterator[Emission]:
        """What was to be sent by now."""
        while self._later and self._later[0][0] <= self.now_us:
            _, _, instrument, measurement = heapq.heappop(self._later)
            # Without power a sensor's memory is gone; without network it waits.
            if instrument.boot == measurement.boot and instrument.powered:
                if instrument.online:
                    yield Counted(self.now_us, instrument.id, measurement)
                else:
                    instrument.held.append(measurement)

    def _power(self, instrument: Instrument) -> Iterator[Emission]:
        unplugged = [x.fault for x in instrument.ongoing if isinstance(x.fault, s.SensorUnplugged)]
        if instrument.powered and unplugged:
            instrument.powered = False
            if instrument.online:
                yield Went(self.now_us, instrument.id, instrument.boot, unplugged[0].presence == "will")
            instrument.online = True
            instrument.held.clear()
        elif not instrument.powered and not unplugged:
            instrument.switch_on(self.now_us)
            yield Came(self.now_us, instrument.id, instrument.boot)

    def _network(self, instrument: Instrument) -> Iterator[Emission]:
        lost = [x.fault for x in instrument.ongoing if isinstance(x.fault, s.NetworkLost)]
        if not instrument.powered:
            return
        if instrument.online and lost:
            instrument.online = False
            instrument.late_per_s = lost[0].late_per_s
            yield Went(self.now_us, instrument.id, instrument.boot, abrupt=True)
        elif not instrument.online and not lost:
            instrument.online = True
            yield Came(self.now_us, instrument.id, instrument.boot)
            for i, measurement in enumerate(instrument.held):
                if instrument.late_per_s is None:
                    yield Counted(self.now_us, instrument.id, measurement)
                else:
                    self._send(instrument, measurement, self.now_us + round(i * SECOND_US / instrument.late_per_s))
            instrument.held.clear()

    # -- truth

    def _note_incidents(self, active: list[Active]) -> None:
        now = {("incident", x.index, self.now_us - x.elapsed_us): x.incident for x in active}
        rooms = {key: incident for key, incident in now.items() if not isinstance(incident, s.SensorFault)}
        for key in sorted(self._incidents - rooms.keys()):
            self._book.end(key, self.now_us)
        for key, incident in rooms.items():
            detail = incident.model_dump(mode="json", exclude={"kind", "at_s", "duration_s"}, exclude_none=True)
            subject = {str(word): str(detail.pop(word)) for word in ("room", "location") if word in detail}
            if "higher" in detail:
                subject["room"] = detail["higher"]
            if "location" in subject:
                subject.setdefault("room", self._room_of[subject["location"]])
            self._book.begin(key, Truth(TruthKind.INCIDENT, incident.kind, subject, key[2], None, detail))
        self._incidents = set(rooms)

    def _note_faults(self, instrument: Instrument, ongoing: list[Ongoing]) -> None:
        for x in instrument.ongoing:
            if x not in ongoing:
                key = _key(instrument, x)
                self._book.end(key, self.now_us, readings=self._suffered.pop(key, 0))
        for x in ongoing:
            detail = x.fault.model_dump(
                mode="json", exclude={"kind", "at_s", "duration_s", "sensor", "random"}, exclude_none=True
            )
            room = self._room_of[instrument.location]
            subject = {"sensor": instrument.id, "room": room, "location": instrument.location}
            truth = Truth(TruthKind.MISBEHAVIOUR, x.fault.kind, subject, x.since_us, None, detail)
            self._book.begin(_key(instrument, x), truth)


def size_grid(site: Site, scenario: s.Scenario) -> tuple[float, ...]:
    """The sizes at which the rooms' air is binned: the sensors' channels, the scenario's own, finer for real optics."""
    speaks = {counter.id: counter for counter in scenario.sensors}
    sizes = set(scenario.scenario.sizes_um)
    fine = False
    for sensor in site.sensors:
        own = speaks.get(sensor.id) or s.Counter(id=sensor.id)
        sizes.update(own.sizes_um or sensor.sizes_um)
        tubes = own.tube is not None or (own.manifold is not None and any(port.tube for port in own.manifold.ports))
        fine = fine or tubes or response_of(sensor, own, scenario) is not None
    return fine_grid(tuple(sizes)) if fine else tuple(sorted(sizes))


def _key(instrument: Instrument, x: Ongoing) -> tuple[str, int, int]:
    return instrument.id, x.index, x.since_us
