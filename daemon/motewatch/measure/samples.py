"""A sample: what one location's air showed in one sample period, and how good that knowledge is.

Integers throughout (counts, microlitres, microseconds, milli-units), so that a sum does not depend on the order in
which readings arrived; concentrations are derived when asked for.
"""

from __future__ import annotations

from enum import IntFlag

from motewatch.site.hot import hot_record

UL_PER_M3 = 1_000_000_000
UL_PER_L = 1_000_000
M3_PER_FT3 = 0.028316846592
"""Exact by definition of the international foot (0.3048 m)."""


class Quality(IntFlag):
    """What is wrong with a sample; 0 is a good one."""

    GOOD = 0
    PARTIAL = 1
    """Less air than the programme asks for."""
    MISSING = 2
    """No reading at all."""
    OVER_RANGE = 4
    """Above the sensor's stated maximum concentration: the value is a lower bound."""
    FLOW_FAULT = 8
    LASER_FAULT = 16
    CALIBRATION_OVERDUE = 32
    CLOCK_SUSPECT = 64
    SEVERAL_SENSORS = 128


SUSPECT = Quality.OVER_RANGE | Quality.FLOW_FAULT | Quality.LASER_FAULT | Quality.CLOCK_SUSPECT
"""Air measured this way may show an excursion but never shows that one is over.

An overdue calibration is flagged and has its own alarm, but is not in this list: it would hold every alarm of the
location until the calibration is done (our choice)."""

INSUFFICIENT = Quality.PARTIAL | Quality.MISSING


@hot_record(frozen=True, slots=True)
class Channel:
    """One size of a sample: particles at or above `size_nm` counted in `volume_ul` of air."""

    size_nm: int
    count: int
    volume_ul: int

    @property
    def per_m3(self) -> float | None:
        """Concentration per cubic metre; None without air."""
        return self.count * UL_PER_M3 / self.volume_ul if self.volume_ul else None

    @property
    def per_ft3(self) -> float | None:
        """Concentration per cubic foot; None without air."""
        per_m3 = self.per_m3
        return None if per_m3 is None else per_m3 * M3_PER_FT3


@hot_record(frozen=True, slots=True)
class Spread:
    """A climate value over a sample: number of readings, sum, least and greatest, in milli-units."""

    n: int
    total: int
    low: int
    high: int

    @property
    def mean(self) -> float:
        """Mean in whole units (degrees Celsius, percent, pascal)."""
        return self.total / self.n / 1000


@hot_record(frozen=True, slots=True)
class Sample:
    """One revision of one location's sample for the period `(start_us, end_us]`.

    `revision` starts at 1; late data make the next one, and the earlier stays on record. `occupancy` is the room's
    state at the start of the period and picked the limits.
    """

    location: str
    start_us: int
    end_us: int
    revision: int
    channels: tuple[Channel, ...]
    sampled_us: int
    readings: int
    sensors: tuple[str, ...]
    quality: Quality
    occupancy: str
    temperature: Spread | None = None
    humidity: Spread | None = None
    pressure: Spread | None = None

    @property
    def coverage(self) -> float:
        """Sampled time as a share of the period, 0 to 1."""
        return min(1.0, self.sampled_us / (self.end_us - self.start_us))

    def channel(self, size_nm: int) -> Channel | None:
        """The channel of exactly this size, or None where it was not measured."""
        for channel in self.channels:
            if channel.size_nm == size_nm:
                return channel
        return None
