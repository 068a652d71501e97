"""One sensor at work: it samples along its route, counts what its air held, misbehaves, and says what it believes.

What its location's air held is added to its row of a table that all sensors share, which `simulation` does for all at
once while `begin_us < now <= end_us`; it is told what goes wrong (`suffer`) and when its sample is over (`finish`). It
sends nothing and knows no other sensor, so what becomes of its readings on the way is `simulation`'s.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime

import numpy as np
from numpy.typing import NDArray

from motewatch.site.models import Sensor
from motewatch_simulator import misbehaviour as wrong
from motewatch_simulator import scenario as s
from motewatch_simulator.chain import Chain
from motewatch_simulator.climate import RoomClimate
from motewatch_simulator.clock import micros
from motewatch_simulator.counting import cumulative
from motewatch_simulator.dispersion import GammaFactor, LogOuFactor
from motewatch_simulator.emissions import Measurement
from motewatch_simulator.misbehaviour import Misbehaviour, Ongoing
from motewatch_simulator.route import Ports, Route, Spot, Tour, carry_over_s
from motewatch_simulator.sensor_clock import SensorClock
from motewatch_simulator.spectra import Array
from motewatch_simulator.timeline import SECOND_US, micros_of


class Instrument:
    """A sensor of the site with its settings from the scenario."""

    def __init__(
        self,
        sensor: Sensor,
        speaks: s.Counter,
        scenario: s.Scenario,
        grid_um: Sequence[float],
        columns: Mapping[str, int],
        air: Array,
        *,
        draw_rng: np.random.Generator,
        own_rng: np.random.Generator,
        start_us: int,
    ) -> None:
        """`draw_rng` draws its counts; `own_rng` everything else about it. `columns` are those of the locations.

        `air` is its row of the table, particles x s / m3 per bin, and empty.
        """
        self.id = sensor.id
        self.boot = boot_id(start_us)
        self.powered = self.online = True
        self.ongoing: list[Ongoing] = []
        self.held: list[Measurement] = []
        """What waits for the network."""
        self.late_per_s: float | None = None
        """How fast that goes out when it is back; None: at once."""
        chain_rng, spread_rng, chance_rng, self.fault_rng = own_rng.spawn(4)
        self.misbehaviour = Misbehaviour(sensor.id, scenario.incidents, chance_rng, start_us)
        self._sensor = sensor
        self._speaks = speaks
        self._columns = columns
        self._rng = draw_rng
        self.sizes_um = speaks.sizes_um or sensor.sizes_um
        self._portable = sensor.kind == "portable"
        self._route = _route(sensor, speaks, start_us)
        self._chain = Chain(
            grid_um,
            self.sizes_um,
            sensor.flow_l_min,
            response=response_of(sensor, speaks, scenario),
            tubes=_tubes(speaks),
            max_per_m3=sensor.max_concentration_per_m3,
            rng=chain_rng,
        )
        self._factor = _factor(speaks.dispersion, spread_rng)
        self._clock = SensorClock(speaks.clock_ppm)
        self._air = air
        self._residue = np.zeros(len(grid_um))
        """Mean concentration at the port before, still in a manifold's line."""
        self._shown: tuple[int, ...] | None = None
        self._ended_us = start_us
        self._seq = 0
        self._plan(start_us)

    def suffer(self, ongoing: list[Ongoing], now_us: int) -> None:
        """Other faults go on from now."""
        before, self.ongoing = self.ongoing, ongoing
        self._settle()
        clock = self._clock
        clock.run(sum(x.fault.ppm for x in ongoing if isinstance(x.fault, s.ClockDrift)))
        if any(isinstance(x.fault, s.ClockDrift) and x.fault.resync and x not in ongoing for x in before):
            clock.set_right()
        jumps = [(x, x.fault) for x in ongoing if isinstance(x.fault, s.ClockJump)]
        clock.jump_us = sum(_jump_us(fault, x.since_us + clock.drift_us) for x, fault in jumps)

    @property
    def plain(self) -> bool:
        """Does it stay, sample without a pause by a good clock, and do nothing wrong or wanton?"""
        return (
            isinstance(self._route, Spot)
            and self._route.sample_us == self._route.interval_us
            and self._factor is None
            and self._speaks.clock_ppm == 0
            and not self.misbehaviour
        )

    @property
    def interval_us(self) -> int:
        """How long a sample lasts."""
        return self._visit.duration_us

    def count_many(self, airs: Array) -> NDArray[np.int64]:
        """Differential counts of samples one after the other, of which each row is the air; for a `plain` one."""
        expected = self._chain.expected_many(airs, self._visit.duration_us / SECOND_US)
        return np.asarray(self._rng.poisson(expected), dtype=np.int64)

    def switch_on(self, now_us: int) -> None:
        """Power is back: another boot, and the next whole sample."""
        self.powered = True
        self.boot = boot_id(now_us)
        self._seq = 0
        self._shown = None
        self._air[:] = 0.0
        self._plan(now_us)

    def finish(self, climate: RoomClimate, now_us: int) -> Measurement:
        """The sample is over: count, show, and begin the next one."""
        visit, seconds = self._visit, self._visit.duration_us / SECOND_US
        differential = self._count(now_us, seconds)
        ongoing, reports = self.ongoing, self._speaks.climate
        as_counted = (self._speaks.counts == "differential") != wrong.kind_mixed_up(ongoing)
        values = differential if as_counted else cumulative(differential)
        pressure = climate.pressure_pa if "pressure-difference" in reports else None
        measurement = Measurement(
            self.id,
            self.boot,
            self._seq,
            visit.begin_us + self._clock.jump_us,
            visit.duration_us,
            round(self._sensor.flow_l_min * visit.duration_us / 60),
            self._speaks.counts,
            self.sizes_um,
            wrong.said(values, ongoing),
            # Sensors of climate show tenths, so repeated values are normal.
            round(climate.temperature_c, 1) if "temperature" in reports else None,
            round(climate.humidity_pct, 1) if "humidity" in reports else None,
            None if pressure is None else round(pressure, 1),
            not ongoing or wrong.flow_status(ongoing, now_us),
            visit.location if self._portable else None,
            not ongoing or wrong.laser_status(ongoing, now_us),
        )
        self._seq += 1
        self._air[:] = 0.0
        self._ended_us = now_us
        self._plan(now_us)
        return measurement

    def _count(self, now_us: int, seconds: float) -> tuple[int, ...]:
        """Differential counts of the sample as the sensor takes them for true."""
        flow_share = wrong.flow_share(self.ongoing, now_us)
        air = self._inlet(seconds, flow_share)
        if self._factor is not None:
            air = air * self._factor.next((now_us - self._ended_us) / SECOND_US)
        if not self.ongoing:
            expected = self._chain.expected(air, seconds, port=self._visit.port)
            self._shown = tuple(self._rng.poisson(expected).tolist())
            return self._shown
        expected = self._chain.expected(
            air,
            seconds,
            port=self._visit.port,
            flow_share=flow_share,
            shift=wrong.threshold_shift(self.ongoing, now_us),
        )
        expected[0] += wrong.noise_in_first(self.ongoing, self.sizes_um[0], seconds)
        drawn = tuple(self._rng.poisson(expected).tolist())
        extra = wrong.burst_counts(self.ongoing, self.sizes_um, seconds, self.fault_rng)
        counted = tuple(a + b for a, b in zip(drawn, extra, strict=True))
        self._shown = wrong.shown(counted, self._shown, self.ongoing)
        return self._shown

    def _inlet(self, seconds: float, flow_share: float) -> Array:
        """What reaches the optics: a manifold still holds some air of the port before."""
        manifold = self._speaks.manifold
        if manifold is None:
            return self._air
        carried_s = carry_over_s(
            manifold.purge_s, seconds, self._chain.flow_m3_s * flow_share, manifold.line_l / 1000.0
        )
        here = self._air / seconds
        air = self._air + (self._residue - here) * carried_s + self._residue * (manifold.wall_share * seconds)
        self._residue = here
        return air

    def _plan(self, now_us: int) -> None:
        """Look for the next sample by its own clock, and set when it really begins and ends."""
        own_us = self._clock.own_us(now_us)
        self._visit = self._route.next(own_us)
        self.begin_us = now_us + self._clock.true_us(self._visit.begin_us - own_us)
        self.end_us = self.begin_us + self._clock.true_us(self._visit.duration_us)
        self._settle()

    def _settle(self) -> None:
        """Find where its air comes from, whatever it says."""
        self.location = wrong.place_instead(self.ongoing) or self._visit.location
        self.column = self._columns[self.location]


