"""A rehearsal on the record: feeds `engine.rehearsal` with a stretch of recorded inputs, within limits.

Rules: reads only. It may be ended by the clock and by the number of inputs, and then says how far it came. Whoever runs
it beside a live service runs it in a process of its own (`aside`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

from pydantic import ValidationError
from sqlalchemy import func, select

from motewatch.engine.codec import decode_internal
from motewatch.engine.records import Configured, Input
from motewatch.engine.rehearsal import Change, Differing, Outcome, Raised, Rehearsal
from motewatch.journal import tables
from motewatch.journal.configurations import CONFIGURED, is_configured
from motewatch.journal.inputs import input_of
from motewatch.journal.journal import Journal
from motewatch.links.clock import TimeSource
from motewatch.links.errors import LinkError
from motewatch.site.instants import instant
from motewatch.site.models import Site
from motewatch.wire.records import DAY_US, HOUR_US
from motewatch.wire.topics import Topics

LONGEST_US: Final = 31 * DAY_US
WARM_UP_US: Final = HOUR_US
PAGE: Final = 1_000

_inputs = tables.inputs.c


class RehearsalError(LinkError):
    """This cannot be rehearsed; the message says why and how to mend it."""

    final = True


@dataclass(frozen=True, slots=True)
class Rehearsed:
    """What a rehearsal found. `before`: digest of what was in force when it began."""

    before: str
    other: str
    from_us: int
    until_us: int
    reached_us: int
    """Nothing is known of what came later: a limit ended it, or the record does."""
    cut: bool
    """A limit ended it."""
    inputs: int
    unreadable: int
    """Inputs that this version cannot read any more; they were left out."""
    outcome: Outcome


def rehearse(
    journal: Journal, other: Configured, from_us: int, until_us: int, clock: TimeSource, limit_s: float | None = None
) -> Rehearsed:
    """Rehearse `other` on what came in from `from_us` on and before `until_us`. Raises `RehearsalError`."""
    if not from_us < until_us:
        raise RehearsalError("nothing lies between these times; begin earlier or end later")
    if until_us - from_us > LONGEST_US:
        raise RehearsalError(f"{LONGEST_US // DAY_US} days are rehearsed at most; choose a shorter stretch")
    warm_us = max(0, from_us - WARM_UP_US)
    first, before = _start(journal, warm_us, until_us)
    deadline_s = None if limit_s is None else clock.monotonic_s() + limit_s
    site = _site(before, "the configuration that was in force then")
    _site(other, "the configuration to be rehearsed")
    topics = Topics(site.service.topic_root, site.site.id)
    begun = max(warm_us, _applied(journal, first) if first else warm_us)
    rehearsal = Rehearsal(before, other, begun)
    taken = unreadable = 0
    reached_us, last, cut, over = begun, first - 1, False, False
    while not over and not cut:
        page = journal.inputs_after(last, PAGE)
        for row in page:
            if row.applied_us >= until_us:
                over = True
                break
            try:
                item = input_of(topics, row)
                rehearsal.take(Input(row.received_us, row.applied_us, item.what))
                taken += 1
            except (ValidationError, ValueError, KeyError):
                unreadable += 1
            reached_us = row.applied_us
        if not page:
            break
        last = page[-1].id
        cut = not over and deadline_s is not None and clock.monotonic_s() >= deadline_s
    if not cut:
        # Time goes on after the last input, as far as the engine of the service had come.
        reached_us = max(reached_us, min(until_us - 1, journal.engine_us() or reached_us))
        rehearsal.end(reached_us)
    outcome = rehearsal.outcome(from_us)
    return Rehearsed(before.digest, other.digest, from_us, until_us, reached_us, cut, taken, unreadable, outcome)


def plain(rehearsed: Rehearsed, most: int = 1_000) -> dict[str, Any]:
    """As plain values, with the first so many differing alarms."""
    outcome = rehearsed.outcome
    return {
        "before": rehearsed.before,
        "other": rehearsed.other,
        "from_us": rehearsed.from_us,
        "until_us": rehearsed.until_us,
        "reached_us": rehearsed.reached_us,
        "cut": rehearsed.cut,
        "inputs": rehearsed.inputs,
        "unreadable": rehearsed.unreadable,
        "was": outcome.was,
        "would": outcome.would,
        "counts": {change.value: sum(one.change is change for one in outcome.differing) for change in Change},
        "alarms": [
            {"change": each.change.value, "was": _plain(each.was), "would": _plain(each.would)}
            for each in outcome.differing[:most]
        ],
    }


def _plain(raised: Raised | None) -> dict[str, Any] | None:
    return None if raised is None else {name: getattr(raised, name) for name in Raised.__slots__}


def from_plain(found: dict[str, Any]) -> Rehearsed:
    """What `plain` made, but for the alarms it left out."""
    alarms = tuple(
        Differing(Change(each["change"]), _raised(each["was"]), _raised(each["would"])) for each in found["alarms"]
    )
    return Rehearsed(
        found["before"],
        found["other"],
        found["from_us"],
        found["until_us"],
        found["reached_us"],
        found["cut"],
        found["inputs"],
        found["unreadable"],
        Outcome(found["was"], found["would"], alarms),
    )


def _raised(found: dict[str, Any] | None) -> Raised | None:
    return None if found is None else Raised(**found)


def _start(journal: Journal, warm_us: int, until_us: int) -> tuple[int, Configured]:
    """The first input to be rehearsed, and what was in force before it."""
    last = journal.last_input_id()
    low, high = 1, last + 1
    while low < high:
        middle = (low + high) // 2
        if _applied(journal, middle) < warm_us:
            low = middle + 1
        else:
            high = middle
    with journal.store.reading() as connection:
        query = select(_inputs.id, _inputs.payload).where(is_configured())
        found = connection.execute(query.where(_inputs.id <= low).order_by(_inputs.id.desc()).limit(1)).first()
        if found is None:
            # The record begins in this time.
            found = connection.execute(query.order_by(_inputs.id).limit(1)).first()
    if found is None or low > last or _applied(journal, low) >= until_us:
        began = journal.first_input_us()
        begins = "it is empty" if began is None else f"it begins at {instant(began):%Y-%m-%d %H:%M} UTC"
        raise RehearsalError(f"nothing came in at that time on this record ({begins}); choose another time")
    configured = decode_internal(CONFIGURED, found.payload)
    assert isinstance(configured, Configured)
    return max(low, found.id + 1 if found.id >= low else low), configured


def _applied(journal: Journal, input_id: int) -> int:
    with journal.store.reading() as connection:
        query = select(func.min(_inputs.applied_us)).where(_inputs.id == input_id)
        return int(connection.execute(query).scalar() or 0)


def _site(configured: Configured, name: str) -> Site:
    try:
        return Site.model_validate_json(configured.text)
    except ValidationError as error:
        said = error.errors()[0]["msg"]
        raise RehearsalError(f"{name} cannot be read by this version of motewatch: {said}") from None
