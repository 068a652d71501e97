"""Writes plain TOML, for the demo's copy of the site file (the standard library only reads it).

Rules: takes what `tomllib` gives (no dates with times, no values other than its own types) and reads its own writing
back before handing it out, so that a gap in it shows at once. Comments and layout are not kept.
"""

from __future__ import annotations

import json
import tomllib
from collections.abc import Mapping
from datetime import date
from typing import Any


def toml_text(document: Mapping[str, Any]) -> str:
    """The document as TOML. ValueError for what it cannot write."""
    lines: list[str] = []
    _table(document, (), lines)
    text = "\n".join(lines) + "\n"
    if tomllib.loads(text) != document:
        raise ValueError("the document would not survive being written as TOML")
    return text


def _table(table: Mapping[str, Any], path: tuple[str, ...], lines: list[str]) -> None:
    deeper = []
    for key, value in table.items():
        if isinstance(value, Mapping) or _is_tables(value):
            deeper.append((key, value))
        else:
            lines.append(f"{_key(key)} = {_value(value)}")
    for key, value in deeper:
        name = ".".join(_key(part) for part in (*path, key))
        for head, one in [(f"[{name}]", value)] if isinstance(value, Mapping) else [(f"[[{name}]]", x) for x in value]:
            lines += ["", head]
            _table(one, (*path, key), lines)


def _is_tables(value: object) -> bool:
    return isinstance(value, list) and len(value) > 0 and all(isinstance(one, Mapping) for one in value)


def _key(key: str) -> str:
    bare = key != "" and key.isascii() and all(c.isalnum() or c in "-_" for c in key)
    return key if bare else _string(key)


def _string(text: str) -> str:
    # JSON's escapes are TOML's, but for DEL, which JSON leaves as it is, and for pairs of surrogates: no ASCII.
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _value(value: object) -> str:
    match value:
        case bool():
            return "true" if value else "false"
        case str():
            return _string(value)
        case int() | float():
            return repr(value)
        case date():
            return value.isoformat()
        case list():
            return "[" + ", ".join(_value(one) for one in value) + "]"
        case Mapping():
            return "{" + ", ".join(f"{_key(key)} = {_value(one)}" for key, one in value.items()) + "}"
    raise ValueError(f"no TOML for {type(value).__name__}")
