"""The lines of the view: a room, a location, a size, an alarm, an event, each with one grammar on every screen.

Rules: a state shows as a shape and a word, and colour only repeats it. What is outside comes first where not all fits.
Must not know how many lines a screen has, or how messages arrive; reads no clock.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from rich.cells import cell_len
from rich.text import Text

from motewatch.alarms.bounds import Side
from motewatch.engine.plan import Grade
from motewatch.picture import words
from motewatch.picture.board import Board, Happening, RoomLine, weight_of
from motewatch.picture.verdicts import UNITS, ClimateValue, LocationLine, SizeLine
from motewatch.picture.words import Holding, Signs
from motewatch.wire.outgoing import AlarmMessage
from motewatch.wire.wording import plain

STYLES = {
    Holding.OUT: "bold red",
    Holding.UNKNOWN: "bold magenta",
    Holding.ALERT: "yellow",
    Holding.HOLDS: "green",
    Holding.NOT_JUDGED: "dim",
    Holding.UNATTENDED: "dim",
}
FAINT = "dim"
ROOM_NAME = 22
QUIET = (Holding.HOLDS, Holding.NOT_JUDGED, Holding.UNATTENDED)
THOUSANDS = re.compile(r"(?<=\d) (?=\d{3}(?!\d))")


@dataclass(frozen=True, slots=True)
class Canvas:
    """What lines are drawn for: a board, an instant, a width in cells."""

    board: Board
    now_us: int
    width: int

    @property
    def name(self) -> int:
        """Cells for the name of a location."""
        return 20 if self.width < 96 else 26

    @property
    def signs(self) -> Signs:
        """The shapes of the board."""
        return self.board.signs

    def clock(self, us: int) -> str:
        """Local time of an instant, seen from now."""
        return words.clock(us, self.board.zone, self.now_us)


def counts(canvas: Canvas, rooms: Sequence[RoomLine]) -> Text:
    """How many rooms are how."""
    line = Text("Rooms: ")
    first = True
    for holding in Holding:
        number = sum(room.holding is holding for room in rooms)
        if number:
            line.append("" if first else "   ")
            line.append(f"{canvas.signs.of(holding)} {number} {holding.word}", STYLES[holding])
            first = False
    return line


def room_line(canvas: Canvas, room: RoomLine, *, alone: bool, climate: bool = True) -> Text:
    """One line for a room. `alone`: no location lines follow, so that it names its worst share or its reason."""
    style = STYLES[room.holding]
    line = Text()
    line.append(f"{canvas.signs.of(room.holding)} {room.holding.word:<8}", style)
    line.append(f" {fit(room.name, ROOM_NAME, canvas.signs.more)}", "bold" if room.holding not in QUIET else "")
    kind = Text(", ".join(part for part in (room.kind, room.occupancy) if part), FAINT)
    parts: list[Text] = []
    if alone and room.holding is Holding.UNKNOWN:
        parts.append(Text(_reason(room), style))
    elif alone:
        worst = _worst(room)
        if worst is not None and worst.share is not None:
            parts.append(Text(f"{words.share(worst.share)} of limit", "" if room.holding in QUIET else style))
    if climate and not (alone and room.holding is Holding.UNKNOWN):
        # What is outside comes first: it must be seen even where not all fits.
        values = sorted(room.climate, key=lambda value: value.outside is None)
        parts += [_climate_short(canvas, value) for value in values]
    parts.insert(0 if not alone or room.holding in QUIET else len(parts), kind)
    for part in parts:
        gap = " " if part is parts[0] else "  "
        if part.plain and cell_len(line.plain) + len(gap) + cell_len(part.plain) <= canvas.width:
            line.append(gap)
            line.append_text(part)
    return line


def room_block(canvas: Canvas, room: RoomLine, *, full: bool) -> list[Text]:
    """A room with its locations: the worst size of each, or (`full`) every size and the climate with its bounds."""
    lines = [room_line(canvas, room, alone=False, climate=not full)]
    for location in room.locations:
        lines += _location_lines(canvas, location, full=full)
    if full and room.climate and room.holding is not Holding.UNKNOWN:
        lines += _climate_lines(canvas, room.climate)
    return lines


def _location_lines(canvas: Canvas, location: LocationLine, *, full: bool) -> list[Text]:
    signs = canvas.signs
    head = Text(f"  {signs.of(location.holding)} ", STYLES[location.holding])
    head.append(fit(location.name, canvas.name, canvas.signs.more) + " ", "")
    if location.holding in (Holding.UNKNOWN, Holding.UNATTENDED, Holding.NOT_JUDGED) or not location.sizes:
        why = location.why or "no counts judged here"
        if location.since_us is not None and location.holding is not Holding.NOT_JUDGED:
            why += f", last sample {canvas.clock(location.since_us)}"
        if location.holding is Holding.UNATTENDED and location.since_us is not None:
            why = f"not measured now, last {canvas.clock(location.since_us)}"
        head.append(why, STYLES[location.holding] if location.holding is Holding.UNKNOWN else FAINT)
        return [head]
    worst = location.worst
    shown = location.sizes if full or worst is None else (worst,)
    lines = []
    for number, line in enumerate(shown):
        start = head if number == 0 else Text(" " * (canvas.name + 5))
        lines.append(Text.assemble(start, _size_cells(canvas, line, canvas.width - canvas.name - 5)))
    if full and location.holding in (Holding.OUT, Holding.ALERT):
        for row in wrapped(location.why, canvas.width, " " * (canvas.name + 5), 2, canvas.signs.more):
            row.stylize(STYLES[location.holding])
            lines.append(row)
    return lines


def _size_cells(canvas: Canvas, line: SizeLine, width: int) -> Text:
    """`≥0.5 µm    4 841 /m³  138 % of 3 520      ████████▶`."""
    signs = canvas.signs
    cells = Text(f"{words.size(line.size_nm, signs):<8}")
    if line.per_m3 is None or line.share is None:
        cells.append(f"not counted; limit {words.limit_figure(line.limit)}", FAINT)
        return cells
    beyond = line.beyond
    style = "" if beyond is None else STYLES[Holding.OUT if beyond is Grade.ACTION else Holding.ALERT]
    least = signs.at_least if line.at_least else ""
    cells.append(f"{least + words.figure(line.per_m3):>10} /{signs.cubic} ", style)
    cells.append(f"{words.share(line.share):>6}", style)
    level = " alert" if line.grade is Grade.ALERT else ""
    cells.append(f" of{level} {words.limit_figure(line.limit)}")
    room = width - 44
    if room >= 6:
        cells.append(" " * max(1, 44 - cell_len(cells.plain)))
        cells.append_text(_bar(signs, line, min(room, 24), style))
    return cells


def _bar(signs: Signs, line: SizeLine, width: int, style: str) -> Text:
    """The share as a bar whose last cell is the limit; the alert level is a tick in it."""
    assert line.share is not None
    cells = width - 1
    filled = min(cells, int(line.share * cells + (0.999 if line.share else 0)))
    marks = [signs.full] * filled + [signs.empty] * (cells - filled)
    if line.alert is not None and line.limit:
        at = min(cells - 1, int(line.alert / line.limit * cells))
        if at >= filled:
            marks[at] = signs.tick
    end = signs.over if line.share > 1 else signs.tick
    return Text("".join(marks) + end, style or FAINT)


def _climate_short(canvas: Canvas, value: ClimateValue) -> Text:
    """`20.1 °C`, and when outside `▼ 8.2 Pa (10 or more)`."""
    text = f"{value.mean:.1f} {_unit(canvas, value)}"
    outside = value.outside
    if outside is None:
        return Text(text)
    side, grade = outside
    style = STYLES[Holding.OUT if grade is Grade.ACTION else Holding.ALERT]
    return Text(f"{_arrow(canvas, side)} {text} ({_bounds_text(value)})", style)


def _climate_lines(canvas: Canvas, values: Sequence[ClimateValue]) -> list[Text]:
    line = Text("    climate " + " " * (canvas.name - 7))
    lines = []
    for value in values:
        outside = value.outside
        bounds = _bounds_text(value)
        cell = Text(f"{value.mean:.1f} {_unit(canvas, value)}" + (f" ({bounds})" if bounds else ""))
        if outside is not None:
            side, grade = outside
            cell = Text(f"{_arrow(canvas, side)} {cell.plain}", STYLES[_level(grade)])
        if cell_len(line.plain) + cell_len(cell.plain) > canvas.width and line.plain.strip():
            lines.append(line)
            line = Text(" " * (canvas.name + 5))
        line.append_text(cell)
        line.append("   ")
    return [*lines, line]


def _bounds_text(value: ClimateValue) -> str:
    low, high = value.low, value.high
    outside = value.outside
    if (outside is not None and outside[1] is Grade.ALERT) or (low is None and high is None):
        low, high = value.alert_low, value.alert_high
    if low is not None and high is not None:
        return f"{low:g} to {high:g}"
    if low is None and high is None:
        return ""
    return f"at least {low:g}" if low is not None else f"at most {high:g}"


def _unit(canvas: Canvas, value: ClimateValue) -> str:
    unit = UNITS[value.quantity]
    return canvas.signs.degree if unit == "C" else ("% RH" if unit == "%" else unit)


def _arrow(canvas: Canvas, side: Side) -> str:
    return canvas.signs.below if side is Side.LOW else canvas.signs.above


def _level(grade: Grade) -> Holding:
    return Holding.OUT if grade is Grade.ACTION else Holding.ALERT


def _worst(room: RoomLine) -> SizeLine | None:
    lines = [location.worst for location in room.locations if location.worst is not None]
    return max(lines, key=lambda line: -1.0 if line.share is None else line.share, default=None)


def _reason(room: RoomLine) -> str:
    unknown = [location.why for location in room.locations if location.holding is Holding.UNKNOWN]
    return unknown[0] if unknown else "nobody measures here now"


def alarms_title(canvas: Canvas, alarms: Sequence[AlarmMessage]) -> Text:
    """How many stand, and how many wait for somebody."""
    apart = _hidden(canvas.board.hidden())
    if not alarms:
        grave = canvas.board.headline(canvas.now_us).grave
        return Text(("No alarm is known." if grave else "No alarm stands.") + apart, FAINT)
    waiting = sum("unacknowledged" in alarm.state for alarm in alarms)
    text = f"Standing alarms: {len(alarms)}" + (f", {waiting} not acknowledged" if waiting else ", all acknowledged")
    return Text(text + (f".{apart}" if apart else ""), "bold")


def _hidden(alarms: Sequence[AlarmMessage]) -> str:
    """How many are not annunciated, and which: the first two by name. Empty where there are none."""
    if not alarms:
        return ""
    named = ", ".join(f"{alarm.alarm} ({words.STATES[alarm.state]})" for alarm in alarms[:2])
    more = ", ..." if len(alarms) > 2 else ""
    return f" Hidden: {len(alarms)} - {named}{more}"


def alarm_lines(canvas: Canvas, alarms: Sequence[AlarmMessage]) -> list[Text]:
    """One line each: since when it stands there, where it stands, what it is about."""
    column = max((len(words.STATES[alarm.state]) for alarm in alarms), default=0)
    lines = []
    for alarm in alarms:
        weight = weight_of(alarm)
        line = Text(f"{canvas.signs.of(weight)} ", STYLES[weight])
        line.append(f"{canvas.clock(words.microseconds(alarm.since)):<9}")
        line.append(f"{words.STATES[alarm.state]:<{column}}  ", STYLES[weight])
        line.append(_alarm_text(canvas, alarm))
        lines.append(line)
    return lines


def _alarm_text(canvas: Canvas, alarm: AlarmMessage) -> str:
    by = f", by {plain(alarm.by)}" if alarm.by and alarm.state == "acknowledged" else ""
    return words.about(alarm, canvas.board.names, canvas.signs) + by


def alarm_block(canvas: Canvas, alarm: AlarmMessage) -> list[Text]:
    """For a narrow column: state and time, then what it is about."""
    weight = weight_of(alarm)
    head = Text(f"{canvas.signs.of(weight)} ", STYLES[weight])
    head.append(words.STATES[alarm.state], STYLES[weight])
    head.append(f" since {canvas.clock(words.microseconds(alarm.since))}")
    return [head, *wrapped(_alarm_text(canvas, alarm), canvas.width, "  ", 2, canvas.signs.more)]


def event_block(canvas: Canvas, happening: Happening, rows: int) -> list[Text]:
    """Local time, sign and sentence, in at most `rows` lines."""
    first, *rest = wrapped(happening.text, canvas.width - 11, "", rows, canvas.signs.more)
    head = Text(f"{canvas.clock(happening.at_us):<9}", FAINT)
    head.append(f"{canvas.signs.of(happening.weight)} ", STYLES[happening.weight])
    return [Text.assemble(head, first), *(Text.assemble(" " * 11, line) for line in rest)]


def nothing(canvas: Canvas) -> Text:
    """What stands in place of events."""
    return Text(f"Nothing has happened since {canvas.clock(canvas.board.started_us)}.", FAINT)


def wrapped(text: str, width: int, indent: str, rows: int, more: str) -> list[Text]:
    """Word-wrapped into at most `rows` lines; the last one says by an ellipsis that something is missing."""
    lines: list[str] = []
    current = ""
    # A figure with its thousands apart is one word.
    for word in THOUSANDS.sub("\u00a0", text).split(" "):
        if current and cell_len(f"{indent}{current} {word}") > width:
            lines.append(current)
            current = word
        else:
            current = f"{current} {word}" if current else word
    lines.append(current)
    if len(lines) > rows:
        lines = [*lines[: rows - 1], " ".join(lines[rows - 1 :])]
    return [clip(Text(indent + line.replace("\u00a0", " ")), width, more) for line in lines]


def ends(left: Text, right: Text, width: int) -> Text:
    """One text at each end of a line; the left one alone where both do not fit."""
    gap = width - cell_len(left.plain) - cell_len(right.plain)
    if gap < 2:
        return left
    return Text.assemble(left, " " * gap, right)


def clip(line: Text, width: int, more: str) -> Text:
    """The line in at most `width` cells; `more` at its end says that something is missing."""
    if cell_len(line.plain) <= width:
        return line
    clipped = line.copy()
    clipped.truncate(max(0, width - len(more)), overflow="crop")
    return clipped.append(more)


def fit(text: str, width: int, more: str) -> str:
    """The text in exactly `width` cells."""
    line = clip(Text(text), width, more).plain
    return line + " " * (width - cell_len(line))
