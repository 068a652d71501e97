"""Reads a ROOM.toml and says every mistake in it at once: file, key, value, and how to mend it.

First each table for itself (pydantic), then what needs several of them. No physics.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any, get_args

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from motewatch.site.models import Table
from motewatch.site.problems import Problem, key_text, look_up, table_text, value_text
from motewatch_simulator.errors import ScenarioError
from motewatch_simulator.mistakes import explain, text_of, toml_of, unknown_key
from motewatch_simulator.study import model as m
from motewatch_simulator.study.limits import limits_of, parts_of

_KINDS: dict[str, type[Table]] = {
    get_args(event.model_fields["kind"].annotation)[0]: event for event in m.Event.__subclasses__()
}
_RULES = ("per-sample", "k-of-n", "rolling-volume", "confidence")
_TAGS = {*_KINDS, *_RULES}


def load_study(path: Path) -> m.Study:
    """The study of a file. Raises `ScenarioError` with every mistake found."""
    return parse_study(text_of(path, "a ROOM.toml"), path.name)


def parse_study(text: str, name: str) -> m.Study:
    """The same from text; `name` stands for the file in messages."""
    data = toml_of(text, name)
    try:
        study = m.Study.model_validate(data)
    except ValidationError as error:
        raise ScenarioError([_problem(name, data, one) for one in error.errors(include_url=False)]) from None
    problems = [
        Problem(name, key_text(path), value_text(look_up(data, path), path[-1]), message, mend,
                table=table_text(data, path[:-1]))
        for path, message, mend in _together(study)
    ]  # fmt: skip
    if problems:
        raise ScenarioError(problems)
    return study


Path_ = tuple[str | int, ...]


def _together(study: m.Study) -> Iterator[tuple[Path_, str, str]]:
    """What several tables say wrongly together."""
    for table in ("positions", "incidents", "rules"):
        ids = [one.id for one in getattr(study, table)]
        for i, one in enumerate(ids):
            if one in ids[:i]:
                yield (table, i, "id"), "this id is given twice", "Give each its own id."
    for i, position in enumerate(study.positions):
        if position.zone == "unidirectional" and study.zone is None:
            mend = 'Add the table [zone], or write zone = "room".'
            yield ("positions", i, "zone"), "this room has no unidirectional zone", mend
        if position.z_m > study.room.height_m:
            mend = f"The room is {study.room.height_m:g} m high."
            yield ("positions", i, "z_m"), "this is above the ceiling", mend
    for i, incident in enumerate(study.incidents):
        if isinstance(incident, m.ZoneSource) and study.zone is None:
            mend = 'Add the table [zone], or write kind = "source".'
            yield ("incidents", i, "kind"), "this room has no unidirectional zone", mend
    supplied = study.room.air_changes_per_h * study.room.area_m2 * study.room.height_m
    if study.room.inflow_m3_h > supplied:
        yield (
            ("room", "inflow_m3_h"),
            f"more air leaks in than the plant supplies, which is {supplied:.0f} m3/h: the air does not balance",
            "Lower inflow_m3_h, or raise air_changes_per_h.",
        )
    for part in parts_of(study):
        known = {limit.size_um for limit in limits_of(study, part, at_rest=False)}
        if not known & set(study.counter.sizes_um):
            yield (
                ("counter", "sizes_um"),
                f"the counter counts no size that has a limit in the {part}",
                f"Add one of {', '.join(f'{size:g}' for size in sorted(known))}.",
            )
        for i, rule in enumerate(study.rules):
            for size in rule.sizes_um:
                if size not in study.counter.sizes_um or size not in known:
                    both = sorted(known & set(study.counter.sizes_um))
                    yield (
                        ("rules", i, "sizes_um"),
                        f"{size:g} um has no limit in the {part}, or is not counted",
                        f"Give sizes of {', '.join(f'{size:g}' for size in both) or 'another counter'}.",
                    )
                    break


def _problem(name: str, data: Any, error: ErrorDetails) -> Problem:
    # pydantic puts the tag of a union into the path; the file has no such key.
    loc = error["loc"]
    path: Path_ = tuple(
        part for part, before in zip(loc, ("", *loc), strict=False) if part not in _TAGS or not _tagged(before)
    )
    kind, context = error["type"], error.get("ctx", {})
    if kind in ("union_tag_invalid", "union_tag_not_found"):
        path = (*path, "kind")
    elif kind == "mistake" and context["key"]:
        path = (*path, context["key"])
    found = look_up(data, path)
    value = "" if kind == "missing" or isinstance(found, dict) else value_text(found, path[-1] if path else "")
    message, mend = _explain(kind, context, error["msg"], path, data)
    return Problem(name, key_text(path), value, message, mend, table=table_text(data, path[:-1]))


def _tagged(before: str | int) -> bool:
    """May a tag follow on this part of a path?"""
    return isinstance(before, int) or before == "rule"


def _explain(kind: str, context: Any, text: str, path: Path_, data: Any) -> tuple[str, str]:
    """What is wrong, and how to mend it."""
    match kind:
        case "extra_forbidden":
            return unknown_key(str(path[-1]), _keys_at(path, data))
        case "missing":
            table = isinstance(path[-1], str) and len(path) == 1 and path[0] != "format"
            return "this is missing", f"Add the table {path[-1]}." if table else f"Add {path[-1]} here."
        case "union_tag_not_found":
            return "the kind is missing", "Add kind."
        case "union_tag_invalid":
            known = _RULES if "rule" in path else tuple(_KINDS)
            return "there is no such kind", f"Give one of {', '.join(known)}."
    return explain(kind, context, text)


def _keys_at(path: Path_, data: Any) -> list[str]:
    """The keys known where an unknown one stands."""
    at: type[BaseModel] | None = m.Study
    for depth, part in enumerate(path[:-1]):
        if isinstance(part, int) or at is None:
            continue
        if part == "incidents":
            at = _KINDS.get(look_up(data, (*path[: depth + 2], "kind")))
            continue
        at = _table_of(at, part)
    return [] if at is None else list(at.model_fields)


def _table_of(model: type[BaseModel], key: str) -> type[BaseModel] | None:
    """The model of a table within a model, whether it is one table or a list, given or not."""
    todo = [model.model_fields[key].annotation] if key in model.model_fields else []
    while todo:
        one = todo.pop()
        if isinstance(one, type) and issubclass(one, BaseModel):
            return one
        todo += get_args(one)
    return None
