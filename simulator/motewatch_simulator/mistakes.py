"""Reading a TOML file of the simulator and telling its mistakes, all at once: scenarios and studies alike.

Each mistake with file, key, value and how to mend it. What a table may hold is read off the models, so a new key needs
no work here. What several tables say wrongly together is the caller's.
"""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any, TypeVar, get_args

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from motewatch.site.problems import KeyPath, Problem, key_text, look_up, table_text, value_text
from motewatch_simulator.errors import ScenarioError

Model = TypeVar("Model", bound=BaseModel)
Tables = tuple[type[BaseModel], ...]
"""The models a table may have: one, or several told apart by their kind."""

_KIND = "kind"


def text_of(path: Path, what: str) -> str:
    """The text of a file; `what` is what it should be. Raises `ScenarioError`."""
    try:
        return path.read_text(encoding="utf-8")
    except OSError as error:
        raise _whole(str(path), f"cannot be read: {error.strerror}", f"Give the path of {what}.") from None
    except UnicodeDecodeError:
        raise _whole(path.name, "is not UTF-8", "Save the file as UTF-8.") from None


def toml_of(text: str, name: str) -> dict[str, Any]:
    """The content of a text; `name` stands for the file in messages. Raises `ScenarioError`."""
    try:
        return tomllib.loads(text)
    except (tomllib.TOMLDecodeError, ValueError) as error:
        raise _whole(name, f"is not TOML: {error}", "Mend the syntax at this place.") from None
    except RecursionError:
        raise _whole(name, "is not TOML that can be read: it nests without end", "Mend the brackets.") from None


def model_of(model: type[Model], data: dict[str, Any], name: str) -> Model:
    """The content of a file as its model, each table checked for itself. Raises `ScenarioError`."""
    try:
        return model.model_validate(data)
    except ValidationError as failure:
        told = failure.errors(include_url=False)
        # A list that seems too short has wrong entries, and each of them is told.
        told = [one for one in told if one["type"] != "too_short" or not any(_within(other, one) for other in told)]
        raise ScenarioError([_problem(model, data, name, error) for error in told]) from None


def problem_at(name: str, data: Any, path: KeyPath, message: str, mend: str) -> Problem:
    """A mistake at a place of the file, with the value that stands there."""
    value = value_text(look_up(data, path), path[-1])
    return Problem(name, key_text(path), value, message, mend, table=table_text(data, path[:-1]))


def _within(other: ErrorDetails, error: ErrorDetails) -> bool:
    loc = error["loc"]
    return len(other["loc"]) > len(loc) and other["loc"][: len(loc)] == loc


def _problem(model: type[BaseModel], data: Any, name: str, error: ErrorDetails) -> Problem:
    kind, context = error["type"], error.get("ctx", {})
    path = _as_written(model, error["loc"], data)
    if kind in ("union_tag_invalid", "union_tag_not_found"):
        path = (*path, _KIND)
    elif kind == "mistake" and context["key"]:
        path = (*path, context["key"])
    found = look_up(data, path)
    value = "" if kind == "missing" or isinstance(found, dict) else value_text(found, path[-1] if path else "")
    message, mend = _explain(kind, context, error["msg"], path, _tables_at(model, path[:-1], data))
    return Problem(name, key_text(path), value, message, mend, table=table_text(data, path[:-1]))


def _explain(kind: str, context: Mapping[str, Any], text: str, path: KeyPath, around: Tables) -> tuple[str, str]:
    """What is wrong, and how to mend it; `around` is the table in which it stands."""
    match kind:
        case "extra_forbidden":
            return _unknown_key(str(path[-1]), {key for one in around for key in one.model_fields})
        case "missing":
            return _missing(path, around)
        case "union_tag_not_found":
            return f"the kind of this {_word(path)} is missing", f"Give one of {', '.join(_by_kind(around))}."
        case "union_tag_invalid":
            return f"there is no such kind of {_word(path)}", f"Give one of {', '.join(_by_kind(around))}."
        case "literal_error":
            return f"must be {context['expected']}", "Give one of these."
        case "mistake":
            return context["message"], context["mend"]
        case "string_pattern_mismatch":
            return "is no id", "Use lower case letters, digits, hyphen and underscore."
        case "too_short":
            return "there is none", f"Add at least one {_word((*path, ''))}."
        case "tuple_type" | "model_type" | "model_attributes_type":
            return _shape(kind, path)
        case "string_type":
            return "must be a text", "Write it in quotes."
    message = text[:1].lower() + text[1:]
    if kind.startswith(("greater_than", "less_than")):
        return message, "Give a value within this range."
    return message, "Write it as the message says; numbers stand without quotes."


