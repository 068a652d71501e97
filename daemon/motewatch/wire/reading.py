"""From a count message that holds to its model to a reading: what several keys decide, and whole numbers.

Rules: integers from here on, counts cumulative; what cannot be used is a `RefusedError` that says why in words. On the
path of every message. Must not know topics or bytes.
"""

from __future__ import annotations

from functools import lru_cache
from itertools import accumulate
from typing import Final

from motewatch.site.instants import instant_us
from motewatch.wire.incoming import CountMessage, Counts
from motewatch.wire.records import Health, Reading, RefusalReason
from motewatch.wire.wording import not_allowed, shown

HEALTH: Final = {health.value: health for health in Health}


class RefusedError(Exception):
    """Carries a refusal out of a conversion. Never leaves `decode`."""

    def __init__(self, reason: RefusalReason, detail: str) -> None:
        self.reason = reason
        self.detail = detail
        super().__init__(detail)


def reading_of(message: CountMessage, level: str) -> Reading:
    """The reading in a message that came on the topic of the sensor `level`. Raises `RefusedError`."""
    return converted(message, level, instant_us(message.start))


def converted(message: CountMessage, level: str, start_us: int) -> Reading:
    """The same where the start is known; all else of `message` is asked by name, so its start may be anything."""
    if message.sensor != level:
        raise foreign(message.sensor, level)
    counts = message.counts
    status = message.status
    temperature = message.temperature_c
    humidity = message.humidity_pct
    pressure = message.pressure_difference_pa
    return Reading(
        level,
        message.boot,
        message.seq,
        start_us,
        round(message.duration_s * 1_000_000),
        round(message.volume_l * 1_000_000),
        sizes_nm(counts.sizes_um),
        cumulative(counts),
        None if temperature is None else round(temperature * 1000),
        None if humidity is None else round(humidity * 1000),
        None if pressure is None else round(pressure * 1000),
        HEALTH[status.flow],
        HEALTH[status.laser],
        HEALTH[status.calibration],
        message.location,
    )


@lru_cache(maxsize=1024)
def sizes_nm(sizes_um: tuple[float, ...]) -> tuple[int, ...]:
    """The sizes in whole nanometres. Cached: a sensor sends the same sizes all its life."""
    whole: list[int] = []
    for place, size_um in enumerate(sizes_um):
        size_nm = round(size_um * 1000)
        path = f"counts.sizes_um[{place}]"
        if abs(size_um * 1000 - size_nm) > 1e-6:
            rule = "must be whole nanometres: at most three decimals"
            raise RefusedError(RefusalReason.NOT_VALID, not_allowed(path, size_um, rule))
        if whole and size_nm <= whole[-1]:
            rule = f"must be greater than the size before it, {shown(sizes_um[place - 1])}"
            raise RefusedError(RefusalReason.NOT_VALID, not_allowed(path, size_um, rule))
        whole.append(size_nm)
    return tuple(whole)


def cumulative(counts: Counts) -> tuple[int, ...]:
    """The counts at or above each size. Source: a cumulative count is the sum of the differential ones from it up."""
    values = counts.values
    if len(values) != len(counts.sizes_um):
        rule = f"must have as many entries as counts.sizes_um, which has {len(counts.sizes_um)}"
        raise RefusedError(RefusalReason.NOT_VALID, not_allowed("counts.values", values, rule))
    if counts.kind == "differential":
        return tuple(accumulate(reversed(values)))[::-1]
    before = values[0]
    for place, value in enumerate(values):
        if value > before:
            rule = (
                f"is more than the {before} before it: cumulative counts (at or above a size) cannot rise with size; "
                f'write "kind": "differential" if each value counts only up to the next size'
            )
            detail = not_allowed(f"counts.values[{place}]", value, rule)
            raise RefusedError(RefusalReason.COUNTS_RISE_WITH_SIZE, detail)
        before = value
    return values


def foreign(said: str, level: str) -> RefusedError:
    """A sensor that speaks on another's topic."""
    rule = f"must be the sensor that the topic names, {shown(level)}: a sensor may only speak for itself"
    return RefusedError(RefusalReason.FOREIGN_SENSOR, not_allowed("sensor", said, rule))
