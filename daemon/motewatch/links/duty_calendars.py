"""Puts the calendars that rotas name as files into the site, so that the configuration on record is whole.

Who was on call must follow from the journal, not from a file beside it that may change: a replay reads the journal
alone. Knows files; what a calendar may hold is `callout.duty_calendar`.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from motewatch.site.problems import Problem, key_text, table_text, value_text

KEY: Final = "calendar_file"
MAX_BYTES: Final = 2 * 1024 * 1024
"""Years of shifts, each an event of its own, are some hundred kilobytes."""


def embed_calendars(data: dict[str, Any], path: Path) -> tuple[dict[str, Any], list[Problem]]:
    """The content of the site file at `path` with the text of each rota's calendar in it, and what was wrong."""
    rotas = data.get("rotas")
    if not isinstance(rotas, list):
        return data, []
    problems: list[Problem] = []
    whole = []
    for number, rota in enumerate(rotas):
        name = rota.get(KEY) if isinstance(rota, dict) else None
        if not isinstance(name, str):
            whole.append(rota)
            continue
        text = _TWO if "calendar" in rota else _read(path.parent / name)
        if isinstance(text, _Trouble):
            at = ("rotas", number, KEY)
            problems.append(
                Problem(str(path), key_text(at), value_text(name), text.message, text.mend, table=table_text(data, at))
            )
            whole.append(rota)
        else:
            whole.append(rota | {"calendar": text})
    return data | {"rotas": whole}, problems


@dataclass(frozen=True, slots=True)
class _Trouble:
    """Why a calendar cannot be taken, and how to mend it."""

    message: str
    mend: str = "Give the path of an existing calendar (.ics), relative to the site file."


_TWO: Final = _Trouble("calendar_file and calendar are both given, and would be two calendars", "Keep one of them.")


def _read(file: Path) -> str | _Trouble:
    try:
        with file.open("rb") as stream:
            content = stream.read(MAX_BYTES + 1)
    except FileNotFoundError:
        return _Trouble(f"there is no such file ({file})")
    except OSError as error:
        return _Trouble(f"the file cannot be read: {error.strerror} ({file})")
    if len(content) > MAX_BYTES:
        return _Trouble(f"the file has more than {MAX_BYTES} bytes: is it a calendar? ({file})")
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError:
        return _Trouble(f"the file is not UTF-8, as a calendar must be ({file})")