def _unknown_key(key: str, known: Iterable[str]) -> tuple[str, str]:
    names = sorted(known)
    near = difflib.get_close_matches(key, names, 1)
    mend = f'Did you mean "{near[0]}"?' if near else f"Known keys: {', '.join(names) or 'none'}."
    return "this key is not known here", mend


def _missing(path: KeyPath, around: Tables) -> tuple[str, str]:
    key = str(path[-1])
    annotations = [one.model_fields[key].annotation for one in around if key in one.model_fields]
    if not any(_tables_of(annotation) for annotation in annotations):
        return "this key is missing", f"Add {key} here."
    if any(getattr(annotation, "__origin__", None) is tuple for annotation in annotations):
        return "there is none", f"Add at least one table [[{key}]]."
    return "this table is missing", f"Add the table [{key_text(path)}]."


def _shape(kind: str, path: KeyPath) -> tuple[str, str]:
    """A value where a list or a table belongs."""
    key = next((part for part in reversed(path) if isinstance(part, str)), "")
    if kind == "tuple_type":
        return "must be a list", f"Write {key} = [...]; of tables one [[{key}]] above each."
    return "must be a table", f"Write {key} = {{ ... }}, or its keys below [{key_text(path)}]."


def _word(path: KeyPath) -> str:
    """What an entry of the list or table is called in which a kind stands."""
    return [part for part in path[:-1] if isinstance(part, str)][-1].removesuffix("s")


def _as_written(model: type[BaseModel], loc: KeyPath, data: Any) -> KeyPath:
    """A place as the file has it: pydantic puts the kind of a table into it, which is no key."""
    path: KeyPath = ()
    for part in loc:
        if part not in _by_kind(_possible_at(model, path, data)) or look_up(data, (*path, _KIND)) != part:
            path = (*path, part)
    return path


def _possible_at(model: type[BaseModel], path: KeyPath, data: Any) -> Tables:
    """Every model that a place may have, whatever kind the file says there."""
    here: Tables = (model,)
    for depth, part in enumerate(path):
        here = _said(here, look_up(data, (*path[:depth], _KIND)))
        if isinstance(part, str):
            fields = [one.model_fields[part].annotation for one in here if part in one.model_fields]
            here = tuple(table for annotation in fields for table in _tables_of(annotation))
    return here


def _tables_at(model: type[BaseModel], path: KeyPath, data: Any) -> Tables:
    """The model of a place: several only where the file says no kind that is known."""
    return _said(_possible_at(model, path, data), look_up(data, (*path, _KIND)))


def _said(tables: Tables, kind: Any) -> Tables:
    known = _by_kind(tables)
    return (known[kind],) if isinstance(kind, str) and kind in known else tables


def _by_kind(tables: Tables) -> dict[str, type[BaseModel]]:
    """Models that are told apart by their kind."""
    if len(tables) < 2 or not all(_KIND in one.model_fields for one in tables):
        return {}
    return {kind: one for one in tables for kind in get_args(one.model_fields[_KIND].annotation)}


def _tables_of(annotation: Any) -> Tables:
    """The models within a type, whether it is a table, a list of them, or one of several."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return (annotation,)
    return tuple(table for part in get_args(annotation) for table in _tables_of(part))


def _whole(name: str, message: str, mend: str) -> ScenarioError:
    return ScenarioError([Problem(name, "", "", message, mend)])
