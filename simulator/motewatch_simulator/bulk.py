"""A long stretch of counts as arrays: for tables and studies, where a message for each reading would cost the time.

The numbers are those of the stream, draw for draw: a sensor's generator gives the same counts in one call for a day as
in one for each reading. So it is only for sensors that stay, sample without a pause, all at one interval, and do
nothing wrong; what happens in the rooms happens as in the stream. Climate is left out. Threads draw while the rooms go
on; how many there are changes nothing.
"""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from motewatch_simulator.errors import StreamError
from motewatch_simulator.instrument import Instrument
from motewatch_simulator.simulation import Simulation
from motewatch_simulator.spectra import Array

CHUNK = 1_440
"""Readings of each sensor in one block, a day of minutes (own choice)."""
STRETCH = 16
"""Readings over which the rooms are stepped at once: more would not fit a processor's cache (own choice)."""


@dataclass(frozen=True, slots=True)
class Block:
    """Readings of one sensor, one after the other."""

    sensor: str
    sizes_um: tuple[float, ...]
    start_us: NDArray[np.int64]
    duration_us: int
    differential: NDArray[np.int64]
    """A row for each reading, a column for each channel."""


class BulkSimulation(Simulation):
    """Plays a scenario in blocks; use either `blocks` or `emissions`, not both."""

    def blocks(self, end_us: int, *, threads: int = 2, chunk: int = CHUNK) -> Iterator[Block]:
        """Every reading that ends by `end_us`, for each chunk of time the sensors in order of the site.

        Raises `StreamError` where a sensor needs the stream.
        """
        interval_us = self._check()
        columns = self._columns
        held = np.zeros((len(self.air.locations), len(self.sizes_um)))
        begin_us = int(self._begin_us[0])
        starts: list[int] = []
        airs: list[Array] = []
        waiting: list[Future[Block]] = []
        for _ in self._turn():
            raise AssertionError("sound sensors neither come nor go")
        edge_us = self._next_edge_us()
        with ThreadPoolExecutor(threads) as pool:
            while begin_us + interval_us <= end_us:
                for to_us, seen in zip(
                    *self.air.stretch(self._marks(begin_us, interval_us, end_us, edge_us)), strict=True
                ):
                    self._excursions.take(seen, to_us)
                    if begin_us < to_us:
                        held += seen.T
                    self.now_us = to_us
                    if to_us == begin_us + interval_us:
                        starts.append(begin_us)
                        airs.append(held[columns])
                        held = np.zeros_like(held)
                        begin_us = to_us
                        if len(starts) == chunk:
                            # One chunk may be drawn while the next one is stepped; more would only fill the memory.
                            yield from (future.result() for future in waiting)
                            waiting = self._draw(pool, starts, airs, interval_us)
                            starts, airs = [], []
                if edge_us is not None and self.now_us >= edge_us:
                    list(self._turn())
                    edge_us = self._next_edge_us()
            yield from (future.result() for future in waiting)
            yield from (future.result() for future in self._draw(pool, starts, airs, interval_us))

    def _marks(self, begin_us: int, interval_us: int, end_us: int, edge_us: int | None) -> list[int]:
        """Where steps must end: at the edges of the next readings, and at the first event, beyond which is nothing."""
        first_us = begin_us if begin_us > self.now_us else begin_us + interval_us
        marks = range(first_us, end_us + 1, interval_us)[:STRETCH]
        limit_us = min((x for x in (self.air.next_event_us(), edge_us) if x is not None), default=None)
        if limit_us is None or limit_us > marks[-1]:
            return list(marks)
        return [*(mark for mark in marks if mark < limit_us), limit_us]

    def _draw(
        self, pool: ThreadPoolExecutor, starts: list[int], airs: list[Array], interval_us: int
    ) -> list[Future[Block]]:
        if not starts:
            return []
        when, air = np.array(starts, dtype=np.int64), np.array(airs)
        return [
            pool.submit(_block, instrument, when, air[:, i], interval_us)
            for i, instrument in enumerate(self._instruments)
        ]

    def _check(self) -> int:
        """The one interval of all sensors."""
        for instrument in self._instruments:
            if not instrument.plain:
                raise StreamError(
                    f'the sensor "{instrument.id}" pauses, moves, spreads, drifts or misbehaves, and blocks cannot '
                    "hold that. Draw the stream instead, or take this out of the scenario."
                )
        intervals = sorted({instrument.interval_us for instrument in self._instruments})
        if len(intervals) > 1:
            raise StreamError(
                f"sensors have intervals of {', '.join(f'{us / 1e6:g}' for us in intervals)} s, and blocks hold one. "
                "Draw the stream instead, or give all sensors one interval_s."
            )
        return intervals[0]


def _block(instrument: Instrument, start_us: NDArray[np.int64], air: Array, interval_us: int) -> Block:
    return Block(instrument.id, instrument.sizes_um, start_us, interval_us, instrument.count_many(air))
