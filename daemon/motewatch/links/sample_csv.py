"""Samples from a CSV file: those of a classification test, and the stream of a recovery test.

Rules: one line is one sample. The separator is a comma, a semicolon or a tab, whichever the line of titles holds; with
a semicolon or a tab a decimal comma is understood. Lines that begin with `#` and empty lines are skipped. Every
mistake is told at once, each with line, column, value and how to mend it. Nothing is guessed: an empty count is a
mistake, not a zero.

Columns of a classification: `location`; `x_m`, `y_m` (metres, both or none); `sample` (number, absent: counted);
`volume_l`; `duration_s` (optional); one `ge_0.5um` for each size, with cumulative counts (at or above the size).
Columns of a recovery: `time_s` or `time_min` (the same moment of each sample, rising), `volume_l`, `location`
(optional), and counts as above. A stream of samples, read line by line while it is written, has `volume_l` and counts.

Only `read_samples` and `read_decay` touch a file. Must not know classes or limits.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from decimal import Decimal, InvalidOperation
from itertools import pairwise
from pathlib import Path

from motewatch.limits.recovery import DecaySample
from motewatch.limits.single_samples import SingleSample
from motewatch.links.errors import LinkError
from motewatch.measure.samples import UL_PER_L, Channel
from motewatch.site.basics import size_text
from motewatch.site.findings import did_you_mean
from motewatch.site.problems import Problem, quoted
from motewatch.wire.records import MINUTE_US, SECOND_US

_SIZE = re.compile(r"(?:ge[_ ]?|>=|≥)\s*(\d+(?:[.,]\d+)?)[_ ]?[uµμ]m", re.IGNORECASE)
_WHOLE = re.compile(r"\d{1,15}")
_SEPARATORS = ",;\t"
_LARGEST_L = 1_000_000
_LARGEST_SIZE_UM = 100
_TIMES = {"time_s": SECOND_US, "time_min": MINUTE_US}
_SAMPLE_COLUMNS = ("location", "x_m", "y_m", "sample", "volume_l", "duration_s")
_DECAY_COLUMNS = ("location", "time_s", "time_min", "volume_l")
_STREAM_COLUMNS = ("sample", "time_s", "time_min", "volume_l")


class SampleFileError(LinkError):
    """The file cannot be used: each of the `problems` names line, column and value, and how to mend it."""

    final = True

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))


@dataclass(frozen=True, slots=True)
class SampleFile:
    """What a file of a classification holds."""

    samples: tuple[SingleSample, ...]
    sizes_nm: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class DecayFile:
    """What a file of a recovery holds: for each location (empty: no such column) its lines, in the file's order."""

    streams: dict[str, tuple[tuple[int, int, tuple[Channel, ...]], ...]]
    """Time in microseconds, air in microlitres, counts by size."""
    sizes_nm: tuple[int, ...]

    def stream(self, location: str, size_nm: int) -> tuple[DecaySample, ...]:
        """One location's samples of one size; KeyError for a location that is not there."""
        return tuple(
            DecaySample(at_us, channel.count, air_ul)
            for at_us, air_ul, channels in self.streams[location]
            for channel in channels
            if channel.size_nm == size_nm
        )


def read_samples(path: Path) -> SampleFile:
    """The samples of a classification. Raises `SampleFileError`, and OSError where the file cannot be read."""
    return samples_from_text(_text(path), str(path))


def read_decay(path: Path) -> DecayFile:
    """The streams of a recovery test. Errors as `read_samples`."""
    return decay_from_text(_text(path), str(path))


def _text(path: Path) -> str:
    try:
        return path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise SampleFileError(
            [Problem(str(path), "", "", f"this is not UTF-8 text (byte {error.start})", "Save it as CSV in UTF-8.")]
        ) from None


