"""Who is on call in each rota that an escalation names, as it changes; nobody on call is an alarm."""

from __future__ import annotations

from typing import Any

from motewatch.engine.agenda import Due
from motewatch.engine.call_book import GAP_KIND, CallBook
from motewatch.engine.records import Priority
from motewatch.engine.subject import Subject, gap_alarm


class RotaWatch:
    """Remembers who was on call, to see who comes on."""

    def __init__(self, book: CallBook) -> None:
        self._book = book
        self._on: dict[str, tuple[str, ...]] = {}

    def configured(self) -> None:
        """A configuration has taken effect: what it no longer names is forgotten."""
        rotas = self._book.plan.ladders.rotas
        self._on = {rota: on for rota, on in self._on.items() if rota in rotas}

    def knows(self, rota: str) -> bool:
        """Is it a rota that was looked at before?"""
        return rota in self._on

    def changes(self, rota: str, at_us: int) -> tuple[str, ...]:
        """See who is on call now, and raise or end the alarm of a gap. Those who come on."""
        desk, plan = self._book.desk, self._book.plan
        before = self._on.get(rota, ())
        now = self._on[rota] = plan.roster.on_call(rota, at_us)
        next_us = plan.roster.next_change_us(rota, at_us)
        if next_us is not None:
            desk.agenda.enter(next_us, Due.ROTA, rota)
        alarm = gap_alarm(rota)
        if now:
            desk.say(desk.book.returns(alarm, at_us, desk.time_us, plan.texts.gap_over(rota, now)))
        else:
            subject = Subject(alarm, GAP_KIND, Priority.MEDIUM)
            desk.say(desk.book.starts(subject, at_us, desk.time_us, plan.texts.gap(rota, next_us)))
        return tuple(person for person in now if person not in before)

    def to_state(self) -> dict[str, Any]:
        """Plain values for a snapshot."""
        return {rota: list(on) for rota, on in sorted(self._on.items())}

    def from_state(self, state: dict[str, Any]) -> None:
        """Take back what `to_state` took apart."""
        self._on = {rota: tuple(on) for rota, on in state.items()}
