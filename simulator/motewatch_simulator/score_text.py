"""A score in words: a table for the terminal, and the same in Markdown. Delays are minutes and seconds."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Final

from motewatch.engine.records import AlarmChanged
from motewatch_simulator.score import NOTHING, Line, Score
from motewatch_simulator.timeline import SECOND_US
from motewatch_simulator.truth import Truth, TruthKind

HEADS: Final = ("what was so", "happened", "found", "missed", "false", "delay", "longest", "told first by")
KINDS: Final = {
    TruthKind.INCIDENT: "in the rooms",
    TruthKind.MISBEHAVIOUR: "with the sensors",
    TruthKind.EXCURSION: "the true air beyond a level",
    None: "without a cause",
}


def table(score: Score, speed: float = 1.0) -> list[str]:
    """For the terminal: lines of equal columns under headings of their kinds.

    `speed`: delays are told in the time of rooms that run so many times as fast as the sensors' clocks.
    """
    rows = [(line.kind, _cells(line, speed)) for line in score.lines]
    widths = [max(len(head), *(len(cells[i]) for _, cells in rows), 0) for i, head in enumerate(HEADS)]
    result = [_aligned(HEADS, widths)]
    told: object = ""
    for kind, cells in rows:
        if kind != told:
            result.append(f"  {KINDS[kind]}")
            told = kind
        result.append(_aligned(cells, widths))
    return [*result, "", summary(score)]


def markdown(score: Score) -> list[str]:
    """The same for a document."""
    result = [_row(HEADS), _row([" --- ".strip()] + ["---:"] * 6 + ["---"])]
    result += [_row(_cells(line, 1.0)) for line in score.lines]
    return [*result, "", summary(score)]


def summary(score: Score) -> str:
    """One sentence."""
    happened = sum(line.happened for line in score.lines)
    found = sum(line.found for line in score.lines)
    unfinished = sum(line.open for line in score.lines)
    return (
        f"{found} of {happened} found, {len(score.missed)} missed, "
        + (f"{unfinished} still going on, " if unfinished else "")
        + f"{len(score.false)} false of {score.alarms} alarms; {score.explained} more had a cause elsewhere."
    )


def remarks(score: Score, start_us: int) -> list[str]:
    """What was missed and what was false, one line each, with its time in the stream."""
    return [
        *(f"missed  {clock_text(t.start_us - start_us)}  {_named(t)}" for t in score.missed),
        *(f"false   {clock_text(a.found_us - start_us)}  {_alarm(a, word)}" for a, word in score.false),
    ]


def clock_text(us: int) -> str:
    """A span as h:mm:ss."""
    seconds = round(us / SECOND_US)
    return f"{seconds // 3600}:{seconds // 60 % 60:02d}:{seconds % 60:02d}"


def _alarm(alarm: AlarmChanged, word: str) -> str:
    why = "with no cause" if word == NOTHING else f"because of {word}"
    return f"{alarm.alarm}, {why}"


def _named(truth: Truth) -> str:
    where = ", ".join(truth.subject.values())
    word = truth.what
    if truth.kind is TruthKind.EXCURSION:
        word = f"{truth.detail.get('size_um')} um above the {truth.detail.get('level')} level"
    return f"{word} ({where})" if where else word


def _cells(line: Line, speed: float) -> tuple[str, ...]:
    delays = [us * speed for us in line.delays_us]
    told = ", ".join(kind for kind, _ in line.told_by)
    none = line.happened == 0
    return (
        line.what,
        "" if none else str(line.happened),
        "" if none else str(line.found),
        "" if none else str(line.missed),
        str(line.false),
        _span(delays[(len(delays) - 1) // 2]) if delays else "",
        _span(delays[-1]) if delays else "",
        told,
    )


def _span(us: float) -> str:
    seconds = us / SECOND_US
    return f"{seconds:.1f} s" if seconds < 60 else f"{seconds / 60:.1f} min"


def _aligned(cells: Sequence[str], widths: Sequence[int]) -> str:
    return "  ".join(_columns(cells, widths)).rstrip()


def _columns(cells: Sequence[str], widths: Sequence[int]) -> Iterator[str]:
    for i, (cell, width) in enumerate(zip(cells, widths, strict=True)):
        yield f"    {cell:<{width}}" if i == 0 else f"{cell:<{width}}" if i == len(cells) - 1 else f"{cell:>{width}}"


def _row(cells: Sequence[str]) -> str:
    return "| " + " | ".join(cells) + " |"
