"""A sensor's own clock: it may run fast or slow, and may have been set wrong.

Two errors that act differently. Drift stretches the sensor's intervals: it samples by its own seconds, and what it
says lies end to end. A jump changes only what it writes on its readings. All in whole microseconds; the fraction of one
that an interval leaves is carried on, so a drift of 1.5 parts per million is one also at short intervals.
"""

from __future__ import annotations


class SensorClock:
    """Own time is true time plus `drift_us`; readings are stamped with own time plus `jump_us`."""

    def __init__(self, own_ppm: float) -> None:
        self._own_ppm = own_ppm
        self._ppm = own_ppm
        self._rest_us = 0.0
        self.drift_us = 0
        self.jump_us = 0

    def own_us(self, at_us: int) -> int:
        """The sensor's time, jumps left out."""
        return at_us + self.drift_us

    def run(self, extra_ppm: float) -> None:
        """From now on it runs so much faster than it always does."""
        self._ppm = self._own_ppm + extra_ppm

    def set_right(self) -> None:
        """Somebody sets it by the true time."""
        self.drift_us = 0
        self._rest_us = 0.0

    def true_us(self, own_us: int) -> int:
        """How long it really takes until so much own time has passed; the drift grows by the difference."""
        if self._ppm == 0.0:
            return own_us
        exact = own_us / (1.0 + self._ppm * 1e-6) + self._rest_us
        whole = round(exact)
        self._rest_us = exact - whole
        self.drift_us += own_us - whole
        return whole
