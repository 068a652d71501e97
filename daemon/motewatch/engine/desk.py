"""What the parts of the engine share while one step runs: plan, alarms, agenda, history, time, outputs so far."""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass, field
from typing import Any

from motewatch.engine.agenda import Agenda
from motewatch.engine.alarm_book import AlarmBook
from motewatch.engine.plan import Plan, RoomPlan
from motewatch.engine.records import History, Output

BROKER_ALARM = "service/broker"
FOREVER_US = 1 << 62


@dataclass(slots=True)
class RoomState:
    """A room's occupancy state as people have stated it; the schedule is in the plan."""

    since_us: list[int] = field(default_factory=list)
    stated: list[str | None] = field(default_factory=list)
    """From `since_us[i]` on: this state, or (None) the schedule."""
    cached: tuple[int, int, str] = (0, 0, "")
    """The schedule's answer for `[first, last)`: it changes a few times a day and is asked for every sample."""

    def state_at(self, room: RoomPlan, at_us: int) -> str:
        """The occupancy state at an instant."""
        index = bisect_right(self.since_us, at_us) - 1
        if index >= 0:
            stated = self.stated[index]
            if stated is not None:
                return stated
        windows = room.windows
        if windows is None:
            return room.outside_windows
        first, last, state = self.cached
        if first <= at_us < last:
            return state
        before_us = at_us - room.clean_up_us
        # Operational limits stay for the clean-up time after a window ends (EU GMP Annex 1, 2022, 4.29 iii).
        operational = windows.is_operational(at_us) or windows.is_operational(before_us)
        state = "operational" if operational else room.outside_windows
        changes = [windows.next_change_us(at_us), windows.next_change_us(before_us)]
        now_until = FOREVER_US if changes[0] is None else changes[0]
        then_until = FOREVER_US if changes[1] is None else changes[1] + room.clean_up_us
        self.cached = (at_us, min(now_until, then_until), state)
        return state

    def next_change_us(self, room: RoomPlan, after_us: int) -> int | None:
        """When the schedule may change the state next, or None: it has none."""
        if room.windows is None:
            return None
        now, then = room.windows.next_change_us(after_us), room.windows.next_change_us(after_us - room.clean_up_us)
        changes = [] if now is None else [now]
        if then is not None:
            changes.append(then + room.clean_up_us)
        return min(changes, default=None)


@dataclass(slots=True)
class Desk:
    """Shared by the parts; owned by the engine."""

    plan: Plan
    history: History
    agenda: Agenda
    book: AlarmBook
    rooms: dict[str, RoomState]
    time_us: int
    outputs: list[Output] = field(default_factory=list)

    def __post_init__(self) -> None:
        """The book needs the plan's word on priorities."""
        self.follow(self.plan)

    def follow(self, plan: Plan) -> None:
        """From now on this plan holds."""
        self.plan = plan
        self.book.advisor = plan.advisor
        self.book.rules = plan.alarm_rules

    def say(self, outputs: list[Any]) -> None:
        """Add outputs in the order given."""
        self.outputs += outputs

    def occupancy(self, room: str, at_us: int) -> str:
        """A room's occupancy state at an instant."""
        return self.rooms[room].state_at(self.plan.rooms[room], at_us)
