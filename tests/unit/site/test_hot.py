"""Hot records are what a frozen slotted dataclass is, but for the guard that nobody may lean on."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import pytest

from motewatch.engine.records import Heard, Input, SampleTaken
from motewatch.journal.rows import InputRow, OutboxRow
from motewatch.limits.judging import Judgement, Observation
from motewatch.measure.samples import Channel, Sample, Spread
from motewatch.wire.records import Reading


@dataclass(frozen=True, slots=True)
class Plain:
    """The same as `Channel`, made the usual way."""

    size_nm: int
    count: int
    volume_ul: int


def test_equality_hash_and_replacement_are_those_of_a_dataclass() -> None:
    one, plain = Channel(300, 7, 1_000), Plain(300, 7, 1_000)
    assert one == Channel(300, 7, 1_000) != Channel(300, 8, 1_000)
    assert hash(one) == hash(plain)
    assert replace(one, count=8) == Channel(300, 8, 1_000)
    assert [each.name for each in fields(one)] == [each.name for each in fields(plain)]
    assert repr(one) == repr(plain).replace("Plain", "Channel")


@pytest.mark.parametrize(
    "record",
    [
        Reading,
        Channel,
        Spread,
        Sample,
        Heard,
        Input,
        SampleTaken,
        InputRow,
        OutboxRow,
        Judgement,
        Observation,
    ],
)
def test_they_are_slotted_and_hashable(record: type) -> None:
    assert not hasattr(record, "__dict__") or "__dict__" not in dir(record)
    assert record.__hash__ is not None
    assert set(record.__slots__) == {each.name for each in fields(record)}  # type: ignore[attr-defined]
