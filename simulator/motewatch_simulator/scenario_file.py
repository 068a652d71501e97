"""Reads a scenario file and says every mistake in it at once.

First each table for itself (pydantic), then the scenario against its site (`scenario_check`). Messages name the file,
the key, the value, what is allowed and how to mend it.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Any, get_args

from pydantic import ValidationError

from motewatch.site.models import Site, Table
from motewatch.site.problems import Problem, key_text, look_up, table_text, value_text
from motewatch_simulator import scenario as s
from motewatch_simulator.errors import ScenarioError
from motewatch_simulator.mistakes import explain, text_of, toml_of, unknown_key
from motewatch_simulator.scenario_check import check

_INCIDENTS: dict[str, type[Table]] = {
    get_args(model.model_fields["kind"].annotation)[0]: model for model in get_args(get_args(s.Incident)[0])
}
_DISPERSIONS: dict[str, type[Table]] = {"negative-binomial": s.Gamma, "log-ou": s.LogOu}
_NESTED: dict[str, type[Table]] = {
    "seen_by": s.Probe,
    "door": s.Door,
    "response": s.Response,
    "tube": s.Tubing,
    "ports": s.Port,
    "manifold": s.Manifold,
    "stops": s.Stop,
    "tour": s.Round,
    "random": s.AtRandom,
}
"""Tables within tables by their key; of two that lie in each other the inner one comes first."""
_TABLES: dict[str, type[Table]] = {
    "scenario": s.Head,
    "keeping": s.Keeping,
    "outdoors": s.Outdoors,
    "surroundings": s.Surroundings,
    "rooms": s.Plant,
    "connections": s.Connection,
    "people": s.People,
    "machines": s.Machine,
    "locations": s.Place,
    "sensors": s.Counter,
}


def load_scenario(path: Path, site: Site) -> s.Scenario:
    """The scenario of a file, checked against its site. Raises `ScenarioError` with every mistake found."""
    return parse_scenario(text_of(path, "a scenario file"), path.name, site)


def parse_scenario(text: str, name: str, site: Site) -> s.Scenario:
    """The same from text; `name` stands for the file in messages."""
    data = toml_of(text, name)
    try:
        scenario = s.Scenario.model_validate(data)
    except ValidationError as error:
        raise ScenarioError([_problem(name, data, one) for one in error.errors()]) from None
    problems = check(name, data, scenario, site)
    if problems:
        raise ScenarioError(problems)
    return scenario


def _problem(name: str, data: Any, error: Any) -> Problem:
    # pydantic puts the kind of an incident or a dispersion into the path; the file has no such key.
    path = tuple(
        part
        for i, part in enumerate(error["loc"])
        if not ((i == 2 and part in _INCIDENTS) or (i == 3 and part in _DISPERSIONS))
    )
    kind, context = error["type"], error.get("ctx", {})
    if kind == "union_tag_invalid":
        path = (*path, "kind")
    found = look_up(data, path)
    value = "" if kind in {"missing", "union_tag_not_found"} else value_text(found, path[-1] if path else "")
    message, mend = _explain(kind, context, error["msg"], path, data)
    return Problem(name, key_text(path), value, message, mend, table=table_text(data, path[:-1]))


def _explain(kind: str, context: Any, text: str, path: tuple[str | int, ...], data: Any) -> tuple[str, str]:
    """What is wrong, and how to mend it."""
    what, known = ("incident", _INCIDENTS) if path[0] == "incidents" else ("dispersion", _DISPERSIONS)
    kinds = f"Give one of {', '.join(known)}."
    match kind:
        case "extra_forbidden":
            return unknown_key(str(path[-1]), _keys_at(path, data))
        case "missing":
            return "this key is missing", "Add it."
        case "union_tag_not_found":
            return f"{'an' if what[0] == 'i' else 'a'} {what} needs its kind", kinds
        case "union_tag_invalid":
            return f"there is no such kind of {what}", kinds
    return explain(kind, context, text)


def _keys_at(path: tuple[str | int, ...], data: Any) -> Iterable[str]:
    """The keys known where an unknown one stands."""
    if len(path) == 1:
        return s.Scenario.model_fields
    for key, nested in _NESTED.items():
        if key in path[:-1]:
            return nested.model_fields
    if "dispersion" in path[:-1]:
        kind = look_up(data, (*path[:-1], "kind"))
        return _DISPERSIONS[kind].model_fields if kind in _DISPERSIONS else ()
    if path[0] == "incidents":
        kind = look_up(data, (*path[:2], "kind"))
        return _INCIDENTS[kind].model_fields if kind in _INCIDENTS else ()
    table = _TABLES.get(str(path[0]))
    return () if table is None else table.model_fields
