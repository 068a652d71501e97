"""Reads a ROOM.toml and says every mistake in it at once: file, key, value, and how to mend it.

First each table for itself (`mistakes`), then what needs several of them. No physics.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from motewatch.site.problems import KeyPath, Problem
from motewatch_simulator.errors import ScenarioError
from motewatch_simulator.mistakes import model_of, problem_at, text_of, toml_of
from motewatch_simulator.study import model as m
from motewatch_simulator.study.limits import limits_of, parts_of


def load_study(path: Path) -> m.Study:
    """The study of a file. Raises `ScenarioError` with every mistake found."""
    return parse_study(text_of(path, "a ROOM.toml"), path.name)


def is_study(path: Path) -> bool:
    """Does the file say that it is a room to study? Raises `ScenarioError` where it cannot be read."""
    data = toml_of(text_of(path, "a scenario file or a ROOM.toml"), path.name)
    return "study" in data and "scenario" not in data


def parse_study(text: str, name: str) -> m.Study:
    """The same from text; `name` stands for the file in messages."""
    data = toml_of(text, name)
    if "study" not in data:
        for table, what in (("scenario", "a scenario"), ("site", "a site file")):
            if table in data:
                mend = "Give a ROOM.toml, which has the tables [study] and [room]."
                raise ScenarioError([Problem(name, "", "", f"this is {what}, not a room to study", mend)])
    study = model_of(m.Study, data, name)
    problems = [problem_at(name, data, path, message, mend) for path, message, mend in _together(study)]
    if problems:
        raise ScenarioError(problems)
    return study


def _together(study: m.Study) -> Iterator[tuple[KeyPath, str, str]]:
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