def samples_from_text(text: str, file: str = "") -> SampleFile:
    """As `read_samples`, from the text of a file."""
    sheet = _sheet(text, file, _SAMPLE_COLUMNS, ("location", "volume_l"))
    samples: list[SingleSample] = []
    places: dict[str, tuple[Decimal | None, Decimal | None, int]] = {}
    taken: dict[tuple[str, int], int] = {}
    for line in sheet.lines:
        location = line.label("location")
        number = line.whole("sample", least=1) if "sample" in sheet.columns else None
        if number is None:
            number = 1 + max((known for place, known in taken if place == location), default=0)
        volume_ul = line.volume()
        duration = line.number("duration_s", least_open=0) if line.given("duration_s") else None
        x_m, y_m = line.position()
        channels = line.channels(volume_ul or 1)
        if location is not None:
            line.once(taken, (location, number), "sample", f"sample {number} of location {quoted(location)}")
            known = places.setdefault(location, (x_m, y_m, line.number_in_file))
            if known[:2] != (x_m, y_m):
                line.wrong("x_m", f"line {known[2]} has this location elsewhere", "Give a location one position.")
        if line.sound:
            assert location is not None
            samples.append(
                SingleSample(
                    location,
                    number,
                    channels,
                    None if x_m is None else float(x_m),
                    None if y_m is None else float(y_m),
                    None if duration is None else int(duration * SECOND_US),
                )
            )
    sheet.finish()
    return SampleFile(tuple(samples), sheet.sizes_nm)


def decay_from_text(text: str, file: str = "") -> DecayFile:
    """As `read_decay`, from the text of a file."""
    sheet = _sheet(text, file, _DECAY_COLUMNS, ("volume_l",))
    times = [name for name in _TIMES if name in sheet.columns]
    if len(times) != 1:
        sheet.problem("", "", "a recovery needs one column of times", "Add one column, time_s or time_min.")
    streams: dict[str, list[tuple[int, int, tuple[Channel, ...]]]] = {}
    before: dict[str, tuple[int, int]] = {}
    for line in sheet.lines:
        location = (line.label("location") or "") if "location" in sheet.columns else ""
        at = line.number(times[0]) if len(times) == 1 else None
        volume_ul = line.volume()
        channels = line.channels(volume_ul or 1)
        if at is None:
            continue
        at_us = round(at * _TIMES[times[0]])
        earlier = before.get(location)
        if earlier is not None and at_us <= earlier[0]:
            line.wrong(times[0], f"not after line {earlier[1]}, and times must rise", "Sort the lines by time.")
        before[location] = (at_us, line.number_in_file)
        if line.sound and volume_ul is not None:
            streams.setdefault(location, []).append((at_us, volume_ul, channels))
    sheet.finish()
    return DecayFile({name: tuple(stream) for name, stream in streams.items()}, sheet.sizes_nm)


def stream_of(lines: Iterable[str], size_nm: int, file: str = "") -> Iterator[tuple[int, int]]:
    """Count at or above the size, and air in microlitres, of each line as it comes. Raises `SampleFileError`."""
    head = ""
    before = 0
    for number, line in enumerate(lines, start=1):
        bare = line.rstrip("\r\n")
        if not bare.strip(" ,;\t") or bare.lstrip().startswith("#"):
            continue
        if not head:
            head, before = bare, number - 1
            continue
        # Empty lines stand for those that are gone by, so that a mistake is told with its line in the file.
        text = "\n" * before + head + "\n" * (number - before - 1) + bare
        sheet = _sheet(text, file, _STREAM_COLUMNS, ("volume_l",))
        if size_nm not in sheet.sizes_nm:
            sizes = ", ".join(f"{size / 1000:g}" for size in sheet.sizes_nm)
            missing = f"no column counts {size_text(size_nm)}"
            sheet.problem(f"line {before + 1}", "", missing, f"The file has {sizes} um.")
            sheet.finish()
        (found,) = sheet.lines or (None,)
        volume_ul = None if found is None else found.volume()
        channels = () if found is None else found.channels(volume_ul or 1)
        sheet.finish()
        count = next(channel.count for channel in channels if channel.size_nm == size_nm)
        yield count, volume_ul or 0


