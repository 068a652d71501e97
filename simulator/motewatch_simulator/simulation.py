"""The stream: every message of every sensor, in order, from a site, a scenario, a seed and a start.

A pure generator: it knows no clock, no file and no network, so the stream is the same however fast it is drawn. Each
piece of time in which nothing changes is one exact step of the rooms; the counters add up what their air held and draw
when their interval ends. Sensors' clocks are real time; only the rooms run `physics_speed` times as fast.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

from motewatch.site.models import Sensor, Site
from motewatch_simulator import scenario as s
from motewatch_simulator.air import Air
from motewatch_simulator.counting import Channels, cumulative
from motewatch_simulator.spectra import Array
from motewatch_simulator.timeline import Active, Timeline, micros_of


@dataclass(frozen=True, slots=True)
class Measurement:
    """One interval of one sensor. Sizes in micrometres, volume in microlitres, instants in microseconds UTC."""

    sensor: str
    boot: str
    seq: int
    start_us: int
    duration_us: int
    volume_ul: int
    kind: str
    sizes_um: tuple[float, ...]
    values: tuple[int, ...]
    temperature_c: float | None = None
    humidity_pct: float | None = None
    pressure_pa: float | None = None
    flow_ok: bool = True
    location: str | None = None


@dataclass(frozen=True, slots=True)
class Counted:
    """A sensor sends a measurement at `due_us`."""

    due_us: int
    sensor: str
    measurement: Measurement


@dataclass(frozen=True, slots=True)
class Came:
    """A sensor connects; what it says afterwards carries this boot."""

    due_us: int
    sensor: str
    boot: str


@dataclass(frozen=True, slots=True)
class Went:
    """A sensor goes: `abrupt` without a word, so that the broker speaks its will, else with a goodbye."""

    due_us: int
    sensor: str
    boot: str
    abrupt: bool


Emission = Counted | Came | Went


@dataclass(slots=True)
class _Counter:
    """One sensor at work."""

    sensor: Sensor
    speaks: s.Counter
    room: str
    column: int
    channels: Channels
    rng: np.random.Generator
    interval_us: int
    begin_us: int
    boot: str
    air: Array
    seq: int = 0
    powered: bool = True
    online: bool = True
    twice: bool = False
    flow_share: float = 1.0
    held: list[Measurement] = field(default_factory=list)


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
        channels_um = {size for sensor in site.sensors for size in sensor.sizes_um}
        self.sizes_um = tuple(sorted(channels_um | set(scenario.scenario.sizes_um)))
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
        rooms = {location.id: location.room for location in site.locations}
        speaks = {counter.id: counter for counter in scenario.sensors}
        columns = {location: i for i, location in enumerate(self.air.locations)}
        self._counters = []
        for sensor, one in zip(site.sensors, counter_rng.spawn(len(site.sensors)), strict=True):
            own = speaks.get(sensor.id) or s.Counter(id=sensor.id)
            location = sensor.location or own.location
            assert location is not None, "the scenario file is checked against the site"
            interval_us = micros_of(sensor.interval_s)
            self._counters.append(
                _Counter(
                    sensor,
                    own,
                    rooms[location],
                    columns[location],
                    Channels(self.sizes_um, sensor.sizes_um),
                    one,
                    interval_us,
                    next_whole(start_us, interval_us),
                    boot_id(start_us),
                    np.zeros(len(self.sizes_um)),
                )
            )
        self.now_us = start_us

    def emissions(self) -> Iterator[Emission]:
        """Every emission in order of `due_us`, for ever."""
        for counter in self._counters:
            yield Came(self.now_us, counter.sensor.id, counter.boot)
        yield from self._incidents()
        while True:
            to_us = min(self._boundaries())
            seen = self.air.advance(to_us)
            self.now_us = to_us
            for counter in self._counters:
                # Air before its first whole interval goes uncounted.
                if counter.powered and counter.begin_us < to_us:
                    counter.air += seen[:, counter.column]
                    if counter.begin_us + counter.interval_us == to_us:
                        yield from self._finish(counter)
            yield from self._incidents()

    def _boundaries(self) -> Iterator[int]:
        edge = self.air.next_edge_us()
        if edge is not None:
            yield edge
        for counter in self._counters:
            yield counter.begin_us if counter.begin_us > self.now_us else counter.begin_us + counter.interval_us

    def _finish(self, counter: _Counter) -> Iterator[Emission]:
        """The interval ends: draw, and send or keep."""
        sensor, speaks = counter.sensor, counter.speaks
        flow_m3_s = sensor.flow_l_min / 60_000.0
        differential = counter.channels.draw(counter.air * (flow_m3_s * counter.flow_share), counter.rng)
        climate = self.air.climate(counter.room)
        pressure = climate.pressure_pa if "pressure-difference" in speaks.climate else None
        measurement = Measurement(
            sensor.id,
            counter.boot,
            counter.seq,
            counter.begin_us,
            counter.interval_us,
            round(sensor.flow_l_min * counter.interval_us / 60),
            speaks.counts,
            sensor.sizes_um,
            differential if speaks.counts == "differential" else cumulative(differential),
            # Sensors of climate show tenths, so repeated values are normal.
            round(climate.temperature_c, 1) if "temperature" in speaks.climate else None,
            round(climate.humidity_pct, 1) if "humidity" in speaks.climate else None,
            None if pressure is None else round(pressure, 1),
            counter.flow_share == 1.0,
            speaks.location,
        )
        counter.seq += 1
        counter.air[:] = 0.0
        counter.begin_us = self.now_us
        if not counter.online:
            counter.held.append(measurement)
            return
        for _ in range(2 if counter.twice else 1):
            yield Counted(self.now_us, sensor.id, measurement)

    def _incidents(self) -> Iterator[Emission]:
        """What the incidents of this moment do to the sensors themselves."""
        active = self._timeline.active(self.now_us)
        for counter in self._counters:
            mine = [x for x in active if getattr(x.incident, "sensor", None) == counter.sensor.id]
            yield from self._power(counter, mine)
            yield from self._network(counter, mine)
            counter.twice = any(isinstance(x.incident, s.Repeats) for x in mine)
            counter.flow_share = min(
                (x.incident.share for x in mine if isinstance(x.incident, s.FlowFault)), default=1.0
            )

    def _power(self, counter: _Counter, mine: list[Active]) -> Iterator[Emission]:
        unplugged = [x.incident for x in mine if isinstance(x.incident, s.SensorUnplugged)]
        if counter.powered and unplugged:
            counter.powered = False
            if counter.online:
                yield Went(self.now_us, counter.sensor.id, counter.boot, unplugged[0].presence == "will")
            counter.online = True
            counter.held.clear()
        elif not counter.powered and not unplugged:
            counter.powered = True
            counter.boot = boot_id(self.now_us)
            counter.seq = 0
            counter.air[:] = 0.0
            counter.begin_us = next_whole(self.now_us, counter.interval_us)
            yield Came(self.now_us, counter.sensor.id, counter.boot)
        elif not counter.powered:
            counter.begin_us = next_whole(self.now_us, counter.interval_us)

    def _network(self, counter: _Counter, mine: list[Active]) -> Iterator[Emission]:
        lost = any(isinstance(x.incident, s.NetworkLost) for x in mine)
        if not counter.powered:
            return
        if counter.online and lost:
            counter.online = False
            yield Went(self.now_us, counter.sensor.id, counter.boot, abrupt=True)
        elif not counter.online and not lost:
            counter.online = True
            yield Came(self.now_us, counter.sensor.id, counter.boot)
            for measurement in counter.held:
                yield Counted(self.now_us, counter.sensor.id, measurement)
            counter.held.clear()


def boot_id(at_us: int) -> str:
    """The boot id of a sensor that was switched on at this instant."""
    return f"b{at_us:x}"


def next_whole(at_us: int, interval_us: int) -> int:
    """The first whole multiple of the interval at or after an instant: sensors start on the clock's own marks."""
    return -(-at_us // interval_us) * interval_us
