"""Samples of one minute as the engine puts them out, for tests that fill a journal with a few of them."""

from __future__ import annotations

from motewatch.engine.records import SampleTaken
from motewatch.measure.samples import Channel, Quality, Sample
from motewatch.wire.records import MINUTE_US
from support.facility import T0

AIR_UL = 28_300_000
SIZES_NM = (500, 5000)


def taken(
    minute: int,
    *counts: int,
    location: str = "fill-1",
    quality: Quality = Quality.GOOD,
    occupancy: str = "operational",
) -> SampleTaken:
    """The sample that ends `minute` minutes after T0, of 28.3 L, with these counts at 0.5 um and 5 um."""
    end_us = T0 + minute * MINUTE_US
    return SampleTaken(
        Sample(
            location=location,
            start_us=end_us - MINUTE_US,
            end_us=end_us,
            revision=1,
            channels=tuple(Channel(size, count, AIR_UL) for size, count in zip(SIZES_NM, counts, strict=False)),
            sampled_us=MINUTE_US,
            readings=6,
            sensors=("pc-1",),
            quality=quality,
            occupancy=occupancy,
        )
    )
