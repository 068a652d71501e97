"""A mistake in a site file, told so that the reader can mend it: file, key, value, what is allowed, how to mend it.

Knows how keys are written in TOML and how values are shown; must not know what the keys mean. Values under keys that
look like secrets are never shown: people do write passwords into the wrong place.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from typing import Any

KeyPath = tuple[str | int, ...]

_BARE = re.compile(r"[A-Za-z0-9_-]+")
_SECRET = re.compile(r"password|passwd|secret|token|credential", re.IGNORECASE)
_USER_INFO = re.compile(r"//[^/@\s]*@")
_SHOWN = 60
STARS = "*****"


class Severity(StrEnum):
    """An error stops the daemon from using the file; a warning is worth a look."""

    ERROR = "error"
    WARNING = "warning"


@dataclass(frozen=True, slots=True)
class Problem:
    """One mistake. `message` says what is wrong with the value and what is allowed, `mend` what to do.

    `key` is the path as TOML would have it (`rooms[2].climate.humidity.high_pct`, `line 3, column 5` for syntax, empty
    for the file as a whole). `value` is as written in the file, empty where there is none. `table` names the table by
    its id where that is known (`rooms "gown-in"`), because nobody counts tables.
    """

    file: str
    key: str
    value: str
    message: str
    mend: str
    severity: Severity = Severity.ERROR
    table: str = ""

    def __str__(self) -> str:
        """Two lines: where and what, then how to mend it."""
        where = self.file
        if self.key:
            where += f": {self.key}"
        if self.table:
            where += f" ({self.table})"
        if self.value:
            where += f" = {self.value}"
        kind = "" if self.severity is Severity.ERROR else "warning: "
        return f"{where}: {kind}{self.message}\n    {self.mend}"


def errors(problems: Iterable[Problem]) -> list[Problem]:
    """Those that stop the daemon."""
    return [problem for problem in problems if problem.severity is Severity.ERROR]


def key_text(path: Sequence[str | int]) -> str:
    """`("rooms", 2, "name")` as `rooms[2].name`; keys that TOML would quote are quoted."""
    text = ""
    for part in path:
        if isinstance(part, int):
            text += f"[{part}]"
        else:
            text += ("." if text else "") + (part if _BARE.fullmatch(part) else quoted(part))
    return text


def printable(text: str, longest: int = _SHOWN) -> str:
    """The text on one line, shortened, with characters that would upset a terminal escaped."""
    short = text if len(text) <= longest else text[: longest - 3] + "..."
    return "".join(c if c.isprintable() else f"\\u{ord(c):04x}" for c in short)


def quoted(text: str) -> str:
    """A TOML basic string, shortened inside the quotes, so that it still reads as a text."""
    short = text if len(text) <= _SHOWN else text[: _SHOWN - 3] + "..."
    return '"' + printable(short.replace("\\", "\\\\").replace('"', '\\"'), 2 * _SHOWN) + '"'


def is_secret(key: str | int) -> bool:
    """Does the key look like one that holds a secret itself (`password`), and not the name of a file?"""
    return isinstance(key, str) and _SECRET.search(key) is not None and not key.endswith("_file")


def value_text(value: Any, key: str | int = "") -> str:
    """A value as it could stand in the file, shortened; stars where the key looks like a secret of its own."""
    if is_secret(key):
        return STARS
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return quoted(_USER_INFO.sub(f"//{STARS}@", value))
    if isinstance(value, dict):
        return "{...}" if value else "{}"
    if isinstance(value, list | tuple):
        text = "[" + ", ".join(value_text(item) for item in value) + "]"
    elif isinstance(value, date):
        text = value.isoformat()
    elif isinstance(value, float):
        # As written: a whole number comes back from the models as a float.
        text = f"{value:.15g}"
    elif value is None:
        return ""
    else:
        text = str(value)
    return printable(text)


def look_up(data: Any, path: Sequence[str | int]) -> Any:
    """What the file has at the path, or None."""
    for part in path:
        if isinstance(data, dict) and isinstance(part, str):
            data = data.get(part)
        elif isinstance(data, list) and isinstance(part, int) and 0 <= part < len(data):
            data = data[part]
        else:
            return None
    return data


def table_text(data: Any, path: Sequence[str | int]) -> str:
    """The innermost table of a list on the path, by its id: `rooms "gown-in"`. Empty where there is no id."""
    for length in range(len(path), 1, -1):
        if isinstance(path[length - 1], int):
            table = look_up(data, path[:length])
            ident = table.get("id") if isinstance(table, dict) else None
            if isinstance(ident, str):
                return f"{path[length - 2]} {value_text(ident)}"
    return ""
