"""The log: one line an event, words first, then `key=value`.

    2026-05-28T20:27:00.123Z WARNING motewatch.writer dead letter topic=... reason=not-json bytes=12

Fields come by `extra={...}`. A value that is or holds a secret never gets here (secrets are `Secret` and print as
stars), and a field whose name sounds like one is starred all the same. Values and words are shortened, so that a
hostile message cannot fill the disk with its own text; line breaks and whatever else does not print are escaped, so
that it can neither forge a line nor upset the terminal of whoever reads it.
"""

from __future__ import annotations

import logging
from datetime import UTC, datetime
from typing import Final

LONGEST = 300
LONGEST_WORDS = 2_000
LONGEST_TRACE = 4_000
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


def set_up(level: str) -> None:
    """Send the log of motewatch to standard error at this level; other libraries only from WARNING on."""
    handler = logging.StreamHandler()
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
