"""What persons order, obeyed or refused: every command is answered, and what it changed is on the audit trail.

Rules: a command whose id was answered before gets the same answer again and changes nothing, because the broker may
bring one twice. A refusal says in a sentence why, and leaves everything as it was.
"""

from __future__ import annotations

from typing import Any, Final

from motewatch.alarms.lifecycle import RefusedError
from motewatch.engine.answers import Answers
from motewatch.engine.desk import Desk
from motewatch.engine.records import Act, Answered, Audited, Replied
from motewatch.engine.trial_desk import TrialDesk
from motewatch.wire.records import Acknowledge, Command, Confirm, SetOccupancy

COMMANDS_KEPT: Final = 512
"""Ids of commands already answered that are remembered."""


class Commands:
    """Obeys, and remembers what it answered."""

    def __init__(self, desk: Desk, trials: TrialDesk) -> None:
        self._desk = desk
        self._trials = trials
        self.links = Answers()
        """Which links in calls are used up."""
        self._answered: dict[str, Replied] = {}

    def commanded(self, command: Command) -> Replied:
        """Obey a command, once; says the reply and returns it."""
        reply = self._answered.get(command.id)
        if reply is None:
            reply = self._obey(command)
            self._answered[command.id] = reply
            if len(self._answered) > COMMANDS_KEPT:
                del self._answered[next(iter(self._answered))]
        self._desk.outputs.append(reply)
        return reply

    def answered(self, answered: Answered) -> None:
        """Obey what a person did by the link in a call, unless the link is used up or has expired."""
        now_us = self._desk.time_us
        refusal = self.links.refusal(answered, now_us)
        if refusal:
            self._desk.outputs.append(Replied(answered.id, False, refusal))
            return
        if answered.act is Act.SHELVE:
            self._desk.outputs.append(Replied(answered.id, False, "alarms cannot be shelved here yet"))
            return
        reply = self.commanded(_command_of(answered))
        if reply.accepted:
            self.links.accepted(answered, reply.text, now_us)
            self._desk.outputs.append(Audited(now_us, answered.by, "answer-by-link", answered.told, answered.act.value))

    def _obey(self, command: Command) -> Replied:
        if isinstance(command, Acknowledge):
            return self._acknowledge(command)
        if isinstance(command, Confirm):
            return self._confirm(command)
        return self._set_occupancy(command)

    def _acknowledge(self, command: Acknowledge) -> Replied:
        desk = self._desk
        now_us = desk.time_us
        try:
            change = desk.book.acknowledge(command.alarm, now_us, command.by, command.comment)
        except KeyError:
            return Replied(command.id, False, f"no alarm '{command.alarm}' has ever been raised here")
        except RefusedError as error:
            return Replied(command.id, False, f"'{command.alarm}' is {error.state.value}: nothing to acknowledge")
        desk.outputs.append(change)
        desk.outputs.append(Audited(now_us, command.by, "acknowledge", command.alarm, command.comment))
        return Replied(command.id, True, f"'{command.alarm}' is now {change.after.value}")

    def _confirm(self, command: Confirm) -> Replied:
        accepted, text = self._trials.confirm(command.by, command.test)
        if accepted:
            now_us = self._desk.time_us
            self._desk.outputs.append(Audited(now_us, command.by, "confirm-test", command.test, command.comment))
        return Replied(command.id, accepted, text)

    def _set_occupancy(self, command: SetOccupancy) -> Replied:
        desk = self._desk
        now_us = desk.time_us
        room = desk.rooms.get(command.room)
        if room is None:
            known = ", ".join(sorted(desk.rooms))
            return Replied(command.id, False, f"no room '{command.room}' in this site; rooms: {known}")
        room.since_us.append(now_us)
        room.stated.append(command.occupancy)
        room.cached = (0, 0, "")
        said = command.occupancy or "by schedule"
        detail = f"{said}; {command.comment}" if command.comment else said
        desk.outputs.append(Audited(now_us, command.by, "occupancy", command.room, detail))
        return Replied(command.id, True, f"room '{command.room}' is now {said}")

    def to_state(self) -> list[list[Any]]:
        """Plain values for a snapshot: what was answered, oldest first."""
        return [[reply.command_id, reply.accepted, reply.text] for reply in self._answered.values()]

    def from_state(self, state: list[list[Any]]) -> None:
        """Take back what `to_state` took apart."""
        self._answered = {id_: Replied(id_, accepted, text) for id_, accepted, text in state}


def _command_of(answered: Answered) -> Command:
    """The command that an answer by a link is."""
    if answered.act is Act.CONFIRM:
        return Confirm(answered.id, answered.by, answered.subject, answered.comment)
    return Acknowledge(answered.id, answered.by, answered.subject, answered.comment)
