"""The life of an alarm, as one literal table.

States after ANSI/ISA-18.2-2016 and IEC 62682 (normal, unacknowledged, acknowledged, returned to normal
unacknowledged, the two latched ones, shelved, suppressed by design, out of service). The transitions A-D are those
that public material cites from IEC 62682; those of the latched, shelved, suppressed and out-of-service states are
from memory of the standards, not confirmed.

Rules: every state has a row; a pair that the table does not hold is refused and the state stays. Whatever depends on
more than (state, event) is in the event: `STARTS` is sent only after the on-delay, `RETURNS` only after deadband and
off-delay, `RETURNS_LATCHED` instead of it where the alarm latches, and the way out of a hidden state names the
present condition, or that design logic hides the alarm on. While shelved or out of service it is not suppressed as
well: the design logic takes hold when it comes back. `SUPPRESS` in the suppressed state is another reason to be in it.
A latched alarm that was active while hidden comes out as active and then returns latched, in two steps.
This module must not know delays, people, places or time.
"""

from __future__ import annotations

from enum import StrEnum


class State(StrEnum):
    """Where an alarm stands. The letter of each state in the standards' drawing is in `LETTERS`."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED_UNACKNOWLEDGED = "returned-unacknowledged"
    LATCHED_UNACKNOWLEDGED = "latched-unacknowledged"
    LATCHED_ACKNOWLEDGED = "latched-acknowledged"
    SHELVED = "shelved"
    SUPPRESSED_BY_DESIGN = "suppressed-by-design"
    OUT_OF_SERVICE = "out-of-service"


class Event(StrEnum):
    """What can happen to an alarm."""

    STARTS = "starts"
    RETURNS = "returns"
    RETURNS_LATCHED = "returns-latched"
    ACKNOWLEDGE = "acknowledge"
    RESET = "reset"
    RE_ALARM = "re-alarm"
    SHELVE = "shelve"
    UNSHELVE_ACTIVE = "unshelve-active"
    UNSHELVE_NORMAL = "unshelve-normal"
    UNSHELVE_SUPPRESSED = "unshelve-suppressed"
    SUPPRESS = "suppress"
    UNSUPPRESS_ACTIVE = "unsuppress-active"
    UNSUPPRESS_NORMAL = "unsuppress-normal"
    REMOVE_FROM_SERVICE = "remove-from-service"
    RETURN_TO_SERVICE_ACTIVE = "return-to-service-active"
    RETURN_TO_SERVICE_NORMAL = "return-to-service-normal"
    RETURN_TO_SERVICE_SUPPRESSED = "return-to-service-suppressed"


LETTERS = {
    State.NORMAL: "A",
    State.UNACKNOWLEDGED: "B",
    State.ACKNOWLEDGED: "C",
    State.RETURNED_UNACKNOWLEDGED: "D",
    State.LATCHED_UNACKNOWLEDGED: "E",
    State.LATCHED_ACKNOWLEDGED: "F",
    State.SHELVED: "G",
    State.SUPPRESSED_BY_DESIGN: "H",
    State.OUT_OF_SERVICE: "I",
}

_HIDE = {
    Event.SHELVE: State.SHELVED,
    Event.SUPPRESS: State.SUPPRESSED_BY_DESIGN,
    Event.REMOVE_FROM_SERVICE: State.OUT_OF_SERVICE,
}


def _evaluated(state: State) -> dict[Event, State]:
    """A hidden alarm goes on being evaluated: its condition comes and goes on record, and it stays hidden."""
    return {Event.STARTS: state, Event.RETURNS: state}


TABLE: dict[State, dict[Event, State]] = {
    State.NORMAL: {
        Event.STARTS: State.UNACKNOWLEDGED,
        **_HIDE,
    },
    State.UNACKNOWLEDGED: {
        Event.ACKNOWLEDGE: State.ACKNOWLEDGED,
        Event.RETURNS: State.RETURNED_UNACKNOWLEDGED,
        Event.RETURNS_LATCHED: State.LATCHED_UNACKNOWLEDGED,
        **_HIDE,
    },
    State.ACKNOWLEDGED: {
        Event.RETURNS: State.NORMAL,
        Event.RETURNS_LATCHED: State.LATCHED_ACKNOWLEDGED,
        Event.RE_ALARM: State.UNACKNOWLEDGED,
        **_HIDE,
    },
    State.RETURNED_UNACKNOWLEDGED: {
        Event.STARTS: State.UNACKNOWLEDGED,
        Event.ACKNOWLEDGE: State.NORMAL,
        **_HIDE,
    },
    State.LATCHED_UNACKNOWLEDGED: {
        Event.STARTS: State.UNACKNOWLEDGED,
        Event.ACKNOWLEDGE: State.LATCHED_ACKNOWLEDGED,
        Event.RESET: State.RETURNED_UNACKNOWLEDGED,
        Event.REMOVE_FROM_SERVICE: State.OUT_OF_SERVICE,
    },
    State.LATCHED_ACKNOWLEDGED: {
        Event.STARTS: State.UNACKNOWLEDGED,
        Event.RESET: State.NORMAL,
        Event.REMOVE_FROM_SERVICE: State.OUT_OF_SERVICE,
    },
    State.SHELVED: {
        **_evaluated(State.SHELVED),
        Event.UNSHELVE_ACTIVE: State.UNACKNOWLEDGED,
        Event.UNSHELVE_NORMAL: State.NORMAL,
        Event.UNSHELVE_SUPPRESSED: State.SUPPRESSED_BY_DESIGN,
        Event.REMOVE_FROM_SERVICE: State.OUT_OF_SERVICE,
    },
    State.SUPPRESSED_BY_DESIGN: {
        **_evaluated(State.SUPPRESSED_BY_DESIGN),
        Event.SUPPRESS: State.SUPPRESSED_BY_DESIGN,
        Event.UNSUPPRESS_ACTIVE: State.UNACKNOWLEDGED,
        Event.UNSUPPRESS_NORMAL: State.NORMAL,
        Event.REMOVE_FROM_SERVICE: State.OUT_OF_SERVICE,
    },
    State.OUT_OF_SERVICE: {
        **_evaluated(State.OUT_OF_SERVICE),
        Event.RETURN_TO_SERVICE_ACTIVE: State.UNACKNOWLEDGED,
        Event.RETURN_TO_SERVICE_NORMAL: State.NORMAL,
        Event.RETURN_TO_SERVICE_SUPPRESSED: State.SUPPRESSED_BY_DESIGN,
    },
}

STANDING = frozenset(
    {
        State.UNACKNOWLEDGED,
        State.ACKNOWLEDGED,
        State.RETURNED_UNACKNOWLEDGED,
        State.LATCHED_UNACKNOWLEDGED,
        State.LATCHED_ACKNOWLEDGED,
    }
)
"""States that a person on shift still sees in the list of alarms."""

ACTIVE = frozenset({State.UNACKNOWLEDGED, State.ACKNOWLEDGED})
"""States in which the condition itself holds (as far as the lifecycle knows)."""

HIDDEN = frozenset({State.SHELVED, State.SUPPRESSED_BY_DESIGN, State.OUT_OF_SERVICE})
"""States in which the alarm is evaluated but not annunciated."""


class RefusedError(ValueError):
    """The table holds no such step; the state stays as it was."""

    def __init__(self, state: State, event: Event) -> None:
        self.state = state
        self.event = event
        super().__init__(f"an alarm that is {state.value} cannot take '{event.value}'")


def step(state: State, event: Event) -> State:
    """The state after `event`. Raises `RefusedError` where the table holds no such step."""
    try:
        return TABLE[state][event]
    except KeyError:
        raise RefusedError(state, event) from None
