"""pydantic's errors told as problems: TOML key path, what is allowed, how to mend it.

One function per kind of mistake people make; what pydantic calls it is known here and nowhere else. Ranges and known
keys come from `site.shape`, so a new key in the models needs no work here.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Any

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from motewatch.site.models import IDENTIFIER_PATTERN, LABEL_PATTERN, TOPIC_ROOT_PATTERN, URL_PATTERN
from motewatch.site.people import CLOCK_PATTERN, TARGET_PATTERN, WEEKLY_TIME_PATTERN
from motewatch.site.problems import KeyPath, Problem, is_secret, key_text, look_up, quoted, table_text, value_text
from motewatch.site.shape import homes_of, number_text, range_text, shape_at, tags_on, variants_at

Told = tuple[str, str]
"""What is wrong, and how to mend it."""


def explain(failure: ValidationError, data: Any, file: str, within: KeyPath = ()) -> list[Problem]:
    """The problems of a file whose parsed content is `data`, in the order of the file's tables.

    `within`: for a file that holds one table of a site file alone, the place that this table has there; the shapes
    are looked up there, and the keys told are those of the file.
    """
    problems = []
    told = failure.errors(include_url=False)
    if within:
        data = _wrapped(data, within)
        for error in told:
            error["loc"] = (*within, *error["loc"])
    for error in told:
        if error["type"] == "too_short" and any(_inside(other, error) for other in told):
            # Not the list is too short: its entries are wrong, and each is told.
            continue
        path = tags_on(data, error["loc"])
        if error["type"] in ("union_tag_invalid", "union_tag_not_found"):
            # Pydantic has the key in quotes.
            path = (*path, error["ctx"]["discriminator"].strip("'"))
        elif error["type"] == "mistake" and error["ctx"]["key"]:
            path = (*path, error["ctx"]["key"])
        message, mend = _tell(error, path, data)
        problems.append(
            Problem(
                file=file,
                key=key_text(path[len(within) :]),
                value=_value(data, path),
                message=message,
                mend=mend,
                table=table_text(data, path),
            )
        )
    return problems


def _wrapped(data: Any, within: KeyPath) -> Any:
    for part in reversed(within):
        data = [data] if isinstance(part, int) else {part: data}
    return data


def _value(data: Any, path: KeyPath) -> str:
    value = look_up(data, path)
    whole_table = isinstance(value, dict) and bool(path) and isinstance(path[-1], int)
    return "" if whole_table else value_text(value, path[-1] if path else "")


def _inside(other: ErrorDetails, error: ErrorDetails) -> bool:
    loc = error["loc"]
    return len(other["loc"]) > len(loc) and other["loc"][: len(loc)] == loc


@dataclass(frozen=True, slots=True)
class Case:
    """One error: where, in which file content, what the models allow there, what the file has, pydantic's context."""

    path: KeyPath
    data: Any
    shape: dict[str, Any]
    value: Any
    context: dict[str, Any]


def _tell(error: ErrorDetails, path: KeyPath, data: Any) -> Told:
    context = error.get("ctx", {})
    if error["type"] == "mistake":
        return context["message"], context["mend"]
    teller = _TELLERS.get(error["type"])
    if teller is None:
        return error["msg"].removeprefix("Input should ").removeprefix("Value error, "), "Correct the value."
    return teller(Case(path, data, shape_at(data, path), look_up(data, path), context))


def _unknown_key(case: Case) -> Told:
    key = str(case.path[-1])
    known = list(shape_at(case.data, case.path[:-1]).get("properties", {}))
    # The unit forgotten (`high` for `high_pct`) is likelier than a letter mistyped.
    close = [name for name in known if name.startswith(key.lower() + "_")]
    close += get_close_matches(key.lower(), known, n=1, cutoff=0.6)
    if is_secret(key) and not homes_of(key):
        file = f"{key}_file" if f"{key}_file" in known else "password_file or token_file"
        return "unknown key", f"Secrets are read from files: name one by {file}."
    homes = homes_of(key)
    header = ".".join(str(part) for part in case.path[:-1] if isinstance(part, str))
    if f"[{header}]" in homes:
        return "unknown key for this kind", f"Remove it. Known here: {', '.join(known)}."
    if homes:
        # The usual cause: TOML gives a key to the last header above it.
        other = f", or did you mean {close[0]}?" if close else "."
        return f"unknown key in this table; it belongs in {' or '.join(homes)}", "Move it below that header" + other
    if close:
        return "unknown key", f"Did you mean {close[0]}?"
    return "unknown key", f"Remove it. Known here: {', '.join(known)}." if known else "Remove it."


