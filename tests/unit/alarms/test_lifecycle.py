"""The lifecycle table: every pair of state and event is answered, and the standards' transitions are in it.

States A to D and their transitions are cited from IEC 62682 in public material; those of the latched, shelved,
suppressed and out-of-service states are from memory of ISA-18.2 / IEC 62682, not confirmed.
"""

from __future__ import annotations

from itertools import product

import pytest

from motewatch.alarms.lifecycle import ACTIVE, HIDDEN, LETTERS, STANDING, TABLE, Event, RefusedError, State, step

CITED = [
    ("A", Event.STARTS, "B"),
    ("B", Event.ACKNOWLEDGE, "C"),
    ("B", Event.RETURNS, "D"),
    ("C", Event.RETURNS, "A"),
    ("D", Event.ACKNOWLEDGE, "A"),
    ("D", Event.STARTS, "B"),
    ("C", Event.RE_ALARM, "B"),
]
FROM_MEMORY = [
    ("B", Event.RETURNS_LATCHED, "E"),
    ("C", Event.RETURNS_LATCHED, "F"),
    ("E", Event.ACKNOWLEDGE, "F"),
    ("F", Event.RESET, "A"),
    *[(letter, Event.SHELVE, "G") for letter in "ABCD"],
    ("G", Event.UNSHELVE_ACTIVE, "B"),
    ("G", Event.UNSHELVE_NORMAL, "A"),
    *[(letter, Event.SUPPRESS, "H") for letter in "ABCD"],
    ("H", Event.UNSUPPRESS_ACTIVE, "B"),
    ("H", Event.UNSUPPRESS_NORMAL, "A"),
    *[(letter, Event.REMOVE_FROM_SERVICE, "I") for letter in "ABCD"],
    ("I", Event.RETURN_TO_SERVICE_ACTIVE, "B"),
    ("I", Event.RETURN_TO_SERVICE_NORMAL, "A"),
]

REFUSED = {
    State.NORMAL: set(Event) - {Event.STARTS, Event.SHELVE, Event.SUPPRESS, Event.REMOVE_FROM_SERVICE},
    State.UNACKNOWLEDGED: set(Event)
    - {
        Event.ACKNOWLEDGE,
        Event.RETURNS,
        Event.RETURNS_LATCHED,
        Event.SHELVE,
        Event.SUPPRESS,
        Event.REMOVE_FROM_SERVICE,
    },
    State.ACKNOWLEDGED: set(Event)
    - {
        Event.RETURNS,
        Event.RETURNS_LATCHED,
        Event.RE_ALARM,
        Event.SHELVE,
        Event.SUPPRESS,
        Event.REMOVE_FROM_SERVICE,
    },
    State.RETURNED_UNACKNOWLEDGED: set(Event)
    - {Event.STARTS, Event.ACKNOWLEDGE, Event.SHELVE, Event.SUPPRESS, Event.REMOVE_FROM_SERVICE},
    State.LATCHED_UNACKNOWLEDGED: set(Event)
    - {Event.STARTS, Event.ACKNOWLEDGE, Event.RESET, Event.REMOVE_FROM_SERVICE},
    State.LATCHED_ACKNOWLEDGED: set(Event) - {Event.STARTS, Event.RESET, Event.REMOVE_FROM_SERVICE},
    State.SHELVED: set(Event)
    - {
        Event.STARTS,
        Event.RETURNS,
        Event.UNSHELVE_ACTIVE,
        Event.UNSHELVE_NORMAL,
        Event.UNSHELVE_SUPPRESSED,
        Event.REMOVE_FROM_SERVICE,
    },
    State.SUPPRESSED_BY_DESIGN: set(Event)
    - {
        Event.STARTS,
        Event.RETURNS,
        Event.SUPPRESS,
        Event.UNSUPPRESS_ACTIVE,
        Event.UNSUPPRESS_NORMAL,
        Event.REMOVE_FROM_SERVICE,
    },
    State.OUT_OF_SERVICE: set(Event)
    - {
        Event.STARTS,
        Event.RETURNS,
        Event.RETURN_TO_SERVICE_ACTIVE,
        Event.RETURN_TO_SERVICE_NORMAL,
        Event.RETURN_TO_SERVICE_SUPPRESSED,
    },
}
"""The written list of refusals: what each state does not take."""

BY_LETTER = {letter: state for state, letter in LETTERS.items()}


@pytest.mark.parametrize(("before", "event", "after"), CITED + FROM_MEMORY)
def test_the_standards_transitions_are_in_the_table(before: str, event: Event, after: str) -> None:
    assert step(BY_LETTER[before], event) is BY_LETTER[after]


@pytest.mark.parametrize(("state", "event"), list(product(State, Event)))
def test_every_pair_is_in_the_table_or_in_the_list_of_refusals(state: State, event: Event) -> None:
    if event in REFUSED[state]:
        with pytest.raises(RefusedError) as refusal:
            step(state, event)
        assert refusal.value.state is state
        assert event.value in str(refusal.value)
    else:
        assert step(state, event) in State


def test_every_state_has_a_row_and_a_letter() -> None:
    assert set(TABLE) == set(State) == set(LETTERS)
    assert len(set(LETTERS.values())) == len(State)


def test_every_state_can_be_reached_from_normal_and_can_return_to_it() -> None:
    def reachable(start: State) -> set[State]:
        found, todo = {start}, [start]
        while todo:
            for state in TABLE[todo.pop()].values():
                if state not in found:
                    found.add(state)
                    todo.append(state)
        return found

    assert reachable(State.NORMAL) == set(State)
    assert all(State.NORMAL in reachable(state) for state in State)


def test_the_sets_of_states_do_not_contradict_each_other() -> None:
    assert ACTIVE < STANDING
    assert not STANDING & HIDDEN
    assert STANDING | HIDDEN | {State.NORMAL} == set(State)


@pytest.mark.parametrize("state", sorted(HIDDEN))
def test_a_hidden_alarm_goes_on_being_evaluated_and_stays_hidden(state: State) -> None:
    assert step(state, Event.STARTS) is step(state, Event.RETURNS) is state
