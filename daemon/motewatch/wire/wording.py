"""Why a message is refused, in sentences for the person who builds the sensor: key path, value, what is allowed.

Rules: a sentence is one line, can be written as UTF-8 and shown in a terminal whatever the payload held, and stays
short whatever its size. Only the way of a refused message comes through here, so clarity goes before speed.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from motewatch.site.models import IDENTIFIER_PATTERN, LABEL_PATTERN
from motewatch.wire.incoming import COMMENT_PATTERN

MAX_SENTENCES: Final = 3
"""So many mistakes of one message are told; the rest is counted."""

MAX_SHOWN: Final = 40
"""So many characters of a value or a key are shown."""

_PATTERNS: Final[Mapping[str, str]] = {
    IDENTIFIER_PATTERN: "must be an id: 1 to 64 lower case letters, digits, '-' and '_', no sign at the ends",
    LABEL_PATTERN: "must be text without control characters",
    COMMENT_PATTERN: "must be text without control characters",
}

_Context = Mapping[str, Any]

_RULES: Final[Mapping[str, Callable[[_Context], str]]] = {
    "int_type": lambda _: "must be a whole number, without quotes, decimal point or exponent",
    "int_from_float": lambda _: "must be a whole number, without quotes, decimal point or exponent",
    "float_type": lambda _: "must be a number, without quotes",
    "finite_number": lambda _: "must be a finite number; leave the key out where nothing was measured",
    "string_type": lambda _: "must be a text",
    "string_pattern_mismatch": lambda c: _PATTERNS.get(str(c.get("pattern")), f"must match {c.get('pattern')}"),
    "string_too_short": lambda c: f"must have at least {c.get('min_length')} character",
    "string_too_long": lambda c: f"must have at most {c.get('max_length')} characters",
    "too_short": lambda c: f"must have at least {c.get('min_length')} entry",
    "too_long": lambda c: f"must have at most {c.get('max_length')} entries",
    "tuple_type": lambda _: "must be an array",
    "model_type": lambda _: "must be an object",
    "bool_type": lambda _: "must be true or false, without quotes",
    "literal_error": lambda c: f"must be {c.get('expected')}",
    "greater_than_equal": lambda c: f"must not be less than {c.get('ge')}",
    "less_than_equal": lambda c: f"must not be greater than {c.get('le')}",
    "less_than": lambda c: f"must be less than {c.get('lt')}",
    "timezone_aware": lambda _: "must have a time zone: end it with Z for UTC, or with an offset such as +01:00",
    "instant": lambda _: "must be an ISO 8601 time in quotes, such as 2026-03-02T08:14:00Z",
    "datetime_parsing": lambda c: f"must be an ISO 8601 time such as 2026-03-02T08:14:00Z: {c.get('error')}",
    "datetime_from_date_parsing": lambda c: f"must be an ISO 8601 time such as 2026-03-02T08:14:00Z: {c.get('error')}",
}


def plain(text: str) -> str:
    """The text with everything that is no printable character (a blank is) written as an escape."""
    return "".join(c if c.isprintable() else c.encode("unicode_escape", "backslashreplace").decode() for c in text)


def shown(value: object) -> str:
    """A value as JSON has it, shortened; arrays and objects by their kind and length alone."""
    if isinstance(value, str):
        cut = value[:MAX_SHOWN]
        text = plain(json.dumps(cut, ensure_ascii=False))
        return text if len(value) <= MAX_SHOWN else f'{text[:-1]}..." ({len(value)} characters)'
    if isinstance(value, list | tuple):
        return f"an array of {len(value)}"
    if isinstance(value, dict):
        return f"an object of {len(value)}"
    if isinstance(value, int) and value.bit_length() > 128:
        return "a number of more than 38 digits"  # also because Python refuses to write out a very long one
    if isinstance(value, bool | int | float | None):
        return json.dumps(value)
    return f"a {type(value).__name__}"


def key_path(location: Sequence[int | str]) -> str:
    """`counts.values[2]`; empty for the message itself. At most six steps and short keys."""
    path = ""
    for step in location[:6]:
        if isinstance(step, int):
            path += f"[{step}]"
        else:
            name = step if len(step) <= MAX_SHOWN else f"{step[:MAX_SHOWN]}..."
            path += f".{plain(name)}" if path else plain(name)
    return path


def not_allowed(path: str, value: object, rule: str) -> str:
    """One sentence of the form that all have."""
    return f"{path or 'message'}: {shown(value)} {rule}"


def what_is_wrong(error: ValidationError, model: type[BaseModel]) -> str:
    """All that pydantic found wrong with a message of this model, at most three mistakes in full."""
    details = error.errors(include_url=False)
    sentences = [_sentence(detail, model) for detail in details[:MAX_SENTENCES]]
    if len(details) > MAX_SENTENCES:
        sentences.append(f"and {len(details) - MAX_SENTENCES} more")
    return "; ".join(sentences)


def _sentence(detail: ErrorDetails, model: type[BaseModel]) -> str:
    path = key_path(detail["loc"])
    kind = detail["type"]
    if kind == "missing":
        return f"{path}: this key is missing"
    if kind == "extra_forbidden":
        return f"{path}: no such key here; there are {', '.join(_keys_beside(detail['loc'], model))}"
    rule = _RULES.get(kind)
    said = rule(detail.get("ctx", {})) if rule else plain(detail["msg"]).replace("Input should", "should", 1)
    return not_allowed(path, detail["input"], said)


def _keys_beside(location: Sequence[int | str], model: type[BaseModel]) -> list[str]:
    """The keys that may stand where the unknown one stood."""
    for step in location[:-1]:
        inner = model.model_fields[str(step)].annotation
        if not (isinstance(inner, type) and issubclass(inner, BaseModel)):
            return []
        model = inner
    return list(model.model_fields)