# Lines and cells


@dataclass(slots=True)
class _Sheet:
    file: str
    columns: dict[str, int]
    sizes: list[tuple[int, str]]
    """Size in nm and its column's title, rising."""
    lines: list[_Line] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)

    @property
    def sizes_nm(self) -> tuple[int, ...]:
        return tuple(size for size, _ in self.sizes)

    def problem(self, key: str, value: str, message: str, mend: str) -> None:
        self.problems.append(Problem(self.file, key, value, message, mend))

    def finish(self) -> None:
        if self.problems:
            raise SampleFileError(sorted(self.problems, key=_line_of))


@dataclass(slots=True)
class _Line:
    """One line. A cell is judged once; `sound` turns false with the first mistake."""

    sheet: _Sheet
    number_in_file: int
    cells: Sequence[str]
    decimal_comma: bool
    sound: bool = True

    def wrong(self, column: str, message: str, mend: str) -> None:
        self.sound = False
        where = f"line {self.number_in_file}" + (f", column {column}" if column else "")
        self.sheet.problem(where, quoted(self.cell(column)) if column else "", message, mend)

    def cell(self, column: str) -> str:
        at = self.sheet.columns.get(column)
        return "" if at is None or at >= len(self.cells) else self.cells[at].strip()

    def given(self, column: str) -> bool:
        return self.cell(column) != ""

    def label(self, column: str) -> str | None:
        text = self.cell(column)
        if not text or not text.isprintable() or len(text) > 64:
            self.wrong(column, "must be a name of 1 to 64 characters", "Name the sampling location.")
            return None
        return text

    def whole(self, column: str, least: int = 0) -> int | None:
        text = self.cell(column)
        if not _WHOLE.fullmatch(text) or int(text) < least:
            mend = "Write 0 where nothing was counted; leave no cell empty." if not text else "Write the digits only."
            self.wrong(column, f"must be a whole number from {least}", mend)
            return None
        return int(text)

    def number(self, column: str, least_open: float | None = None) -> Decimal | None:
        text = self.cell(column)
        try:
            value = Decimal(text.replace(",", ".") if self.decimal_comma else text)
        except InvalidOperation:
            value = Decimal("NaN")
        if not value.is_finite() or abs(value) > 10**9:
            self.wrong(column, "must be a number", "Write it as 28.3, without a unit.")
            return None
        if least_open is not None and value <= Decimal(str(least_open)):
            self.wrong(column, f"must be above {least_open:g}", "Give what the sample really had.")
            return None
        return value

    def volume(self) -> int | None:
        """Microlitres."""
        litres = self.number("volume_l", least_open=0)
        if litres is None:
            return None
        volume_ul = round(litres * UL_PER_L)
        if not 0 < volume_ul <= _LARGEST_L * UL_PER_L:
            self.wrong("volume_l", f"must be litres, up to {_LARGEST_L}", "Give the air of this one sample in litres.")
            return None
        return volume_ul

    def position(self) -> tuple[Decimal | None, Decimal | None]:
        given = [name for name in ("x_m", "y_m") if self.given(name)]
        if len(given) == 1:
            missing = "y_m" if given == ["x_m"] else "x_m"
            self.wrong(missing, f"{given[0]} is given, {missing} is not", "Give both, or leave both empty.")
            return None, None
        if not given:
            return None, None
        x_m, y_m = self.number("x_m"), self.number("y_m")
        return (x_m, y_m) if x_m is not None and y_m is not None else (None, None)

    def channels(self, volume_ul: int) -> tuple[Channel, ...]:
        counts = [(size, title, self.whole(title)) for size, title in self.sheet.sizes]
        for (_, smaller, fewer), (_, larger, more) in pairwise(counts):
            if fewer is not None and more is not None and more > fewer:
                self.wrong(
                    larger,
                    f"more than the {fewer} of {smaller}, and counts are cumulative, at or above each size",
                    "Sum differential counts up from the largest size, or exchange the two.",
                )
        return tuple(Channel(size, count, volume_ul) for size, _, count in counts if count is not None)

    def once(self, taken: dict[tuple[str, int], int], key: tuple[str, int], column: str, what: str) -> None:
        earlier = taken.setdefault(key, self.number_in_file)
        if earlier != self.number_in_file:
            self.wrong(column, f"{what} is in line {earlier} already", "Number the samples of a location.")


