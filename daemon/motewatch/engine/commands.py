"""What persons order, obeyed or refused: every command is answered, and what it changed is on the audit trail.

Rules: a command whose id was answered before gets the same answer again and changes nothing, because the broker may
bring one twice. A refusal says in a sentence why, and leaves everything as it was.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Final

from motewatch.alarms.lifecycle import RefusedError, State
from motewatch.engine.agenda import Due
from motewatch.engine.answers import Answers
from motewatch.engine.desk import Desk
from motewatch.engine.placements import Placements
from motewatch.engine.records import Act, AlarmChanged, Answered, Audited, Ordered, OrderedAct, Replied
from motewatch.engine.trial_desk import TrialDesk
from motewatch.site.instants import instant
from motewatch.wire.records import (
    HOUR_US,
    MINUTE_US,
    Acknowledge,
    AlarmCommand,
    Command,
    Confirm,
    Place,
    RemoveFromService,
    Reset,
    ReturnToService,
    SetOccupancy,
    Shelve,
    Unshelve,
)

_ENTITLEMENT: Final[dict[type[Any], str]] = {
    Acknowledge: "acknowledge",
    Shelve: "shelve",
    Unshelve: "shelve",
    Reset: "reset",
    RemoveFromService: "remove-from-service",
    ReturnToService: "remove-from-service",
    SetOccupancy: "occupancy",
    Place: "check-in",
}
_WORDS: Final[dict[type[Any], tuple[str, str]]] = {
    Acknowledge: ("acknowledge", "nothing to acknowledge"),
    Shelve: ("shelve", "it cannot be shelved"),
    Unshelve: ("unshelve", "nothing to unshelve"),
    Reset: ("reset", "nothing to reset"),
    RemoveFromService: ("remove-from-service", "it cannot be taken out of service"),
    ReturnToService: ("return-to-service", "nothing to return to service"),
}
"""The action on the audit trail, and the end of a refusal."""

COMMANDS_KEPT: Final = 512
"""Ids of commands already answered that are remembered."""


class Commands:
    """Obeys, and remembers what it answered."""

    def __init__(self, desk: Desk, trials: TrialDesk, placements: Placements) -> None:
        self._desk = desk
        self._trials = trials
        self._placements = placements
        self.links = Answers()
        """Which links in calls are used up."""
        self._answered: dict[str, Replied] = {}

    def named(self, command: Command) -> Command:
        """The command in the name of the person whom its sender has typed."""
        by = self._desk.plan.alarm_rules.named(command.by)
        return command if by == command.by else replace(command, by=by)

    def commanded(self, command: Command) -> Replied:
        """Obey a command, once; says the reply and returns it."""
        reply = self._once(command)
        self._desk.outputs.append(reply)
        return reply

    def answered(self, answered: Answered) -> None:
        """Obey what a person did by the link in a call, unless the link is used up or has expired."""
        now_us = self._desk.time_us
        refusal = self.links.refusal(answered, now_us)
        if refusal:
            self._desk.outputs.append(Replied(answered.id, False, refusal))
            return
        reply = self._obey_answer(answered, now_us)
        self._desk.outputs.append(reply)
        if reply.accepted:
            self.links.accepted(answered, reply.text, now_us)
            self._desk.outputs.append(Audited(now_us, answered.by, "answer-by-link", answered.told, answered.act.value))

    def _obey_answer(self, answered: Answered, now_us: int) -> Replied:
        """One command; of a call with several alarms one each, accepted where one of them is."""
        first = _command_of(answered, now_us)
        if not answered.others or not isinstance(first, Acknowledge):
            return self._once(first)
        each = [replace(first, alarm=alarm) for alarm in (first.alarm, *answered.others)]
        replies = [self._obey(command) for command in each]
        taken = [command.alarm for command, reply in zip(each, replies, strict=True) if reply.accepted]
        if not taken:
            return replies[0]
        return Replied(answered.id, True, f"{len(taken)} of {len(each)} alarms are acknowledged: {', '.join(taken)}")

    def _once(self, command: Command) -> Replied:
        """The reply to a command, which is obeyed only the first time that its id is seen."""
        reply = self._answered.get(command.id)
        if reply is None:
            reply = self._obey(command)
            self._answered[command.id] = reply
            if len(self._answered) > COMMANDS_KEPT:
                del self._answered[next(iter(self._answered))]
        return reply

    def _obey(self, command: Command) -> Replied:
        if isinstance(command, Confirm):
            return self._confirm(command)
        rules = self._desk.plan.alarm_rules
        refusal = rules.refusal(command.by, _ENTITLEMENT[type(command)])
        if refusal:
            return Replied(command.id, False, refusal)
        if isinstance(command, SetOccupancy):
            return self._set_occupancy(command)
        if isinstance(command, Place):
            return self._placements.place(command)
        return self._alarm_command(command)

    def _alarm_command(self, command: AlarmCommand) -> Replied:
        desk = self._desk
        now_us, alarm = desk.time_us, command.alarm
        action, otherwise = _WORDS[type(command)]
        refusal = self._misfit(command)
        if refusal:
            return Replied(command.id, False, refusal)
        try:
            changes = self._change(command)
        except KeyError:
            return Replied(command.id, False, f"no alarm '{alarm}' has ever been raised here")
        except RefusedError as error:
            return Replied(command.id, False, f"'{alarm}' is {error.state.value}: {otherwise}")
        desk.say(changes)
        desk.outputs.append(Audited(now_us, command.by, action, alarm, _detail(command)))
        return Replied(command.id, True, f"'{alarm}' is now {changes[-1].after.value}{_until(changes[-1])}")

    def _misfit(self, command: AlarmCommand) -> str:
        """What is wrong with the command itself, in a sentence; empty where nothing is."""
        desk = self._desk
        if isinstance(command, Shelve):
            longest_us = desk.plan.alarm_rules.longest_shelving_us
            if not command.comment:
                return "say why: an alarm is shelved with a reason on record"
            if command.until_us <= desk.time_us:
                return f"{_utc(command.until_us)} is not in the future: nothing would be shelved"
            if command.until_us > desk.time_us + longest_us:
                return (
                    f"alarms may be shelved for {longest_us / HOUR_US:g} h at most (alarms.longest_shelving_h), "
                    f"so until {_utc(desk.time_us + longest_us)}"
                )
        if isinstance(command, RemoveFromService) and not command.permit:
            return "name the permit: an alarm is taken out of service only under one"
        return ""

    def _change(self, command: AlarmCommand) -> list[AlarmChanged]:
        """The steps that the command makes. Raises KeyError or `RefusedError`."""
        desk = self._desk
        book, now_us = desk.book, desk.time_us
        alarm, by, comment = command.alarm, command.by, command.comment
        if isinstance(command, Acknowledge):
            change = book.acknowledge(alarm, now_us, by, comment)
            wait_us = desk.plan.alarm_rules.treatment(book.entries[alarm].subject).re_alarm_us
            if wait_us is not None and change.after is State.ACKNOWLEDGED:
                desk.agenda.enter(now_us + wait_us, Due.RE_ALARM, alarm)
            return [change]
        if isinstance(command, Reset):
            return [book.reset(alarm, now_us, by, comment)]
        if isinstance(command, Shelve):
            change = book.shelve(alarm, now_us, command.until_us, by, comment)
            desk.agenda.enter(command.until_us, Due.UNSHELVE, alarm)
            return [change]
        if isinstance(command, Unshelve):
            return book.unhide(alarm, State.SHELVED, now_us, now_us, by, comment)
        if isinstance(command, RemoveFromService):
            return [book.remove_from_service(alarm, now_us, command.permit, by, comment)]
        return book.unhide(alarm, State.OUT_OF_SERVICE, now_us, now_us, by, comment)

    def configured(self) -> None:
        """A configuration has taken effect: its re-alarm times hold for what is acknowledged already."""
        desk = self._desk
        for alarm, entry in sorted(desk.book.entries.items()):
            wait_us = desk.plan.alarm_rules.treatment(entry.subject).re_alarm_us
            if entry.state is State.ACKNOWLEDGED and wait_us is not None:
                desk.agenda.enter(max(entry.since_us + wait_us, desk.time_us), Due.RE_ALARM, alarm)

    def unshelve_due(self, alarm: str, at_us: int) -> None:
        """A shelving is over, unless it was ended before, or the alarm was shelved anew since."""
        desk = self._desk
        entry = desk.book.hidden(alarm, State.SHELVED)
        if entry is not None and entry.why.until_us is not None and entry.why.until_us <= at_us:
            desk.say(desk.book.unhide(alarm, State.SHELVED, at_us, desk.time_us))

    def re_alarm_due(self, alarm: str, at_us: int) -> None:
        """An acknowledged alarm may still be active after its re-alarm time."""
        self._desk.say(self._desk.book.re_alarm(alarm, at_us, self._desk.time_us))

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


def _command_of(answered: Answered, now_us: int) -> Command:
    """The command that an answer by a link is."""
    if answered.act is Act.CONFIRM:
        return Confirm(answered.id, answered.by, answered.subject, answered.comment)
    if answered.act is Act.SHELVE:
        until_us = now_us + answered.minutes * MINUTE_US
        return Shelve(answered.id, answered.by, answered.subject, until_us, answered.comment)
    return Acknowledge(answered.id, answered.by, answered.subject, answered.comment)


def command_of(ordered: Ordered) -> Command:
    """The command that a user's order is."""
    id_, by, subject, comment = ordered.id, ordered.by, ordered.subject, ordered.comment
    match ordered.ordered:
        case OrderedAct.ACKNOWLEDGE:
            return Acknowledge(id_, by, subject, comment)
        case OrderedAct.SHELVE:
            return Shelve(id_, by, subject, ordered.until_us, comment)
        case OrderedAct.UNSHELVE:
            return Unshelve(id_, by, subject, comment)
        case OrderedAct.RESET:
            return Reset(id_, by, subject, comment)
        case OrderedAct.REMOVE_FROM_SERVICE:
            return RemoveFromService(id_, by, subject, ordered.permit, comment)
        case OrderedAct.RETURN_TO_SERVICE:
            return ReturnToService(id_, by, subject, comment)
        case OrderedAct.SET_OCCUPANCY:
            return SetOccupancy(id_, by, subject, ordered.occupancy, comment)
        case OrderedAct.CONFIRM:
            return Confirm(id_, by, subject, comment)


def _detail(command: AlarmCommand) -> str:
    """What the audit trail says beside who, what and which alarm."""
    if isinstance(command, Shelve):
        return f"until {_utc(command.until_us)}; {command.comment}"
    if isinstance(command, RemoveFromService):
        said = f"; {command.comment}" if command.comment else ""
        return f"permit {command.permit}{said}"
    return command.comment


def _until(change: AlarmChanged) -> str:
    return "" if change.until_us is None else f" until {_utc(change.until_us)}"


def _utc(us: int) -> str:
    return instant(us).isoformat(sep=" ", timespec="minutes").removesuffix("+00:00") + " UTC"
