"""Readings of one location and one period, added up into a sample.

Rules: only integers are added and only sets are joined, so the order of arrival cannot show in the result. Each size
has its own volume of air: sensors with other channels may measure at the same location. A closed sample can be
reopened for a late reading, and closes again as if the reading had come in time. Must not know whether a reading was
already counted (the engine asks by sensor, boot and sequence), how long a period waits, or what the limits are.
"""

from __future__ import annotations

from collections.abc import Iterable
from functools import lru_cache
from operator import add
from typing import Any

from motewatch.measure.samples import Channel, Quality, Sample, Spread
from motewatch.wire.records import Reading

_FOUND_ON_CLOSING = Quality.PARTIAL | Quality.MISSING | Quality.SEVERAL_SENSORS
_NOTED_WITH_READINGS = ~int(_FOUND_ON_CLOSING)


class Accumulator:
    """One location's air in the period `(start_us, end_us]`, while it is still being added up."""

    __slots__ = (
        "_groups",
        "_humidity",
        "_pressure",
        "_quality",
        "_readings",
        "_sampled_us",
        "_sensors",
        "_temperature",
        "end_us",
        "location",
        "start_us",
    )

    def __init__(self, location: str, start_us: int, end_us: int) -> None:
        if end_us <= start_us:
            raise ValueError(f"the period of {location} ends at {end_us} us, not after its start at {start_us} us")
        self.location = location
        self.start_us = start_us
        self.end_us = end_us
        # Sizes that are always counted together share one list: volume first, then a count for each size.
        self._groups: dict[tuple[int, ...], list[int]] = {}
        self._sampled_us = 0
        self._readings = 0
        self._sensors: set[str] = set()
        self._quality = 0
        self._temperature: list[int] | None = None
        self._humidity: list[int] | None = None
        self._pressure: list[int] | None = None

    def add(self, reading: Reading, quality: Quality) -> None:
        """Add one reading and what is to be said against its air. The caller answers for adding each one once."""
        group = self._groups.get(reading.sizes_nm)
        if group is None:
            self._groups[reading.sizes_nm] = [reading.volume_ul, *reading.counts]
        else:
            group[:] = map(add, group, (reading.volume_ul, *reading.counts))
        self._sampled_us += reading.duration_us
        self._readings += 1
        self._sensors.add(reading.sensor)
        if quality:
            self._quality |= int(quality)
        value = reading.temperature_mc
        if value is not None:
            self._temperature = _spread_with(self._temperature, value)
        value = reading.humidity_mpct
        if value is not None:
            self._humidity = _spread_with(self._humidity, value)
        value = reading.pressure_mpa
        if value is not None:
            self._pressure = _spread_with(self._pressure, value)

    def to_sample(self, revision: int, occupancy: str, min_coverage: float, nominal_ul: int | None) -> Sample:
        """The sample so far.

        Coverage is sampled time as a share of the period and, where `nominal_ul` is given, also sampled air as a
        share of it; the smaller counts. Below `min_coverage` (0 to 1) the sample is partial. Sampled time of several
        sensors is added up: which of them measured at once is no longer known when a sample is reopened.
        """
        channels = tuple([Channel(size, count, volume) for size, count, volume in self._by_size()])
        quality = self._quality
        if self._readings == 0:
            quality |= int(Quality.MISSING)
        else:
            air_ul = max([channel.volume_ul for channel in channels], default=0)
            # Quotients, not products: 54 s of 60 s is then exactly the 0.9 that was asked for.
            coverage = self._sampled_us / (self.end_us - self.start_us)
            if nominal_ul:
                coverage = min(coverage, air_ul / nominal_ul)
            if coverage < min_coverage or air_ul == 0:
                quality |= int(Quality.PARTIAL)
        if len(self._sensors) > 1:
            quality |= int(Quality.SEVERAL_SENSORS)
        return Sample(
            location=self.location,
            start_us=self.start_us,
            end_us=self.end_us,
            revision=revision,
            channels=channels,
            sampled_us=self._sampled_us,
            readings=self._readings,
            sensors=tuple(sorted(self._sensors)),
            quality=_quality(quality),
            occupancy=occupancy,
            temperature=_spread(self._temperature),
            humidity=_spread(self._humidity),
            pressure=_spread(self._pressure),
        )

    @classmethod
    def from_sample(cls, sample: Sample) -> Accumulator:
        """Reopen a closed sample. Its revision and occupancy are left to the caller."""
        self = cls(sample.location, sample.start_us, sample.end_us)
        self._group((channel.size_nm, channel.count, channel.volume_ul) for channel in sample.channels)
        self._sampled_us = sample.sampled_us
        self._readings = sample.readings
        self._sensors = set(sample.sensors)
        self._quality = int(sample.quality) & _NOTED_WITH_READINGS
        self._temperature = _listed(sample.temperature)
        self._humidity = _listed(sample.humidity)
        self._pressure = _listed(sample.pressure)
        return self

    def to_state(self) -> list[Any]:
        """Whole numbers, texts and lists of them, for a snapshot; the same for the same readings in any order."""
        return [
            self.location,
            self.start_us,
            self.end_us,
            [list(values) for values in self._by_size()],
            self._sampled_us,
            self._readings,
            sorted(self._sensors),
            self._quality,
            *(None if values is None else list(values) for values in self._climate()),
        ]

    @classmethod
    def from_state(cls, state: list[Any]) -> Accumulator:
        """The accumulator that `to_state` took apart."""
        location, start_us, end_us, by_size, sampled_us, readings, sensors, quality, *climate = state
        self = cls(location, start_us, end_us)
        self._group((size, count, volume) for size, count, volume in by_size)
        self._sampled_us = sampled_us
        self._readings = readings
        self._sensors = set(sensors)
        self._quality = quality
        self._temperature, self._humidity, self._pressure = (None if v is None else list(v) for v in climate)
        return self

    def _climate(self) -> tuple[list[int] | None, list[int] | None, list[int] | None]:
        return self._temperature, self._humidity, self._pressure

    def _by_size(self) -> list[tuple[int, int, int]]:
        """Size, count and volume, by rising size."""
        if len(self._groups) == 1:
            ((sizes, (volume, *counts)),) = self._groups.items()
            return sorted([(size, count, volume) for size, count in zip(sizes, counts, strict=True)])
        sums: dict[int, tuple[int, int]] = {}
        for sizes, (volume, *counts) in self._groups.items():
            for size, count in zip(sizes, counts, strict=True):
                before_count, before_volume = sums.get(size, (0, 0))
                sums[size] = (before_count + count, before_volume + volume)
        return sorted((size, count, volume) for size, (count, volume) in sums.items())

    def _group(self, by_size: Iterable[tuple[int, int, int]]) -> None:
        """Sizes with the same volume most probably came from the same readings: put them back together."""
        volumes: dict[int, list[tuple[int, int]]] = {}
        for size, count, volume in by_size:
            volumes.setdefault(volume, []).append((size, count))
        for volume, pairs in volumes.items():
            self._groups[tuple(size for size, _ in pairs)] = [volume, *(count for _, count in pairs)]


@lru_cache(maxsize=256)
def _quality(bits: int) -> Quality:
    """The flags of a sum of them. Remembered: making them costs a microsecond."""
    return Quality(bits)


def _spread_with(values: list[int] | None, value: int) -> list[int]:
    """Number, sum, least and greatest with one more value in them; `values` is changed in place."""
    if values is None:
        return [1, value, value, value]
    values[0] += 1
    values[1] += value
    if value < values[2]:
        values[2] = value
    elif value > values[3]:
        values[3] = value
    return values


def _spread(values: list[int] | None) -> Spread | None:
    return None if values is None else Spread(*values)


def _listed(spread: Spread | None) -> list[int] | None:
    return None if spread is None else [spread.n, spread.total, spread.low, spread.high]
