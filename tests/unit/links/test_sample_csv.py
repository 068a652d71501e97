"""CSV files of samples: what is read, and every mistake with line, column, value and mend."""

from __future__ import annotations

from pathlib import Path

import pytest

from motewatch.links.sample_csv import (
    SampleFileError,
    decay_from_text,
    read_decay,
    read_samples,
    samples_from_text,
)
from motewatch.measure.samples import Channel
from motewatch.wire.records import MINUTE_US, SECOND_US

ROOT = Path(__file__).parents[3]
BAD = ROOT / "tests" / "data" / "classify-bad.csv"


def mistakes(text: str) -> list[tuple[str, str]]:
    with pytest.raises(SampleFileError) as refused:
        samples_from_text(text, "x.csv")
    assert all(problem.file == "x.csv" and problem.mend for problem in refused.value.problems)
    return [(problem.key, problem.value) for problem in refused.value.problems]


def test_a_file_as_documented() -> None:
    found = samples_from_text(
        "# a remark\n\nlocation,x_m,y_m,sample,volume_l,duration_s,ge_0.5um,ge_5um\n"
        "A,1.5,2,1,28.3,60,100,3\nA,1.5,2,2,28.3,,90,0\nB,,,1,2.0005,12.5,7,7\n"
    )
    assert found.sizes_nm == (500, 5000)
    a, second, b = found.samples
    assert (a.location, a.number, a.x_m, a.y_m, a.duration_us) == ("A", 1, 1.5, 2.0, 60 * SECOND_US)
    assert a.channels == (Channel(500, 100, 28_300_000), Channel(5000, 3, 28_300_000))
    assert (second.number, second.duration_us) == (2, None)
    assert (b.x_m, b.y_m, b.channels[0].volume_ul, b.duration_us) == (None, None, 2_000_500, 12_500_000)


def test_samples_are_numbered_where_no_column_does_it() -> None:
    found = samples_from_text("location,volume_l,ge_0.5um\nA,2,1\nB,2,1\nA,2,5\n")
    assert [(each.location, each.number) for each in found.samples] == [("A", 1), ("B", 1), ("A", 2)]


@pytest.mark.parametrize("title", ["ge_0.5um", "ge_0.5_um", ">=0.5um", ">= 0.5 um", "≥0.5 µm", "GE_0.5UM"])
def test_titles_of_counts(title: str) -> None:
    assert samples_from_text(f"location,volume_l,{title}\nA,2,1\n").sizes_nm == (500,)


@pytest.mark.parametrize("separator", [";", "\t"])
def test_other_separators_take_a_decimal_comma(separator: str) -> None:
    text = "location;x_m;y_m;volume_l;>=0,5 um\nA;1,5;2;28,3;100\n".replace(";", separator)
    (only,) = samples_from_text(text).samples
    assert (only.x_m, only.channels) == (1.5, (Channel(500, 100, 28_300_000),))


def test_columns_of_sizes_may_stand_in_any_order() -> None:
    (only,) = samples_from_text("ge_5um,location,ge_0.5um,volume_l\n1,A,100,2\n").samples
    assert [(channel.size_nm, channel.count) for channel in only.channels] == [(500, 100), (5000, 1)]


