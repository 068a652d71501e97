"""The model of the pages about alarms: the lists by what they ask of people, one alarm with its meaning and history.

Pure but for what it is handed. The words of states, places and times are those of the other pages.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final
from zoneinfo import ZoneInfo

from motewatch.alarms.lifecycle import State
from motewatch.engine.records import AlarmChanged
from motewatch.engine.register import RegisterRow
from motewatch.picture import words
from motewatch.picture.words import figure, lasting
from motewatch.web.console.now import AlarmNow
from motewatch.web.words import at
from motewatch.wire.outgoing import AlarmMessage

GROUPS: Final[tuple[tuple[str, str, frozenset[str]], ...]] = (
    (
        "Not acknowledged",
        "Somebody has to take note. What has returned to normal leaves the list once it is acknowledged.",
        frozenset({"unacknowledged", "returned-unacknowledged", "latched-unacknowledged"}),
    ),
    ("Acknowledged, and still so", "Somebody has taken note.", frozenset({"acknowledged"})),
    ("Latched", "Returned to normal, and kept until somebody resets it.", frozenset({"latched-acknowledged"})),
    ("Shelved", "Hidden for a while by a person; they come back by themselves.", frozenset({"shelved"})),
    (
        "Suppressed by design",
        "Hidden by a rule of the site while its reason lasts.",
        frozenset({"suppressed-by-design"}),
    ),
    (
        "Out of service",
        "Hidden for maintenance, under a permit, until somebody returns them.",
        frozenset({"out-of-service"}),
    ),
)
"""Title, what it means, and the states: what asks something of people first."""


@dataclass(frozen=True, slots=True)
class Item:
    """One line of a list. `hidden`: of a hidden alarm, whether its condition holds, why it is hidden, until when."""

    line: AlarmNow
    hidden: str


@dataclass(frozen=True, slots=True)
class Group:
    """Alarms that ask the same of people."""

    title: str
    about: str
    items: tuple[Item, ...]
    open: bool
    """They can be acknowledged."""


@dataclass(frozen=True, slots=True)
class Step:
    """One step in an alarm's history."""

    when: str
    what: str
    now: str
    who: str
    comment: str
    text: str


def groups_of(alarms: Sequence[tuple[AlarmMessage, AlarmNow]], zone: ZoneInfo, now_us: int) -> list[Group]:
    """The lists; those of people's work always, the others where there is something in them."""
    found = []
    for number, (title, about, states) in enumerate(GROUPS):
        items = tuple(Item(line, hidden_words(alarm, zone, now_us)) for alarm, line in alarms if alarm.state in states)
        if items or number < 2:
            found.append(Group(title, about, items, number == 0))
    return found


def hidden_words(alarm: AlarmMessage, zone: ZoneInfo, now_us: int) -> str:
    """Of a hidden alarm: what is so, why it is hidden, by whom and until when. Empty for others."""
    if alarm.state not in ("shelved", "suppressed-by-design", "out-of-service"):
        return ""
    parts = ["its condition holds now" if alarm.active else "its condition does not hold now"]
    if alarm.hidden_because:
        parts.append(alarm.hidden_because)
    if alarm.permit:
        parts.append(f"permit {alarm.permit}")
    if alarm.hidden_by:
        parts.append(f"by {alarm.hidden_by}")
    if alarm.until is not None:
        parts.append(f"until {at(words.microseconds(alarm.until), zone, now_us)}")
    return "; ".join(parts)


def steps_of(changes: Sequence[AlarmChanged], zone: ZoneInfo) -> list[Step]:
    """An alarm's history, newest first."""
    return [
        Step(
            words.clock(change.at_us, zone, 0) + (", found late" if change.late else ""),
            words.EVENTS[change.event.value],
            words.STATES[change.after.value],
            change.by,
            change.comment,
            change.text,
        )
        for change in reversed(changes)
    ]


@dataclass(frozen=True, slots=True)
class Meaning:
    """What an alarm is about and what to do: from the site's register."""

    what: str
    judged: str
    limits: tuple[str, ...]
    cause: str
    consequence: str
    action: str
    respond: str
    priority: str
    severity: str
    source: str


def meaning_of(row: RegisterRow) -> Meaning:
    """The words of one row of the register."""
    limits = tuple(
        f"{figure(limit.value)} {limit.unit}"
        + (f" ({', '.join(limit.states)})" if limit.states else "")
        + f", {limit.source}"
        for limit in row.limits
    )
    advice = row.advice
    return Meaning(
        row.what,
        row.judged,
        limits,
        advice.cause,
        advice.consequence,
        advice.action,
        lasting(advice.respond_within_us),
        advice.priority.value,
        advice.severity.value,
        advice.source,
    )


def state_of(changes: Sequence[AlarmChanged]) -> State:
    """Where the alarm stands by its last step."""
    return changes[-1].after if changes else State.NORMAL
