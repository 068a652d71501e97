"""What is different between two configurations, as a list that people can read. Pure.

Rules: tables with an id or a name are compared by it and not by their place in the file, so a room that moved is no
difference. What is written out and what is left to its default are the same. Works on canonical texts, also on those
that this version of the models would not take any more.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

_KEYS: Final = (("id",), ("alarm",), ("area", "room", "location", "occupancy", "size_um"))
"""What names a table of a list: the first of these by which each, before and after, has a name of its own."""


@dataclass(frozen=True, slots=True)
class Difference:
    """One place: what it was and what it is. None: it is not there."""

    path: str
    before: str | None
    after: str | None


def differences(before: str, after: str) -> list[Difference]:
    """The differences between two canonical texts, by path."""
    found = _between("", json.loads(before), json.loads(after))
    return sorted(found, key=lambda one: one.path)


def _between(path: str, before: Any, after: Any) -> Iterator[Difference]:
    if before == after:
        return
    parts = _parts(before, after)
    if parts is None:
        yield Difference(path, _text(before), _text(after))
        return
    ours, theirs = parts
    listed = isinstance(before, list)
    for name in dict.fromkeys([*ours, *theirs]):
        below = f"{path}[{name}]" if listed else f"{path}.{name}" if path else name
        if name not in theirs:
            yield from _whole(below, ours[name], gone=True)
        elif name not in ours:
            yield from _whole(below, theirs[name], gone=False)
        else:
            yield from _between(below, ours[name], theirs[name])


def _whole(path: str, value: Any, *, gone: bool) -> Iterator[Difference]:
    """Something that is on one side only: a table of the file whole, so that nobody looks for its parts elsewhere."""
    if value is None or value == [] or value == {}:
        return
    if isinstance(value, dict):
        value = {key: each for key, each in value.items() if each not in (None, [], {})}
    text = _text(value)
    yield Difference(path, text, None) if gone else Difference(path, None, text)


def _parts(before: Any, after: Any) -> tuple[dict[str, Any], dict[str, Any]] | None:
    """The parts by name, of two tables or of two lists of tables; None: they are values."""
    if isinstance(before, dict) and isinstance(after, dict):
        return before, after
    if not isinstance(before, list) or not isinstance(after, list):
        return None
    if not all(isinstance(each, dict) for each in [*before, *after]):
        return None
    for keys in _KEYS:
        ours, theirs = _named(before, keys), _named(after, keys)
        if ours is not None and theirs is not None:
            return ours, theirs
    return {str(number): each for number, each in enumerate(before, 1)}, {
        str(number): each for number, each in enumerate(after, 1)
    }


def _named(tables: list[dict[str, Any]], keys: tuple[str, ...]) -> dict[str, Any] | None:
    """The tables by what these keys of each say; None: not each has a name of its own so."""
    names = [" ".join(_plain(table[key]) for key in keys if table.get(key) is not None) for table in tables]
    return dict(zip(names, tables, strict=True)) if all(names) and len(set(names)) == len(names) else None


def _text(value: Any) -> str | None:
    if value is None:
        return None
    if isinstance(value, str):
        return value
    if isinstance(value, list) and all(not isinstance(each, dict | list) for each in value):
        return ", ".join(_plain(each) for each in value) or "(none)"
    return _plain(value)


def _plain(value: Any) -> str:
    return value if isinstance(value, str) else json.dumps(value, ensure_ascii=False, sort_keys=True)
