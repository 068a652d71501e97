"""Stand-ins for what a call worker is handed: a channel that answers as told, a service that commits when told."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any
from zoneinfo import ZoneInfo

from motewatch.callout.records import Delivered, Outcome, Told
from motewatch.engine.codec import canonical
from motewatch.engine.records import Entered, Output
from motewatch.journal.rows import OutboxRow
from motewatch.links.call_message import CallMessage
from motewatch.links.call_text import render
from support.calls import CALL, NAMES


def call(id_: str = "call-1", **changes: Any) -> Told:
    """A call to ada over the channel `sms`, of no high priority unless said otherwise."""
    return replace(CALL, **{"id": id_, "urgent": False, **changes})


def call_row(told: Told, now_us: int, sink: str = "call/sms") -> OutboxRow:
    """The call as it stands in the outbox, put there at that instant."""
    return OutboxRow(0, sink, told.id, "", canonical(told).encode(), False, now_us, 0, 0)


def words(told: Told, maybe_repeat: bool) -> CallMessage:
    """The call in words, without a link."""
    return render(told, NAMES, None, ZoneInfo("Europe/Berlin"), maybe_repeat)


@dataclass
class FakeChannel:
    """`answers` holds, for each call's id, what its next tries end in: an exception, something to do, or success."""

    answers: dict[str, list[Exception | Callable[[], None]]] = field(default_factory=dict)
    always: Exception | Callable[[], None] | None = None
    """What every try ends in for which nothing else is said."""
    tried: list[CallMessage] = field(default_factory=list)
    closed: bool = False

    def send(self, message: CallMessage, deadline_s: float) -> None:
        self.tried.append(message)
        waiting = self.answers.get(message.id)
        answer = waiting.pop(0) if waiting else self.always
        if isinstance(answer, Exception):
            raise answer
        if answer is not None:
            answer()

    def close(self) -> None:
        self.closed = True

    def ids(self) -> list[str]:
        """Of all tries, in order."""
        return [message.id for message in self.tried]


@dataclass
class FakeService:
    """Takes what is posted; commits at once, or when told to."""

    at_once: bool = True
    posted: list[Delivered] = field(default_factory=list)
    entered: list[Entered] = field(default_factory=list)
    waiting: list[Callable[[Sequence[Output]], object]] = field(default_factory=list)

    def post(self, what: Delivered | Entered, done: Callable[[Sequence[Output]], object] | None = None) -> None:
        if isinstance(what, Entered):
            self.entered.append(what)
        else:
            self.posted.append(what)
        if done is not None:
            self.waiting.append(done)
        if self.at_once:
            self.commit()

    def commit(self) -> None:
        """All that was posted is on record."""
        waiting, self.waiting = self.waiting, []
        for done in waiting:
            done([])

    def outcomes(self) -> list[tuple[str, Outcome]]:
        return [(each.told, each.outcome) for each in self.posted]
