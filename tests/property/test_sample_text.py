"""The quick encoder of samples writes what the other one writes: the record compares and hashes the text."""

from __future__ import annotations

import json

from hypothesis import example, given
from hypothesis import strategies as st

from motewatch.engine.codec import canonical, output_from, sample_to_plain
from motewatch.engine.records import SampleTaken
from motewatch.measure.samples import Channel, Quality, Sample, Spread

whole = st.integers(-(2**63), 2**64 - 1)
beyond = st.integers(2**64, 2**80) | st.integers(-(2**80), -(2**63) - 1)
text = st.text(st.characters(codec=None), max_size=12)
spreads = st.none() | st.builds(Spread, whole, whole, whole, whole)
samples = st.builds(
    Sample,
    location=text,
    start_us=whole,
    end_us=whole | beyond,
    revision=whole,
    channels=st.lists(st.builds(Channel, whole, whole | beyond, whole), max_size=4).map(tuple),
    sampled_us=whole,
    readings=whole,
    sensors=st.lists(text, max_size=3).map(tuple),
    quality=st.integers(0, 255).map(Quality),
    occupancy=text,
    temperature=spreads,
    humidity=spreads,
    pressure=spreads,
)
ODD = Sample('"\\/\x00\x1f\x7f\x80\u2028\ud800é\U0001f600', 0, 1, 1, (), 0, 0, ("\b\f\n\r\t",), Quality.GOOD, "")


@given(samples)
@example(ODD)
def test_a_sample_is_written_as_before_and_comes_back(sample: Sample) -> None:
    written = canonical(SampleTaken(sample))
    assert written == json.dumps(sample_to_plain(sample), ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    assert output_from("sample", written) == SampleTaken(sample)
