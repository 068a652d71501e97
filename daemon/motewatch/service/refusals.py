"""What was refused to somebody, as a fact for the audit trail.

The engine answers a refused command and changes nothing; who tried what, and why it was refused, becomes an input of
its own behind it, in the same transaction. So the record of before replays as it was written. Messages that could not
be read as commands are dead letters and tell of themselves.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Final

from motewatch.engine.commands import command_of
from motewatch.engine.records import (
    Answered,
    Commanded,
    Entered,
    Ordered,
    Output,
    Placed,
    PlaceOrdered,
    Pressed,
    Replied,
    What,
)
from motewatch.wire.records import Acknowledge, Command, Confirm, Place, SetOccupancy

REFUSED: Final = "refused"
LONGEST: Final = 300
"""Of a name or a text that came from outside."""


def refusal_of(what: What, outputs: Sequence[Output], named: Callable[[str], str] = lambda by: by) -> Entered | None:
    """The fact that this input was refused, or None: it is no order, or was accepted. `named`: who a typed name is."""
    if isinstance(what, Commanded | Ordered | Pressed):
        command = _command(what)
        id_, by, act, subject = command.id, command.by, _words(command), _subject(command)
        by = named(by) if isinstance(what, Commanded) else by
    elif isinstance(what, Answered):
        id_, by, act, subject = what.id, what.by, f"{what.act.value} by the link of {what.told}", what.subject
    elif isinstance(what, Placed | PlaceOrdered):
        act = _place_words(what.location)
        id_, by, subject = what.id, what.by, f"sensor/{what.sensor}"
    else:
        return None
    said = next((out for out in outputs if isinstance(out, Replied) and out.command_id == id_), None)
    if said is None or said.accepted:
        return None
    return Entered(by[:LONGEST], REFUSED, subject[:LONGEST], f"{act}: {said.text}"[: 2 * LONGEST])


def _command(what: Commanded | Ordered | Pressed) -> Command:
    if isinstance(what, Commanded):
        return what.command
    if isinstance(what, Ordered):
        return command_of(what)
    return Acknowledge(what.id, what.by, what.alarm, what.comment)


def _subject(command: Command) -> str:
    if isinstance(command, Confirm):
        return command.test
    if isinstance(command, Place):
        return f"sensor/{command.sensor}"
    return command.room if isinstance(command, SetOccupancy) else command.alarm


def _words(command: Command) -> str:
    """`RemoveFromService` as `remove from service`."""
    if isinstance(command, Place):
        return _place_words(command.location)
    name = type(command).__name__
    return "".join(f" {char.lower()}" if char.isupper() else char for char in name).strip()


def _place_words(location: str | None) -> str:
    return "check out" if location is None else f"check in at {location}"
