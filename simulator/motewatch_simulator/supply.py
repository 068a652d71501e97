"""What share of its supply each room gets: fans that run slow, trip and restart, and night set-back.

Ramps go in steps, because the balance is exact only while the supply stands still (own choice: ten steps). A pure
function of the instant. Knows nothing of particles.
"""

from __future__ import annotations

from collections.abc import Iterator

from motewatch.site.schedule import WeeklyWindows
from motewatch_simulator import scenario as s
from motewatch_simulator.timeline import Active, micros_of

STEPS = 10


class Supply:
    """The fans of a scenario. Rooms in the order of the scenario."""

    def __init__(self, scenario: s.Scenario, time_zone: str) -> None:
        self._rooms = {plant.id: i for i, plant in enumerate(scenario.rooms)}
        self._setbacks = [
            (i, plant.setback_share, micros_of(plant.setback_ramp_min * 60.0) // STEPS, windows)
            for i, plant in enumerate(scenario.rooms)
            if plant.setback_hours
            for windows in (WeeklyWindows.parse(plant.setback_hours, time_zone),)
        ]

    def faults(self, active: list[Active]) -> tuple[float, ...]:
        """Shares that incidents leave; pressure falls with their square."""
        shares = [1.0] * len(self._rooms)
        for x in active:
            if isinstance(x.incident, s.SupplyDrop):
                room = self._rooms[x.incident.room]
                shares[room] = min(shares[room], x.incident.share)
            elif isinstance(x.incident, s.FanTrip):
                left = _left(x, x.incident)
                for name in x.incident.rooms or self._rooms:
                    shares[self._rooms[name]] = min(shares[self._rooms[name]], left)
        return tuple(shares)

    def set_back(self, at_us: int) -> tuple[float, ...]:
        """How far each room is set back, 0 to 1."""
        depth = [0.0] * len(self._rooms)
        for i, _, step_us, windows in self._setbacks:
            # The share of the last ramp's length that lay within the hours: rises and falls in steps by itself.
            inside = sum(windows.is_operational(at_us - k * step_us) for k in range(STEPS))
            depth[i] = inside / STEPS
        return tuple(depth)

    def shares(self, faults: tuple[float, ...], depth: tuple[float, ...]) -> tuple[float, ...]:
        """Shares of the supply with faults and set-back together."""
        result = list(faults)
        for i, share, _, _ in self._setbacks:
            result[i] *= 1.0 - (1.0 - share) * depth[i]
        return tuple(result)

    def next_edge_us(self, at_us: int, active: list[Active]) -> int | None:
        """The next instant at which a share changes by itself, beyond starts and ends of incidents."""
        return min(self._edges(at_us, active), default=None)

    def _edges(self, at_us: int, active: list[Active]) -> Iterator[int]:
        for _, _, step_us, windows in self._setbacks:
            for k in range(STEPS):
                edge = windows.next_change_us(at_us - k * step_us)
                if edge is not None:
                    yield edge + k * step_us
        for x in active:
            if isinstance(x.incident, s.FanTrip):
                begin_us = at_us - x.elapsed_us
                yield from (begin_us + edge for edge in _marks(x.incident) if edge > x.elapsed_us)


def _marks(incident: s.FanTrip) -> list[int]:
    """When the share of a tripped fan changes, since its start."""
    coast, restart, whole = (micros_of(v) for v in (incident.coast_s, incident.restart_s, incident.duration_s))
    return [
        *(k * coast // STEPS for k in range(1, STEPS + 1)),
        *(max(0, whole - restart) + k * restart // STEPS for k in range(STEPS)),
    ]


def _left(x: Active, incident: s.FanTrip) -> float:
    coast, restart, whole = (micros_of(v) for v in (incident.coast_s, incident.restart_s, incident.duration_s))
    lost = 1.0
    if x.elapsed_us < coast:
        lost = (x.elapsed_us * STEPS // coast + 0.5) / STEPS
    back = x.elapsed_us - max(0, whole - restart)
    if restart and back >= 0:
        lost = min(lost, 1.0 - (back * STEPS // restart + 0.5) / STEPS)
    return 1.0 - (1.0 - incident.share) * max(0.0, lost)
