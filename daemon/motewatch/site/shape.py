"""What may stand where in a site file, asked from the JSON Schema that the models generate.

One source for the schema file in `config/schemas/`, for "did you mean" and for the ranges in messages: the models.
Must not know any key by name.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from functools import cache
from typing import Any

from pydantic import BaseModel
from pydantic.json_schema import GenerateJsonSchema, JsonSchemaValue
from pydantic_core import core_schema

from motewatch.site.models import Site


class _Generator(GenerateJsonSchema):
    """TOML has no null, so an optional key is one that may be absent; titles would only repeat the keys."""

    def field_title_should_be_set(self, schema: Any) -> bool:
        return False

    def nullable_schema(self, schema: core_schema.NullableSchema) -> JsonSchemaValue:
        return self.generate_inner(schema["schema"])

    def default_schema(self, schema: core_schema.WithDefaultSchema) -> JsonSchemaValue:
        # A whole table as default would only repeat the defaults of its keys.
        if isinstance(schema.get("default"), BaseModel | None):
            return self.generate_inner(schema["schema"])
        return super().default_schema(schema)

    def float_schema(self, schema: core_schema.FloatSchema) -> JsonSchemaValue:
        # 0.3 is no multiple of 0.001 for tools that divide binary fractions: such steps are left to `check`.
        found = super().float_schema(schema)
        if found.get("multipleOf") == 0.001:
            del found["multipleOf"]
        return found


@cache
def _schema() -> dict[str, Any]:
    return Site.model_json_schema(schema_generator=_Generator)


def schema_text() -> str:
    """The JSON Schema of a site file (draft 2020-12), as `config/schemas/site.schema.json` has it."""
    schema = {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        **_schema(),
        "title": "motewatch site file, format 1",
    }
    return json.dumps(schema, indent=2) + "\n"


def _resolve(node: dict[str, Any], value: Any) -> dict[str, Any]:
    """Follow references, and pick the variant that the value's tag names (no variant: an empty shape)."""
    while True:
        if "$ref" in node:
            node = _schema()["$defs"][node["$ref"].rpartition("/")[2]]
        elif "discriminator" in node:
            tag = value.get(node["discriminator"]["propertyName"]) if isinstance(value, dict) else None
            reference = node["discriminator"]["mapping"].get(tag) if isinstance(tag, str) else None
            if reference is None:
                return {"type": "object"}
            node = {"$ref": reference}
        else:
            return node


def shape_at(data: Any, path: Sequence[str | int]) -> dict[str, Any]:
    """The schema of the key at `path` of the file `data`; empty where nothing is known there."""
    node = _resolve(_schema(), data)
    for part in path:
        if isinstance(part, int):
            data = data[part] if isinstance(data, list) and part < len(data) else None
            child = node.get("items")
        else:
            data = data.get(part) if isinstance(data, dict) else None
            child = node.get("properties", {}).get(part)
        if child is None:
            return {}
        node = _resolve(child, data)
    return node


def variants_at(data: Any, path: Sequence[str | int]) -> list[str]:
    """The tags of the variants that may stand at `path` (from one key on); empty where there is no choice."""
    parent = shape_at(data, path[:-1])
    child = parent.get("items") if isinstance(path[-1], int) else parent.get("properties", {}).get(path[-1])
    return [] if child is None else list(_plain(child).get("discriminator", {}).get("mapping", {}))


def tags_on(data: Any, path: Sequence[str | int]) -> tuple[str | int, ...]:
    """The path without the names of variants that a discriminated union puts into it (`rule.k-of-n.k`: `rule.k`)."""
    kept: list[str | int] = []
    node = _schema()
    for part in path:
        variants = node.get("discriminator", {}).get("mapping", {})
        if part in variants:
            node = _schema()["$defs"][variants[part].rpartition("/")[2]]
            continue
        kept.append(part)
        node = _plain(node)
        child = node.get("items") if isinstance(part, int) else node.get("properties", {}).get(part)
        node = _plain(child) if child is not None else {}
    return tuple(kept)


def _plain(node: dict[str, Any]) -> dict[str, Any]:
    while "$ref" in node:
        node = _schema()["$defs"][node["$ref"].rpartition("/")[2]]
    return node


def homes_of(key: str) -> list[str]:
    """Headers of the tables in which a key is known, such as `[[sensors]]`: for keys that landed in the wrong table."""
    return list(dict.fromkeys(header for header, known in _tables("", _schema(), False) if key in known))


def _tables(header: str, node: dict[str, Any], many: bool) -> Iterator[tuple[str, frozenset[str]]]:
    node = _plain(node)
    if many:
        node = _plain(node["items"])
    if "oneOf" in node:
        for variant in node["oneOf"]:
            yield from _tables(header, variant, False)
        return
    properties = node.get("properties")
    if properties is None:
        return
    if header:
        yield (f"[[{header}]]" if many else f"[{header}]"), frozenset(properties)
    for name, child in properties.items():
        child = _plain(child)
        yield from _tables(f"{header}.{name}" if header else name, child, child.get("type") == "array")


def range_text(shape: dict[str, Any]) -> str:
    """The allowed numbers in words: `from 0 to 100`, `above 0, at most 2000`. Empty where there is no bound."""
    if "minimum" in shape and "maximum" in shape:
        return f"from {number_text(shape['minimum'])} to {number_text(shape['maximum'])}"
    words = {
        "minimum": "at least",
        "exclusiveMinimum": "above",
        "maximum": "at most",
        "exclusiveMaximum": "below",
    }
    return ", ".join(f"{text} {number_text(shape[key])}" for key, text in words.items() if key in shape)


def number_text(value: float) -> str:
    """A number as a person writes it: `100`, not `100.0`, and no exponent where it is whole."""
    return str(int(value)) if float(value).is_integer() else f"{value:.12g}"
