"""The lifecycle table as a page for people: a diagram (Mermaid text) and the table itself, both from `lifecycle.TABLE`.

Pure: gives the text. A test compares it with `deploy/docs/alarm-lifecycle.md`.
"""

from __future__ import annotations

from typing import Final

from motewatch.alarms.lifecycle import ACTIVE, HIDDEN, LETTERS, STANDING, TABLE, Event, State

_HEAD: Final = """\
# The life of an alarm

Written from the table in `daemon/motewatch/alarms/lifecycle.py`; do not edit it here. States after ANSI/ISA-18.2-2016
and IEC 62682. The transitions between A, B, C and D are those that public material cites; those of the other states are
from memory of the standards, not confirmed.

Hidden states (shelved, suppressed by design, out of service) go on being evaluated: the condition comes and goes on
record, and nobody is told. What is not in the table is refused and changes nothing.
"""


def page() -> str:
    """The whole page, ending with a line break."""
    return "\n".join((_HEAD, "## Diagram\n", *_diagram(), "\n## Table\n", *_table(), "")).rstrip("\n") + "\n"


def _diagram() -> list[str]:
    lines = ["```mermaid", "stateDiagram-v2", f"    [*] --> {LETTERS[State.NORMAL]}"]
    lines += [f'    state "{LETTERS[state]} {state.value}" as {LETTERS[state]}' for state in State]
    for state in State:
        together: dict[State, list[Event]] = {}
        for event, after in TABLE[state].items():
            together.setdefault(after, []).append(event)
        for after, events in together.items():
            words = ", ".join(event.value for event in events)
            lines.append(f"    {LETTERS[state]} --> {LETTERS[after]} : {words}")
    return [*lines, "```"]


def _table() -> list[str]:
    lines = ["| from | stands as | event | to |", "| --- | --- | --- | --- |"]
    for state in State:
        for event, after in TABLE[state].items():
            lines.append(f"| {_named(state)} | {_kind(state)} | {event.value} | {_named(after)} |")
    return lines


def _named(state: State) -> str:
    return f"{LETTERS[state]} {state.value}"


def _kind(state: State) -> str:
    if state in HIDDEN:
        return "hidden"
    if state in ACTIVE:
        return "active"
    return "returned to normal, waits for a person" if state in STANDING else "-"