def _missing(case: Case) -> Told:
    key = str(case.path[-1])
    if case.shape.get("type") == "array" and "properties" in shape_at(case.data, (*case.path, 0)):
        if len(case.path) > 1:
            # Within a table an empty list is never what is wanted where the key must be there.
            return "is missing", f"Add at least one table [[{'.'.join(str(part) for part in case.path)}]]."
        return "is missing", f"Add at least one table [[{key}]], or {key} = [] at the top."
    if "properties" in case.shape:
        return "is missing", f"Add the table [{key}]."
    if "const" in case.shape:
        return "is missing", f"Add the line {key} = {value_text(case.shape['const'])} at the top of the file."
    return "is missing", f"Add {key} = {_example(case.shape)}."


def _example(shape: dict[str, Any]) -> str:
    if "enum" in shape:
        return value_text(shape["enum"][0])
    kind = shape.get("type")
    if kind in ("number", "integer"):
        allowed = range_text(shape)
        return f"a {'whole ' if kind == 'integer' else ''}number" + (f" {allowed}" if allowed else "")
    if kind == "array":
        return f"[{_example(shape.get('items', {}))}, ...]"
    return '"..."'


def _out_of_range(case: Case) -> Told:
    words = {"ge": "greater than or equal to", "gt": "greater than", "le": "less than or equal to", "lt": "less than"}
    key = next(name for name in words if name in case.context)
    whole = "whole " if case.shape.get("type") == "integer" else ""
    return f"must be {words[key]} {number_text(case.context[key])}", f"Give a {whole}number {range_text(case.shape)}."


def _step(case: Case) -> Told:
    step = number_text(case.context["multiple_of"])
    return f"must be a multiple of {step}", f"Give a number {range_text(case.shape)} in steps of {step}."


def _not_finite(case: Case) -> Told:
    return "must be a finite number", f"Give a number {range_text(case.shape)}.".replace(" .", ".")


def _number(case: Case) -> Told:
    kind = "a whole number" if case.shape.get("type") == "integer" else "a number"
    allowed = range_text(case.shape)
    if isinstance(case.value, str) and re.fullmatch(r"\s*[-+]?\d+(\.\d+)?\s*", case.value):
        return f"must be {kind}, not text", f"Write {case.value.strip()} without quotes."
    return f"must be {kind}", f"Give {kind}{' ' + allowed if allowed else ''}."


def _text(case: Case) -> Told:
    if isinstance(case.value, int | float):
        return "must be text", f"Write it in quotes: {quoted(value_text(case.value))}."
    return "must be text", "Give a text in quotes."


def _flag(case: Case) -> Told:
    return "must be true or false", "Write true or false, without quotes."


def _date(case: Case) -> Told:
    return "must be a date", "Write it without quotes as 2027-03-31."


def _list(case: Case) -> Told:
    if isinstance(case.value, dict):
        header = ".".join(str(part) for part in case.path if isinstance(part, str))
        return f"must be a list of tables, written [[{header}]]", f"Write [[{header}]] with double brackets."
    return "must be a list", f"Put it in brackets: [{value_text(case.value)}]."


def _table(case: Case) -> Told:
    header = ".".join(str(part) for part in case.path if isinstance(part, str))
    if isinstance(case.value, list):
        return f"must be one table, written [{header}]", f"Write [{header}] with single brackets, once."
    return "must be a table", f"Write [{header}] and the keys {', '.join(case.shape.get('properties', ()))} below it."