def response_of(sensor: Sensor, speaks: s.Counter, scenario: s.Scenario) -> s.Response | None:
    """How the sensor's optics respond; one whose laser ages has at least the ordinary response."""
    if speaks.response is not None or scenario.response is not None:
        return speaks.response or scenario.response
    ages = any(isinstance(x, s.LaserAgeing) and x.sensor in (sensor.id, s.EVERY) for x in scenario.incidents)
    return s.Response() if ages else None


def boot_id(at_us: int) -> str:
    """The boot id of a sensor that was switched on at this instant."""
    return f"b{at_us:x}"


def _route(sensor: Sensor, speaks: s.Counter, start_us: int) -> Route:
    if speaks.manifold is not None:
        ports = tuple(port.location for port in speaks.manifold.ports)
        return Ports(ports, micros_of(speaks.manifold.dwell_s), micros_of(speaks.manifold.purge_s))
    interval_us = micros_of(sensor.interval_s)
    sample_us = interval_us if speaks.sample_s is None else micros_of(speaks.sample_s)
    if speaks.tour is not None:
        stops = tuple((stop.location, micros_of(stop.stay_s)) for stop in speaks.tour.stops)
        return Tour(start_us, stops, micros_of(speaks.tour.travel_s), interval_us, sample_us)
    location = sensor.location or speaks.location
    assert location is not None, "the scenario file is checked against the site"
    return Spot(location, interval_us, sample_us)


def _tubes(speaks: s.Counter) -> list[s.Tubing | None]:
    return [speaks.tube] if speaks.manifold is None else [port.tube for port in speaks.manifold.ports]


def _factor(dispersion: s.Dispersion | None, rng: np.random.Generator) -> GammaFactor | LogOuFactor | None:
    match dispersion:
        case s.Gamma():
            return GammaFactor(dispersion.alpha, rng, dispersion.zero_share)
        case s.LogOu():
            return LogOuFactor(dispersion.sd, dispersion.tau_min * 60.0, rng)
        case _:
            return None


def _jump_us(fault: s.ClockJump, at_us: int) -> int:
    if fault.epoch is not None:
        return micros(datetime(fault.epoch, 1, 1, tzinfo=UTC)) - at_us
    return micros_of(fault.step_s or 0.0)
