"""The log: one line an event, words first, then `key=value`.

    2026-05-28T20:27:00.123Z WARNING motewatch.writer dead letter topic=... reason=not-json bytes=12

Fields come by `extra={...}`. A value that is or holds a secret never gets here (secrets are `Secret` and print as
stars), and a field whose name sounds like one is starred all the same. Values and words are shortened, so that a
hostile message cannot fill the disk with its own text; line breaks and whatever else does not print are escaped, so
that it can neither forge a line nor upset the terminal of whoever reads it.

The volume is bounded: each place of the program that logs may write `MOST` lines in `WINDOW_S`. What is more is
counted, and the count is told with the next line of whatever place once the time is over, or at the end. So a sensor
that sends ten broken messages a second, a broker that comes and goes, or a stranger at a page fill no disk. The places
are bounded by the program's text: nothing from outside makes a new one.
"""

from __future__ import annotations

import logging
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final, TextIO

LONGEST = 300
LONGEST_WORDS = 2_000
LONGEST_TRACE = 4_000
MOST: Final = 20
"""Lines of one place in `WINDOW_S`: enough to see what happens, and 29,000 a day at worst."""
WINDOW_S: Final = 60.0
_STANDARD: Final = frozenset(logging.LogRecord("", 0, "", 0, "", (), None).__dict__) | {
    "message",
    "asctime",
    "taskName",
}
_ESCAPES: Final = {"\\": "\\\\", "\n": "\\n", "\r": "\\r", "\t": "\\t"}
_SECRET_WORDS: Final = ("password", "secret", "token")


class LineFormatter(logging.Formatter):
    """Formats a record as one line."""

    def format(self, record: logging.LogRecord) -> str:
        """One line, whatever the record holds."""
        instant = datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
        parts = [instant, record.levelname, record.name, _flat(_cut(record.getMessage(), LONGEST_WORDS))]
        for key, value in record.__dict__.items():
            if key not in _STANDARD:
                starred = any(word in key.lower() for word in _SECRET_WORDS)
                parts.append(f"{key}={'***' if starred else _quoted(value)}")
        if record.exc_info:
            # Of a long one the end: it says what was raised, and where.
            parts.append(f"trace={_quoted(self.formatException(record.exc_info)[-LONGEST_TRACE:], LONGEST_TRACE)}")
        return " ".join(parts)


@dataclass(slots=True)
class _Place:
    """One place of the program that logs."""

    begun_s: float
    written: int = 0
    left_out: int = 0
    words: str = ""
    """Of the last line that was left out, without its fields."""


class BoundedHandler(logging.StreamHandler[TextIO]):
    """Writes to standard error, or to the stream given, at most `MOST` lines of each place in `WINDOW_S`.

    The time is that of the records. A clock that is set ends the window: better some lines more than none.
    """

    def __init__(self, stream: TextIO | None = None) -> None:
        super().__init__(stream)
        self._places: dict[tuple[str, str, int], _Place] = {}
        self._holding: set[tuple[str, str, int]] = set()

    def emit(self, record: logging.LogRecord) -> None:
        """Write it, or count it."""
        for key in [key for key in self._holding if self._is_over(self._places[key], record.created)]:
            self._tell(key, record.created)
        key = (record.name, record.pathname, record.lineno)
        place = self._places.get(key)
        if place is None or self._is_over(place, record.created):
            place = self._places[key] = _Place(record.created)
        if place.written < MOST or record.levelno >= logging.CRITICAL:
            place.written += 1
            super().emit(record)
        else:
            place.left_out += 1
            place.words = record.getMessage()
            self._holding.add(key)

    def close(self) -> None:
        """Tell what was left out, and end. The stream stays open."""
        self.acquire()
        try:
            for key in list(self._holding):
                self._tell(key, self._places[key].begun_s + WINDOW_S)
        finally:
            self.release()
        super().close()

    def _tell(self, key: tuple[str, str, int], now_s: float) -> None:
        self._holding.discard(key)
        place = self._places.pop(key)
        said = logging.LogRecord(key[0], logging.WARNING, *key[1:], "more lines of one kind were left out", (), None)
        said.created = now_s
        said.__dict__.update(lines=place.left_out, within_s=int(WINDOW_S), last=place.words)
        super().emit(said)

    @staticmethod
    def _is_over(place: _Place, now_s: float) -> bool:
        return abs(now_s - place.begun_s) >= WINDOW_S


def set_up(level: str) -> None:
    """Send the log of motewatch to standard error at this level; other libraries only from WARNING on."""
    handler = BoundedHandler()
    handler.setFormatter(LineFormatter())
    root = logging.getLogger()
    root.handlers[:] = [handler]
    root.setLevel(logging.WARNING)
    logging.getLogger("motewatch").setLevel(level.upper())


def _cut(text: str, longest: int) -> str:
    return text if len(text) <= longest else f"{text[:longest]}... ({len(text)} characters)"


def _flat(text: str) -> str:
    if text.isprintable() and "\\" not in text:
        return text
    return "".join(c if c.isprintable() and c != "\\" else _ESCAPES.get(c) or _escape(c) for c in text)


def _escape(char: str) -> str:
    number = ord(char)
    return f"\\x{number:02x}" if number < 0x100 else f"\\u{number:04x}" if number < 0x10000 else f"\\U{number:08x}"


def _quoted(value: object, longest: int = LONGEST) -> str:
    text = _cut(str(value), longest)
    if text and text.isprintable() and not any(c in text for c in ' "=\\'):
        return text
    return '"' + _flat(text).replace('"', '\\"') + '"'
