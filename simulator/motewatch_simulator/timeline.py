"""When incidents happen: pure arithmetic on the scenario's times.

An incident is active from its start until, but not at, its end. With a repeat the whole list starts anew after so many
seconds, for ever. Knows nothing of what an incident does.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from motewatch_simulator.scenario import Incident

SECOND_US = 1_000_000


def micros_of(seconds: float) -> int:
    """Seconds as whole microseconds."""
    return round(seconds * SECOND_US)


@dataclass(frozen=True, slots=True)
class Active:
    """An incident that is going on: which one, and for how long already."""

    index: int
    incident: Incident
    elapsed_us: int

    def ramp(self, ramp_s: float) -> float:
        """How far a ramp of so many seconds has come, 0 to 1."""
        return 1.0 if ramp_s <= 0 else min(1.0, self.elapsed_us / (ramp_s * SECOND_US))


class Timeline:
    """The incidents of a scenario, laid out from the start of the stream."""

    def __init__(self, incidents: Sequence[Incident], start_us: int, repeat_s: float | None) -> None:
        self._incidents = tuple(incidents)
        self._start_us = start_us
        self._repeat_us = None if repeat_s is None else micros_of(repeat_s)
        self._spans = [
            (micros_of(incident.at_s), micros_of(incident.at_s + incident.duration_s)) for incident in incidents
        ]
        self._edges = sorted({edge for span in self._spans for edge in span})

    def active(self, at_us: int) -> list[Active]:
        """What is going on at this instant, in the order of the file."""
        since_us, _ = self._position(at_us)
        return [
            Active(index, incident, since_us - begin)
            for index, (incident, (begin, end)) in enumerate(zip(self._incidents, self._spans, strict=True))
            if begin <= since_us < end
        ]

    def next_edge_us(self, after_us: int) -> int | None:
        """The next instant after this one at which something starts or ends; None where nothing more happens."""
        if not self._edges:
            return None
        since_us, origin_us = self._position(after_us)
        for edge in self._edges:
            if edge > since_us:
                return origin_us + edge
        return None if self._repeat_us is None else origin_us + self._repeat_us + self._edges[0]

    def _position(self, at_us: int) -> tuple[int, int]:
        """Time since the present round began, and the instant at which it began."""
        since_us = at_us - self._start_us
        if self._repeat_us is None or since_us < 0:
            return since_us, self._start_us
        rounds = since_us // self._repeat_us
        return since_us - rounds * self._repeat_us, self._start_us + rounds * self._repeat_us