def _sheet(text: str, file: str, known: Sequence[str], needed: Sequence[str]) -> _Sheet:
    """Titles and lines. Raises at once where the titles cannot be used: nothing else could be told."""
    kept = [
        (number, line)
        for number, line in enumerate(text.splitlines(), start=1)
        if line.strip(" ,;\t") and not line.lstrip().startswith("#")
    ]
    if not kept:
        raise SampleFileError(
            [Problem(file, "", "", "there are no lines in it", "Give a line of column titles first.")]
        )
    first, head = kept[0]
    separator = max(_SEPARATORS, key=head.count)
    titles = [title.strip() for title in _cells(head, separator)]
    sheet = _Sheet(file, {}, [])
    for title in titles:
        _title(sheet, f"line {first}", title, known)
    for name in needed:
        if name not in sheet.columns:
            sheet.problem(f"line {first}", "", f"the column {name} is missing", f"Add a column with the title {name}.")
    if not sheet.sizes and not any("size" in problem.message for problem in sheet.problems):
        sheet.problem(f"line {first}", "", "there is no column of counts", "Add one, such as ge_0.5um.")
    sheet.sizes.sort()
    sheet.finish()
    sheet.columns = {_key(title): at for at, title in enumerate(titles)}
    for number, line in kept[1:]:
        cells = _cells(line, separator)
        found = _Line(sheet, number, cells, separator != ",")
        if len(cells) > len(titles) and any(cell.strip() for cell in cells[len(titles) :]):
            found.wrong(
                "",
                f"{len(cells)} cells, and there are {len(titles)} columns",
                "Separate all lines like the titles; with a decimal comma use semicolons.",
            )
            continue
        sheet.lines.append(found)
    if len(kept) == 1:
        sheet.problem("", "", "there are titles and no samples", "Add one line for each sample.")
    return sheet


def _title(sheet: _Sheet, where: str, title: str, known: Sequence[str]) -> None:
    key = _key(title)
    size = _SIZE.fullmatch(title)
    if key in sheet.columns:
        sheet.problem(where, quoted(title), "this column is there twice", "Remove one of the two.")
    elif size is not None:
        nm = round(Decimal(size[1].replace(",", ".")) * 1000)
        if not 0 < nm <= _LARGEST_SIZE_UM * 1000 or nm in sheet.sizes_nm:
            sheet.problem(where, quoted(title), "no size, or one that is there twice", "Give each size one column.")
        else:
            sheet.sizes.append((nm, key))
    elif key not in known:
        wanted = did_you_mean(
            title, known, f"Known columns: {', '.join(known)}, and ge_0.5um and the like; remove the others."
        )
        sheet.problem(where, quoted(title), "an unknown column", wanted)
    sheet.columns.setdefault(key, 0)


def _line_of(problem: Problem) -> int:
    found = re.match(r"line (\d+)", problem.key)
    return 0 if found is None else int(found[1])


def _key(title: str) -> str:
    return title if _SIZE.fullmatch(title) else title.casefold()


def _cells(line: str, separator: str) -> list[str]:
    try:
        return next(csv.reader(io.StringIO(line), delimiter=separator), [])
    except csv.Error:
        # A cell beyond the reader's limit: one that no column can take.
        return line.split(separator)
