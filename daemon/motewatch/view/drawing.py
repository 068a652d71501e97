"""Lays the lines out on a screen of an exact size, or one below the other without end.

Rules: worst first, and what is not fine is never hidden by what is; where something does not fit, a line says how much.
A narrow screen is shared out as wishes granted in order while rows remain; on a wide one alarms and events stand beside
the rooms. Must not know how a line looks, or how messages arrive; reads no clock.
"""

from __future__ import annotations

from collections.abc import Sequence

from rich.cells import cell_len
from rich.text import Text

from motewatch.picture import words
from motewatch.picture.board import Board, Happening, RoomLine
from motewatch.picture.words import Holding
from motewatch.view.lines import (
    FAINT,
    QUIET,
    Canvas,
    alarm_block,
    alarm_lines,
    alarms_title,
    clip,
    counts,
    ends,
    event_block,
    nothing,
    room_block,
    room_line,
)

WIDE = 112
"""From this width on, alarms and events stand beside the rooms."""


def screen(board: Board, now_us: int, width: int, height: int) -> list[Text]:
    """The whole screen: exactly `height` lines of at most `width` cells."""
    canvas = Canvas(board, now_us, width)
    rooms = board.rooms(now_us)
    head = [_title(canvas), _tally(canvas, rooms)]
    rows = max(0, height - len(head) - 1)
    if width >= WIDE:
        left = Canvas(board, now_us, width * 64 // 100)
        right = Canvas(board, now_us, width - left.width - 3)
        body = _beside(_rooms(left, rooms, rows), _side(right, rows), left.width, rows, board.signs.more)
    else:
        body = _stacked(canvas, rooms, rows)
    lines = [*head, Text(""), *body][:height]
    lines += [Text("")] * (height - len(lines))
    return [clip(line, width, board.signs.more) for line in lines]


def summary(board: Board, now_us: int, width: int) -> list[Text]:
    """Everything at an instant, at whatever length: for the end of a plain run."""
    canvas = Canvas(board, now_us, width)
    rooms = board.rooms(now_us)
    lines = [_title(canvas), _tally(canvas, rooms), Text("")]
    for room in rooms:
        lines += room_block(canvas, room, full=True)
    alarms = board.standing()
    return [*lines, Text(""), alarms_title(canvas, alarms), *alarm_lines(canvas, alarms)]


def _title(canvas: Canvas) -> Text:
    local = words.local(canvas.now_us, canvas.board.zone)
    right = f"{local:%a %d %b %Y  %H:%M:%S %Z}"
    return ends(Text(canvas.board.title, "bold"), Text(right), canvas.width)


def _tally(canvas: Canvas, rooms: Sequence[RoomLine]) -> Text:
    headline = canvas.board.headline(canvas.now_us)
    if headline.grave:
        return Text(f" {canvas.signs.unknown} {headline.text} ", "bold reverse")
    left = counts(canvas, rooms)
    if cell_len(left.plain) + cell_len(headline.text) + 2 > canvas.width:
        return left
    return ends(left, Text(headline.text, FAINT), canvas.width)


def _stacked(canvas: Canvas, rooms: Sequence[RoomLine], rows: int) -> list[Text]:
    """One column: rooms, alarms, events."""
    alarms = canvas.board.standing()
    events = canvas.board.happenings()[::-1][:8]
    loud = [room for room in rooms if room.holding not in QUIET and _telling(canvas, room)]
    spare = rows - 4 - min(len(rooms), max(len(loud), rows // 3))
    grants = _grant(
        spare,
        [
            ("alarms", min(len(alarms), 2)),
            ("events", min(len(events), 3)),
            ("rooms", sum(len(room.locations) for room in loud)),
            ("alarms", max(0, min(len(alarms), 5) - 2)),
            ("events", max(0, min(len(events), 5) - 3)),
            ("rooms", sum(len(room.locations) for room in rooms if room.holding in QUIET)),
            ("events", 2 * len(events)),
            ("alarms", max(0, len(alarms) - 5)),
            ("rooms", spare),
        ],
    )
    below = [Text(""), alarms_title(canvas, alarms), *_capped(canvas, alarm_lines(canvas, alarms), grants["alarms"])]
    below += [Text(""), *_events(canvas, events, grants["events"] + 1, rows_each=2)]
    return _rooms(canvas, rooms, rows - len(below)) + below


def _side(canvas: Canvas, rows: int) -> list[Text]:
    """The right column of a wide screen: alarms, then events."""
    alarms = canvas.board.standing()
    lines = [alarms_title(canvas, alarms)]
    limit = max(3, rows // 2 - 2)
    for number, alarm in enumerate(alarms):
        block = alarm_block(canvas, alarm)
        if len(lines) + len(block) > limit and number < len(alarms) - 1:
            lines.append(_more(canvas, len(alarms) - number))
            break
        lines += block
    lines.append(Text(""))
    return lines + _events(canvas, canvas.board.happenings()[::-1][:12], rows - len(lines), rows_each=3)


def _events(canvas: Canvas, events: Sequence[Happening], rows: int, rows_each: int) -> list[Text]:
    """Title and the newest events, in at most `rows` lines."""
    if not events:
        return [nothing(canvas)]
    lines = [Text("What happened, latest first", "bold")]
    for event in events:
        left = rows - len(lines)
        if left <= 0:
            break
        lines += event_block(canvas, event, min(rows_each, left))
    return lines


def _rooms(canvas: Canvas, rooms: Sequence[RoomLine], rows: int) -> list[Text]:
    """As many rooms as fit in as much detail as fits: one line, a line for each location, every size."""
    if len(rooms) > rows:
        fitting = max(0, rows - 1)
        lines = [room_line(canvas, room, alone=True) for room in rooms[:fitting]]
        if rows > 0:
            rest = Text(f"{canvas.signs.more} and {len(rooms) - fitting} more. ")
            lines.append(Text.assemble(rest, counts(canvas, rooms[fitting:])))
        return lines
    blocks = [[room_line(canvas, room, alone=True)] for room in rooms]
    spare = rows - len(rooms)
    for full in (False, True):
        # The second round may only spend what is left when every room shows its locations.
        for number, room in enumerate(rooms):
            if not _telling(canvas, room):
                continue
            block = room_block(canvas, room, full=full)
            cost = len(block) - len(blocks[number])
            if cost <= spare:
                blocks[number] = block
                spare -= cost
    return [line for block in blocks for line in block]


def _telling(canvas: Canvas, room: RoomLine) -> bool:
    """Do its locations say more than the head of the screen does? Not where nobody can tell anything of any room."""
    return room.holding is Holding.OUT or not canvas.board.headline(canvas.now_us).grave


def _grant(rows: int, wishes: Sequence[tuple[str, int]]) -> dict[str, int]:
    """Shares out rows to wishes in order, as far as they go."""
    granted: dict[str, int] = {}
    for who, wish in wishes:
        given = min(max(rows, 0), wish)
        granted[who] = granted.get(who, 0) + given
        rows -= given
    return granted


def _capped(canvas: Canvas, lines: list[Text], rows: int) -> list[Text]:
    if len(lines) <= rows:
        return lines
    fitting = max(0, rows - 1)
    return [*lines[:fitting], _more(canvas, len(lines) - fitting)]


def _more(canvas: Canvas, number: int) -> Text:
    return Text(f"{canvas.signs.more} and {number} more", FAINT)


def _beside(left: list[Text], right: list[Text], left_width: int, rows: int, more: str) -> list[Text]:
    lines = []
    for number in range(rows):
        line = clip(left[number], left_width, more).copy() if number < len(left) else Text("")
        line.append(" " * (left_width - cell_len(line.plain) + 3))
        if number < len(right):
            line.append_text(right[number])
        lines.append(line)
    return lines