def _choice(case: Case) -> Told:
    if "const" in case.shape:
        return f"must be {value_text(case.shape['const'])}", "This version of motewatch reads only that format."
    choices = case.shape.get("enum") or [
        c.strip("'") for c in re.split(r", | or ", case.context.get("expected_tags", ""))
    ]
    close = get_close_matches(str(case.value).lower(), [str(c).lower() for c in choices], n=1, cutoff=0.5)
    allowed = ", ".join(value_text(choice) for choice in choices)
    for choice in choices:
        if close and str(choice).lower() == close[0]:
            return f"must be one of {allowed}", f"Did you mean {value_text(choice)}?"
    return f"must be one of {allowed}", "Choose one of them."


def _no_kind(case: Case) -> Told:
    *others, last = (quoted(tag) for tag in variants_at(case.data, case.path[:-1]))
    return "is missing", f"Add {case.path[-1]} = {', '.join(others)} or {last}."


def _pattern(case: Case) -> Told:
    if case.context["pattern"] == IDENTIFIER_PATTERN:
        mended = re.sub(r"[^a-z0-9_-]+", "-", str(case.value).lower()).strip("-_")[:64].strip("-_")
        return (
            "must be lower case letters, digits, - and _, up to 64, with a letter or digit at both ends",
            f"Write {quoted(mended)}, and the same wherever it is referred to." if mended else "Choose another id.",
        )
    return _PATTERNS.get(case.context["pattern"], ("does not have the right form", "Correct the value."))


def _too_short(case: Case) -> Told:
    if case.shape.get("type") == "array":
        return (
            f"must have at least {case.shape.get('minItems', 1)} entry",
            f"Give [{_example(case.shape.get('items', {}))}, ...].",
        )
    return "must not be empty", "Write a text, or remove the key where it may be absent."


def _too_long(case: Case) -> Told:
    if case.shape.get("type") == "array":
        return f"must have at most {case.shape.get('maxItems')} entries", "Remove some."
    return f"must have at most {case.shape.get('maxLength')} characters", "Shorten it."


_PATTERNS: dict[str, Told] = {
    URL_PATTERN: ("must be a URL with http:// or https://", 'Write it as "http://127.0.0.1:8086".'),
    TOPIC_ROOT_PATTERN: (
        "must be topic levels of letters, digits, - and _, parted by /",
        'Write it as "motewatch/v1", without # and + and without / at the ends.',
    ),
    TARGET_PATTERN: (
        "must say whom to tell: person:ID, team:ID or rota:ID",
        'Write it as "person:okafor", "team:leads" or "rota:technician".',
    ),
    CLOCK_PATTERN: ("must be a time of day from 00:00 to 23:59", 'Write it as "08:00".'),
    WEEKLY_TIME_PATTERN: ("must be a day of the week and a time of day", 'Write it as "Tue 10:00".'),
    LABEL_PATTERN: ("must be one line without control characters", "Remove line breaks, tabs and escape sequences."),
}
_TELLERS: dict[str, Callable[[Case], Told]] = {
    "extra_forbidden": _unknown_key,
    "missing": _missing,
    "greater_than_equal": _out_of_range,
    "greater_than": _out_of_range,
    "less_than_equal": _out_of_range,
    "less_than": _out_of_range,
    "multiple_of": _step,
    "finite_number": _not_finite,
    "float_type": _number,
    "int_type": _number,
    "string_type": _text,
    "bool_type": _flag,
    "date_type": _date,
    "date_parsing": _date,
    "date_from_datetime_parsing": _date,
    "date_from_datetime_inexact": _date,
    "tuple_type": _list,
    "model_type": _table,
    "model_attributes_type": _table,
    "literal_error": _choice,
    "enum": _choice,
    "union_tag_invalid": _choice,
    "union_tag_not_found": _no_kind,
    "string_pattern_mismatch": _pattern,
    "string_too_short": _too_short,
    "too_short": _too_short,
    "string_too_long": _too_long,
    "too_long": _too_long,
}
