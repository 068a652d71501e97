"""Streams of samples of one location for property tests: gaps, late revisions, changing states and sizes."""

from __future__ import annotations

from dataclasses import replace

from hypothesis import strategies as st

from motewatch.measure.samples import Channel, Quality, Sample, Spread
from motewatch.wire.records import SECOND_US

SIZES_NM = (500, 1000, 5000)


@st.composite
def samples(draw: st.DrawFn, start_us: int = 0, period_s: int = 60, most: int = 40) -> list[Sample]:
    """Samples of one location, oldest first, each once; periods that nobody recorded are missing."""
    made = []
    at_us = start_us
    for _ in range(draw(st.integers(1, most))):
        at_us += draw(st.sampled_from((0, 0, 0, 1, 7))) * period_s * SECOND_US
        end_us = at_us + period_s * SECOND_US
        made.append(draw(sample(at_us, end_us)))
        at_us = end_us
    return made


@st.composite
def sample(draw: st.DrawFn, start_us: int, end_us: int) -> Sample:
    """A sample of this period."""
    sizes = draw(st.sampled_from((SIZES_NM, SIZES_NM, SIZES_NM[:1], SIZES_NM[::2], ())))
    counts = sorted(draw(st.lists(st.integers(0, 5000), min_size=len(sizes), max_size=len(sizes))), reverse=True)
    volume_ul = draw(st.sampled_from((28_300_000, 1_000_000, 27_000_000)))
    climate = draw(st.none() | st.integers(18_000, 25_000))
    return Sample(
        location="l1",
        start_us=start_us,
        end_us=end_us,
        revision=draw(st.sampled_from((1, 1, 2))),
        channels=tuple(Channel(size, count, volume_ul) for size, count in zip(sizes, counts, strict=True)),
        sampled_us=(end_us - start_us) if sizes else 0,
        readings=1 if sizes else 0,
        sensors=("s1",) if sizes else (),
        quality=Quality.MISSING if not sizes else Quality(draw(st.sampled_from((0, 0, 1, 4)))),
        occupancy=draw(st.sampled_from(("at-rest", "operational"))),
        temperature=None if climate is None else Spread(2, 2 * climate, climate - 10, climate + 10),
    )


def revised(one: Sample, counts: tuple[int, ...]) -> Sample:
    """The next revision of a sample, with other counts."""
    channels = tuple(Channel(size, count, 28_300_000) for size, count in zip(SIZES_NM, counts, strict=True))
    return replace(one, revision=one.revision + 1, channels=channels, quality=Quality.GOOD)
