"""What may be done about an alarm in its present state, as forms: by the lifecycle's table and the visitor's rights.

The engine decides; a form that it refuses all the same is answered in its words. Pure.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final

from motewatch.alarms.lifecycle import TABLE, Event, State
from motewatch.engine.records import OrderedAct
from motewatch.web.access.roles import May

SHELVE_MINUTES: Final = (15, 30, 60, 120, 240, 480, 1_440, 10_080)


@dataclass(frozen=True, slots=True)
class Act:
    """One form. `needs_comment`: the engine refuses it without."""

    ordered: OrderedAct
    events: tuple[Event, ...]
    """Steps of the lifecycle's table: it is offered where the state holds one of them."""
    right: May
    title: str
    button: str
    about: str
    needs_comment: bool = False
    permit: bool = False
    minutes: bool = False


ACTS: Final = (
    Act(
        OrderedAct.ACKNOWLEDGE,
        (Event.ACKNOWLEDGE,),
        May.ACKNOWLEDGE,
        "Acknowledge",
        "I have taken note",
        "Calls for it end.",
    ),
    Act(
        OrderedAct.RESET,
        (Event.RESET,),
        May.OPERATE,
        "Reset",
        "Reset",
        "It is latched: it has returned to normal, and is kept until somebody lets it go.",
    ),
    Act(
        OrderedAct.UNSHELVE,
        (Event.UNSHELVE_ACTIVE, Event.UNSHELVE_NORMAL, Event.UNSHELVE_SUPPRESSED),
        May.OPERATE,
        "Unshelve",
        "Bring it back now",
        "It comes back as its condition is now.",
    ),
    Act(
        OrderedAct.RETURN_TO_SERVICE,
        (Event.RETURN_TO_SERVICE_ACTIVE, Event.RETURN_TO_SERVICE_NORMAL, Event.RETURN_TO_SERVICE_SUPPRESSED),
        May.OPERATE,
        "Return to service",
        "Return to service",
        "It comes back as its condition is now.",
    ),
    Act(
        OrderedAct.SHELVE,
        (Event.SHELVE,),
        May.OPERATE,
        "Shelve",
        "Shelve",
        "For a while nobody is told of it. It is still judged, and comes back by itself.",
        needs_comment=True,
        minutes=True,
    ),
    Act(
        OrderedAct.REMOVE_FROM_SERVICE,
        (Event.REMOVE_FROM_SERVICE,),
        May.OPERATE,
        "Take out of service",
        "Take out of service",
        "For maintenance, under a permit: nobody is told of it until somebody returns it to service.",
        permit=True,
    ),
)


ACKNOWLEDGED: Final = {
    State.ACKNOWLEDGED: "It stays on the list until it returns to normal.",
    State.NORMAL: "It has returned to normal: acknowledging takes it from the list.",
    State.LATCHED_ACKNOWLEDGED: "It has returned to normal, and stays on the list until somebody resets it.",
}
"""What becomes of an alarm that is acknowledged, by the state that this leads to."""


def acts_for(state: State, may: Callable[[May], bool]) -> list[Act]:
    """The forms that a visitor is offered; acknowledging says what becomes of the alarm in this state."""
    steps = TABLE[state]
    offered = [act for act in ACTS if may(act.right) and any(event in steps for event in act.events)]
    return [
        replace(act, about=f"{act.about} {becomes_of(state)}") if act.ordered is OrderedAct.ACKNOWLEDGE else act
        for act in offered
    ]


def becomes_of(state: State) -> str:
    """What acknowledging makes of an alarm in this state; empty where there is nothing to acknowledge."""
    after = TABLE[state].get(Event.ACKNOWLEDGE)
    return "" if after is None else ACKNOWLEDGED[after]


def minutes_up_to(longest_h: float) -> list[int]:
    """The lengths of a shelving to choose from, no longer than the site allows."""
    return [minutes for minutes in SHELVE_MINUTES if minutes <= longest_h * 60] or [int(longest_h * 60)]
