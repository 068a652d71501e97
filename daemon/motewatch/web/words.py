"""How the answer page says things: instants, who, and where an alarm stands (figures: `callout.words`).

Rules: short sentences that are understood at 3 a.m.; a state is always said in words; times are local to the site, with
the day where it is not today's. Pure. Must not know HTML.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Final
from zoneinfo import ZoneInfo

from motewatch.alarms.lifecycle import Event, State
from motewatch.engine.records import AlarmChanged
from motewatch.site.instants import instant
from motewatch.wire.records import MINUTE_US


def local(us: int, zone: ZoneInfo) -> datetime:
    """The site's wall clock at an instant."""
    return instant(us).astimezone(zone)


def at(us: int, zone: ZoneInfo, now_us: int) -> str:
    """`01:58`; `Sun 23:40` within a week; else with the date."""
    return at_on(us, zone, local(now_us, zone).date())


def at_on(us: int, zone: ZoneInfo, today: date) -> str:
    """The same, as said on a day."""
    when = local(us, zone)
    days = abs((today - when.date()).days)
    if days == 0:
        return f"{when.hour:02d}:{when.minute:02d}"
    return f"{when:%a %H:%M}" if days < 7 else f"{when:%Y-%m-%d %H:%M}"


def zone_words(now_us: int, zone: ZoneInfo) -> str:
    """Which clock the times of a page are of: `Europe/Berlin (CET)`, `Asia/Dubai (UTC+04)`, `UTC`."""
    letters = f"{local(now_us, zone):%Z}"
    shown = f"UTC{letters}" if letters[:1] in "+-" else letters
    return zone.key if zone.key == shown else f"{zone.key} ({shown})"


def ago(us: int, now_us: int) -> str:
    """`22 minutes ago`, and nothing of a future."""
    minutes = max(0, now_us - us) // MINUTE_US
    if minutes < 1:
        return "just now"
    if minutes < 120:
        return f"{minutes} {'minute' if minutes == 1 else 'minutes'} ago"
    hours = minutes // 60
    return f"{hours} hours ago" if hours < 48 else f"{hours // 24} days ago"


def length(minutes: int) -> str:
    """`30 minutes`, `1 hour`, `2.5 hours`."""
    if minutes < 60 or minutes % 30:
        return f"{minutes} {'minute' if minutes == 1 else 'minutes'}"
    hours = minutes / 60
    return f"{hours:g} {'hour' if hours == 1 else 'hours'}"


@dataclass(frozen=True, slots=True)
class Standing:
    """Where an alarm stands: a headline, a sentence, and what may be done about it."""

    head: str
    detail: str
    open: bool
    """Nobody has taken note of it."""
    acknowledge: bool
    shelve: bool


TO_TAKE: Final = frozenset({State.UNACKNOWLEDGED, State.RETURNED_UNACKNOWLEDGED, State.LATCHED_UNACKNOWLEDGED})
"""States in which somebody may take note of an alarm."""


def standing(
    steps: Sequence[AlarmChanged], names: Mapping[str, str], zone: ZoneInfo, now_us: int, person: str
) -> Standing:
    """Where the alarm of these steps (oldest first, the last one counts) stands, as told to `person`."""
    if not steps:
        return Standing("Not known here", "There is no such alarm on record.", False, False, False)
    last = steps[-1]
    state = last.after
    over = f"It returned to normal at {at(_end(steps), zone, now_us)}."
    taker = next((step for step in reversed(steps) if step.event is Event.ACKNOWLEDGE), None)
    taken, said = "Somebody has taken it", ""
    if taker is not None:
        who = "You" if _same(taker.by, person, names) else names.get(taker.by, taker.by) or "Somebody"
        taken = f"{who} took it at {at(taker.found_us, zone, now_us)}"
        said = f" “{taker.comment}”" if taker.comment else ""
    by = names.get(last.by, last.by) or "somebody"
    if state is State.UNACKNOWLEDGED:
        return Standing("Nobody has taken it yet", "The condition still holds.", True, True, True)
    if state is State.ACKNOWLEDGED:
        return Standing(taken, f"The condition still holds.{said}", False, False, True)
    if state is State.RETURNED_UNACKNOWLEDGED:
        return Standing("Returned to normal, not acknowledged", over, True, True, True)
    if state is State.LATCHED_UNACKNOWLEDGED:
        return Standing(
            "Returned to normal, not acknowledged", f"{over} It stays until it is reset.", True, True, False
        )
    if state is State.LATCHED_ACKNOWLEDGED:
        return Standing(taken, f"{over} It stays until it is reset.{said}", False, False, False)
    if state is State.NORMAL:
        return Standing("Returned to normal", over, False, False, False)
    if state is State.SHELVED:
        until = "" if last.until_us is None else f" until {at(last.until_us, zone, now_us)}"
        comment = f" “{last.comment}”" if last.comment else ""
        detail = f"Since {at(last.found_us, zone, now_us)}. It comes back by itself.{comment}"
        return Standing(f"Shelved by {by}{until}", detail, False, False, False)
    if state is State.SUPPRESSED_BY_DESIGN:
        return Standing("Suppressed by design", "It is evaluated, but not announced now.", False, False, False)
    return Standing("Out of service", f"Since {at(last.found_us, zone, now_us)}, by {by}.", False, False, False)


def _end(steps: Sequence[AlarmChanged]) -> int:
    """When the condition ended, by the last step that says so."""
    ends = (Event.RETURNS, Event.RETURNS_LATCHED)
    return next((step.at_us for step in reversed(steps) if step.event in ends), steps[-1].at_us)


def _same(by: str, person: str, names: Mapping[str, str]) -> bool:
    """`by` may be a person's id or name: whoever gives a command by another way may write either."""
    return by.casefold() in (person.casefold(), names.get(person, person).casefold())