def test_every_mistake_of_a_file_is_told_with_its_place() -> None:
    with pytest.raises(SampleFileError) as refused:
        read_samples(BAD)
    told = [(problem.key, problem.value) for problem in refused.value.problems]
    assert told == [
        ("line 4, column sample", '"1"'),
        ("line 5, column y_m", '""'),
        ("line 6, column volume_l", '"0"'),
        ("line 7, column ge_0.5um", '"-4"'),
        ("line 8, column ge_0.5um", '"12.5"'),
        ("line 9, column ge_0.5um", '"nan"'),
        ("line 10, column ge_5um", '"41"'),
        ("line 11, column ge_0.5um", '""'),
        ("line 12, column location", '""'),
        ("line 13, column volume_l", '"twenty"'),
        ("line 14", ""),
        ("line 15, column x_m", '"9.0"'),
    ]
    text = str(refused.value)
    assert f'{BAD}: line 10, column ge_5um = "41": more than the 40 of ge_0.5um' in text
    assert "Sum differential counts up from the largest size" in text
    assert "with a decimal comma use semicolons" in text


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("", [("", "")]),
        ("# only a remark\n", [("", "")]),
        ("location,volume_l,ge_0.5um\n", [("", "")]),
        ("locaton,volume_l,ge_0.5um\nA,2,1\n", [("line 1", '"locaton"'), ("line 1", "")]),
        ("location,volume_l\nA,2\n", [("line 1", "")]),
        ("location,volume_l,ge_0.5um,ge_0.5um\nA,2,1,1\n", [("line 1", '"ge_0.5um"')]),
        ("location,volume_l,ge_0.5um,>=0.5 um\nA,2,1,1\n", [("line 1", '">=0.5 um"')]),
        ("location,volume_l,ge_500um\nA,2,1\n", [("line 1", '"ge_500um"')]),
        ("location,volume_l,ge_0.5um\nA,inf,1\n", [("line 2, column volume_l", '"inf"')]),
        ("location,volume_l,ge_0.5um\nA,9e99,1\n", [("line 2, column volume_l", '"9e99"')]),
        ("location,volume_l,ge_0.5um\nA,-2,1\n", [("line 2, column volume_l", '"-2"')]),
        ("location,volume_l,duration_s,ge_0.5um\nA,2,0,1\n", [("line 2, column duration_s", '"0"')]),
        ("location,volume_l,ge_0.5um\nA,2\n", [("line 2, column ge_0.5um", '""')]),
        ("location,volume_l,sample,ge_0.5um\nA,2,0,1\n", [("line 2, column sample", '"0"')]),
    ],
)
def test_files_that_cannot_be_used(text: str, expected: list[tuple[str, str]]) -> None:
    assert mistakes(text) == expected


def test_a_misspelt_title_is_guessed() -> None:
    with pytest.raises(SampleFileError, match='Did you mean "volume_l"'):
        samples_from_text("location,volume,ge_0.5um\nA,2,1\n")


def test_bytes_that_are_no_text(tmp_path: Path) -> None:
    path = tmp_path / "x.csv"
    path.write_bytes("location,volume_l,ge_0.5µm\n".encode("latin-1"))
    with pytest.raises(SampleFileError, match="Save it as CSV in UTF-8"):
        read_samples(path)
    with pytest.raises(FileNotFoundError):
        read_samples(tmp_path / "none.csv")


def test_a_byte_order_mark_and_windows_line_ends(tmp_path: Path) -> None:
    path = tmp_path / "x.csv"
    path.write_bytes(b"\xef\xbb\xbflocation,volume_l,ge_0.5um\r\nA,2,1\r\n")
    assert len(read_samples(path).samples) == 1


def test_a_decay_file() -> None:
    found = decay_from_text("location,time_min,volume_l,ge_0.5um\nA,0,28.3,900\nB,0,28.3,5\nA,0.5,28.3,400\n")
    assert list(found.streams) == ["A", "B"]
    stream = found.stream("A", 500)
    assert [(each.at_us, each.count, each.volume_ul) for each in stream] == [
        (0, 900, 28_300_000), (MINUTE_US // 2, 400, 28_300_000),
    ]  # fmt: skip
    assert found.stream("A", 5000) == ()


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("time_s,volume_l,ge_0.5um\n0,28.3,9\n0,28.3,8\n", "not after line 2"),
        ("volume_l,ge_0.5um\n28.3,9\n", "one column of times"),
        ("time_s,time_min,volume_l,ge_0.5um\n0,0,28.3,9\n", "one column of times"),
        ("time_s,volume_l,ge_0.5um\nsoon,28.3,9\n", 'column time_s = "soon"'),
    ],
)
def test_decay_files_that_cannot_be_used(text: str, told: str) -> None:
    with pytest.raises(SampleFileError, match=told):
        decay_from_text(text)


def test_the_examples_can_be_read() -> None:
    examples = ROOT / "config" / "examples"
    assert len({each.location for each in read_samples(examples / "classification-samples.csv").samples}) == 10
    assert len(read_decay(examples / "recovery-decay.csv").stream("", 500)) == 66
