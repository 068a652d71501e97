"""The view on lines, for a pipe, a log or CI: each thing that happens as one line, and everything once at the end.

Rules: a room's word is said when it changes. Same sentences as on the screen, no colour. Must not know MQTT.
"""

from __future__ import annotations

from collections.abc import Callable

from motewatch.picture import words
from motewatch.picture.board import NEVER_HEARD, Board
from motewatch.picture.words import Holding
from motewatch.view.drawing import summary

WIDTH = 100


class PlainView:
    """Writes what is new since it was last asked. `write` gets one line at a time, without its end."""

    def __init__(self, board: Board, write: Callable[[str], None]) -> None:
        self._board = board
        self._write = write
        self._told = 0
        self._words: dict[str, Holding] = {}
        self._warned = False

    def begin(self, where: str, now_us: int) -> None:
        """Say what is watched."""
        self._line(now_us, f"Watching {self._board.title} at {where}.")

    def update(self, now_us: int) -> None:
        """Tell what happened since the last call."""
        board = self._board
        for happening in board.happenings(self._told):
            self._told = happening.number
            self._line(happening.at_us, f"{board.signs.of(happening.weight)} {happening.text}")
        if not self._warned and board.headline(now_us).text == NEVER_HEARD:
            self._warned = True  # rooms begin unknown, so that no other line would tell
            self._line(now_us, f"{board.signs.unknown} {NEVER_HEARD}")
        for room in board.rooms(now_us):
            before = self._words.get(room.id)
            if before is room.holding:
                continue
            self._words[room.id] = room.holding
            if before is None and room.holding is Holding.UNKNOWN:
                continue  # every room begins unknown
            was = "" if before is None else f" (was {before.word})"
            reasons = dict.fromkeys(line.why for line in room.locations if line.holding is room.holding and line.why)
            why = "; ".join(reasons) or room.holding.meaning
            self._line(now_us, f"{board.signs.of(room.holding)} {room.name}: {room.holding.word}, {why}{was}")

    def end(self, now_us: int) -> None:
        """The summary."""
        self.update(now_us)
        self._write("")
        for line in summary(self._board, now_us, WIDTH):
            self._write(line.plain.rstrip())
        board = self._board
        self._write("")
        self._write(f"Heard {board.samples_heard} samples and {board.events_heard} alarm events" + _unreadable(board))

    def _line(self, at_us: int, text: str) -> None:
        self._write(f"{words.clock(at_us, self._board.zone)}  {text}")


def _unreadable(board: Board) -> str:
    return f"; {board.unreadable} messages could not be read." if board.unreadable else "."
