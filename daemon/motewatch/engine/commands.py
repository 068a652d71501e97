"""What persons order, obeyed or refused: every command is answered, and what it changed is on the audit trail.

Rules: a command whose id was answered before gets the same answer again and changes nothing, because the broker may
bring one twice. A refusal says in a sentence why, and leaves everything as it was.
"""

from __future__ import annotations

from typing import Any, Final

from motewatch.alarms.lifecycle import RefusedError
from motewatch.engine.desk import Desk
from motewatch.engine.records import Audited, Replied
from motewatch.wire.records import Acknowledge, Command, SetOccupancy

COMMANDS_KEPT: Final = 512
"""Ids of commands already answered that are remembered."""


class Commands:
    """Obeys, and remembers what it answered."""

    def __init__(self, desk: Desk) -> None:
        self._desk = desk
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

    def _obey(self, command: Command) -> Replied:
        if isinstance(command, Acknowledge):
            return self._acknowledge(command)
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
