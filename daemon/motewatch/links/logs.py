"""The log: one line an event, words first, then `key=value`.

    2026-05-28T20:27:00.123Z WARNING motewatch.writer dead letter topic=... reason=not-json bytes=12

Fields come by `extra={...}`. A value that is or holds a secret never gets here (secrets are `Secret` and print as
stars), and a field whose name sounds like one is starred all the same. Values are shortened, so that a hostile
message cannot fill the disk with its own text; line breaks are escaped, so that it cannot forge a line.
"""

from __future__ import annotations

import logging
from datetime import UTC, datetime
from typing import Final

LONGEST = 300
_STANDARD: Final = frozenset(logging.LogRecord("", 0, "", 0, "", (), None).__dict__) | {
    "message",
    "asctime",
    "taskName",
}
_SECRET_WORDS: Final = ("password", "secret", "token")


class LineFormatter(logging.Formatter):
    """Formats a record as one line."""

    def format(self, record: logging.LogRecord) -> str:
        """One line, whatever the record holds."""
        instant = datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
        parts = [instant, record.levelname, record.name, _flat(record.getMessage())]
        for key, value in record.__dict__.items():
            if key not in _STANDARD:
                starred = any(word in key.lower() for word in _SECRET_WORDS)
                parts.append(f"{key}={'***' if starred else _quoted(value)}")
        if record.exc_info:
            parts.append(f"trace={_quoted(self.formatException(record.exc_info), 4000)}")
        return " ".join(parts)


def set_up(level: str) -> None:
    """Send the log of motewatch to standard error at this level; other libraries only from WARNING on."""
    handler = logging.StreamHandler()
    handler.setFormatter(LineFormatter())
    root = logging.getLogger()
    root.handlers[:] = [handler]
    root.setLevel(logging.WARNING)
    logging.getLogger("motewatch").setLevel(level.upper())


def _flat(text: str) -> str:
    return text.replace("\\", "\\\\").replace("\n", "\\n").replace("\r", "\\r")


def _quoted(value: object, longest: int = LONGEST) -> str:
    text = str(value)
    if len(text) > longest:
        text = f"{text[:longest]}... ({len(text)} characters)"
    text = "".join(c if c.isprintable() or c == "\n" else f"\\x{ord(c):02x}" for c in text)
    if text and not any(c in text for c in ' "=\n\\'):
        return text
    return '"' + _flat(text).replace('"', '\\"') + '"'
