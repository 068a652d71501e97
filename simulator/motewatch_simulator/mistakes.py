"""Reading a TOML file of the simulator, and what is common to telling its mistakes: scenarios and studies alike.

What a table may hold, and which keys are known where, is the caller's.
"""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from motewatch.site.problems import Problem
from motewatch_simulator.errors import ScenarioError


def text_of(path: Path, what: str) -> str:
    """The text of a file; `what` is what it should be. Raises `ScenarioError`."""
    try:
        return path.read_text(encoding="utf-8")
    except OSError as error:
        raise _whole(path.name, f"cannot be read: {error.strerror}", f"Give the path of {what}.") from None
    except UnicodeDecodeError:
        raise _whole(path.name, "is not UTF-8", "Save the file as UTF-8.") from None


def toml_of(text: str, name: str) -> dict[str, Any]:
    """The content of a text; `name` stands for the file in messages. Raises `ScenarioError`."""
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise _whole(name, f"is not TOML: {error}", "Mend the syntax at this place.") from None


def explain(kind: str, context: Mapping[str, Any], text: str) -> tuple[str, str]:
    """A mistake that any table may hold, by pydantic's kind, context and text: what is wrong, and how to mend it."""
    match kind:
        case "literal_error":
            return f"must be {context['expected']}", "Give one of these."
        case "mistake":
            return context["message"], context["mend"]
        case "string_pattern_mismatch":
            return "is no id", "Use lower case letters, digits, hyphen and underscore."
    message = text[:1].lower() + text[1:]
    if kind.startswith(("greater_than", "less_than")):
        return message, "Give a value within this range."
    return message, "Write it as the message says; numbers stand without quotes."


def unknown_key(key: str, known: Iterable[str]) -> tuple[str, str]:
    """A key that is not known where it stands, with the one that was probably meant."""
    names = sorted(known)
    near = difflib.get_close_matches(key, names, 1)
    mend = f'Did you mean "{near[0]}"?' if near else f"Known keys: {', '.join(names) or 'none'}."
    return "this key is not known here", mend


def _whole(name: str, message: str, mend: str) -> ScenarioError:
    return ScenarioError([Problem(name, "", "", message, mend)])
