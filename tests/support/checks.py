"""Checks against published values, recorded as they are made, so that the docs can list them.

`check` asserts like any test and notes what was compared: value, source, how the value was confirmed, tolerance.
`tests/reference/conftest.py` writes the notes as a page (`pytest tests/reference --write-checks PATH`).

Words for `confirmed`: "found" (seen in the public document named as source), "found secondary" (seen only in a page
that repeats it), "from memory" (not confirmed), "recomputed" (own arithmetic from a formula), "constructed" (a case
made for the test). Several may be joined: "found, recomputed".
"""

from __future__ import annotations

import builtins
import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import Enum
from typing import SupportsFloat


@dataclass(frozen=True, slots=True)
class Check:
    """One comparison as it was made. `expected` and `tolerance` are text, ready to be read."""

    section: str
    what: str
    expected: str
    tolerance: str
    source: str
    confirmed: str
    passed: bool


RECORDED: list[Check] = []
"""Every check of this process, in the order in which they were made."""


def check(
    section: str,
    what: str,
    expected: object,
    actual: object,
    *,
    source: str,
    confirmed: str,
    rel: float = 0.0,
    abs: float = 0.0,
) -> None:
    """Assert that `actual` is `expected` and record it.

    Numbers may differ by the greater of `abs` and `rel` times the size of `expected` (NaN never passes); everything
    else must be equal. `section` is a topic that names its table ("ISO 14644-1, Table 1"), `what` says what was
    compared ("class 5, 0.5 um, per m3") and is unique within its section.
    """
    if not (section and what and source and confirmed):
        raise ValueError("a check needs a section, what was compared, its source and how it was confirmed")
    passed = _agree(expected, actual, rel, abs)
    RECORDED.append(Check(section, what, text_of(expected), _tolerance(rel, abs), source, confirmed, passed))
    assert passed, f"{section}: {what}: expected {expected!r}, got {actual!r} ({_tolerance(rel, abs) or 'exactly'})"


def _is_number(value: object) -> bool:
    return isinstance(value, SupportsFloat) and not isinstance(value, bool | Enum | str)


def _agree(expected: object, actual: object, rel: float, abs: float) -> bool:
    if _is_number(expected) and _is_number(actual):
        assert isinstance(expected, SupportsFloat)
        assert isinstance(actual, SupportsFloat)
        if rel == 0.0 and abs == 0.0:
            return bool(expected == actual)
        wanted, found = float(expected), float(actual)
        near = math.isfinite(found) and builtins.abs(found - wanted) <= max(abs, rel * builtins.abs(wanted))
        return near or found == wanted
    return bool(expected == actual)


def _tolerance(rel: float, abs: float) -> str:
    parts = []
    if abs:
        parts.append(f"±{abs:.3g}")
    if rel:
        parts.append(f"±{100 * rel:.3g} %")
    return " or ".join(parts)


def text_of(value: object) -> str:
    """A value for people: `3 520`, `0.0253`, `too few`."""
    if value is None:
        return "none"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, Enum):
        return str(getattr(value, "word", value.value))
    if isinstance(value, str):
        return value
    if isinstance(value, int):
        return f"{value:,}".replace(",", " ")
    if isinstance(value, SupportsFloat):
        return f"{float(value):.10g}"
    if isinstance(value, Iterable):
        return ", ".join(text_of(part) for part in value)
    return str(value)


# The page

HEAD = """\
# Reference checks

Every published or recomputed value that the reference tests hold Motewatch against, as it was recorded while they
ran. This page is generated: `pytest tests/reference --write-checks deploy/docs/reference-checks.md`. A test fails when
the page and the tests no longer agree.

How a value was confirmed:

| word | meaning |
| --- | --- |
| found | seen in the public document named as its source |
| found secondary | seen only in a public page that repeats the document |
| from memory | not confirmed by any document at hand |
| recomputed | own arithmetic from a formula |
| constructed | a case made for the test, from no publication |

Tolerances stand behind the expected value; without one, the values are equal. A tolerance of half the last printed
digit only means that the source prints that many digits.
"""


def page(checks: Iterable[Check]) -> str:
    """The checks as Markdown: by section, each check once, the same text whatever order they were made in.

    Raises ValueError when two different checks of a section have the same description.
    """
    rows: dict[tuple[str, str], Check] = {}
    for made in checks:
        key = made.section, made.what
        known = rows.setdefault(key, made)
        if known != made:
            raise ValueError(f"two different checks are both called {made.what!r} in {made.section!r}")
    sections: dict[str, list[Check]] = {}
    for _, made in sorted(rows.items(), key=lambda item: (_natural(item[0][0]), _natural(item[0][1]))):
        sections.setdefault(made.section, []).append(made)
    passed = sum(made.passed for made in rows.values())
    lines = [HEAD, f"{len(rows)} checks in {len(sections)} sections, {passed} passed.", ""]
    for section, members in sections.items():
        lines += [f"## {section}", "", *_table(members), ""]
    return "\n".join(lines)


def _table(checks: Sequence[Check]) -> list[str]:
    """A table; what is the same in every row (source, confirmation) is said once above it."""
    sources = {made.source for made in checks}
    confirmed = {made.confirmed for made in checks}
    lines = []
    head = ["what", "expected"]
    if len(sources) == 1:
        lines.append(f"Source: {checks[0].source}.")
    else:
        head.append("source")
    if len(confirmed) == 1:
        lines.append(f"Confirmed: {checks[0].confirmed}.")
    else:
        head.append("confirmed")
    if lines:
        lines.append("")
    head.append("result")
    lines += [_row(head), _row(["---"] * len(head))]
    for made in checks:
        cells = [made.what, f"{made.expected} {made.tolerance}".strip()]
        if len(sources) > 1:
            cells.append(made.source)
        if len(confirmed) > 1:
            cells.append(made.confirmed)
        lines.append(_row([*cells, "pass" if made.passed else "**FAIL**"]))
    return lines


def _row(cells: Iterable[str]) -> str:
    return "| " + " | ".join(cell.replace("|", "\\|").replace("\n", " ") for cell in cells) + " |"


def _natural(text: str) -> tuple[tuple[int, float, str], ...]:
    """Sort key that puts 2 before 10 and 0.5 before 5."""
    return tuple(
        (0, float(part), "") if part[:1].isdigit() else (1, 0.0, part)
        for part in re.findall(r"\d+(?:\.\d+)?|[^\d]+", text)
    )
