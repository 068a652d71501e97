"""From the bytes on a topic to a core record, or to the reason why not. Never raises.

Rules: one pass of pydantic, then conversion by hand; integers from here on, counts cumulative. A count message is
first given to `quick`, which reads the plain ones in a quarter of the time, and the same. What cannot be used
becomes a `Refusal` whose detail a person can act on. A key written twice counts as written last (so does nearly every
JSON reader). This is on the path of every message: the good case does nothing that is not needed. Nothing here knows
which sensors or locations exist; that is the engine's.
"""

from __future__ import annotations

import json
import re
from typing import Final

from pydantic import ValidationError

from motewatch.site.instants import instant_us
from motewatch.site.models import IDENTIFIER_PATTERN
from motewatch.wire.incoming import COMMAND_KEYS, CommandMessage, CountMessage, Incoming, PresenceMessage
from motewatch.wire.quick import quick_reading
from motewatch.wire.reading import RefusedError, foreign, reading_of
from motewatch.wire.records import (
    Acknowledge,
    Command,
    Confirm,
    Place,
    Presence,
    Reading,
    Refusal,
    RefusalReason,
    RemoveFromService,
    Reset,
    ReturnToService,
    SetOccupancy,
    Shelve,
    Unshelve,
)
from motewatch.wire.topics import Heading, Topics
from motewatch.wire.wording import not_allowed, plain, shown, what_is_wrong

MAX_PAYLOAD: Final = 64 * 1024
"""Bytes. A count message with all 64 channels has about 2 500."""

_PLAIN_COMMANDS: Final[dict[str, type[Acknowledge | Unshelve | Reset | ReturnToService]]] = {
    "acknowledge": Acknowledge,
    "unshelve": Unshelve,
    "reset": Reset,
    "return-to-service": ReturnToService,
}

Decoded = Reading | Presence | Command | Refusal | None


def decode(topics: Topics, topic: str, payload: bytes) -> Decoded:
    """What a message says. None: nothing to do (the retained presence of a sensor was cleared). Never raises."""
    try:
        place = topics.read(topic)
        if place is None:
            return Refusal(RefusalReason.UNKNOWN_TOPIC, _unknown_topic(topics, topic))
        heading, sensor = place
        try:
            return _decode(heading, sensor, payload)
        except ValidationError as error:
            reason, detail = _not_valid(error, heading)
        except RefusedError as refused:
            reason, detail = refused.reason, refused.detail
        command_id = _named_id(payload) if heading is Heading.COMMAND else None
        return Refusal(reason, detail, sensor or None, command_id)
    except Exception as error:
        # A defect of ours must cost one message, not the daemon: the bytes are kept, and the reason says whose fault.
        detail = f"message: could not be processed ({type(error).__name__}); this is a defect of the service"
        return Refusal(RefusalReason.NOT_PROCESSABLE, detail)


def _decode(heading: Heading, sensor: str, payload: bytes) -> Decoded:
    if len(payload) > MAX_PAYLOAD:
        raise RefusedError(RefusalReason.TOO_LARGE, f"message: {len(payload)} bytes; at most {MAX_PAYLOAD} are read")
    if heading is Heading.COUNTS:
        return quick_reading(payload, sensor) or reading_of(CountMessage.model_validate_json(payload), sensor)
    if heading is Heading.COMMAND:
        return _command(CommandMessage.model_validate_json(payload))
    return _presence(PresenceMessage.model_validate_json(payload), sensor) if payload else None


def _presence(message: PresenceMessage, level: str) -> Presence:
    if message.sensor != level:
        raise foreign(message.sensor, level)
    return Presence(level, message.online, message.boot, instant_us(message.at))


def _command(message: CommandMessage) -> Command:
    wanted = COMMAND_KEYS[message.command]
    for key in ("alarm", "until", "permit", "room", "occupancy", "sensor", "location", "test"):
        if key not in wanted:
            _absent(message, key, getattr(message, key))
    id_, by, comment = message.id, message.by, message.comment
    if message.command == "confirm-test":
        return Confirm(id_, by, _present("test", message.test, "the id of the test call, as the call says it"), comment)
    if message.command == "set-occupancy":
        room = _present("room", message.room, "the id of the room")
        if "occupancy" not in message.model_fields_set:
            # Left out by mistake must not give the room back to its schedule.
            what = "as-built, at-rest or operational, or null to give the room back to its schedule"
            _present("occupancy", None, what)
        return SetOccupancy(id_, by, room, message.occupancy, comment)
    if message.command in ("check-in", "check-out"):
        sensor = _present("sensor", message.sensor, "the id of the portable counter")
        location = None
        if message.command == "check-in":
            location = _present("location", message.location, "the id of the location where it stands from now on")
        return Place(id_, by, sensor, location, comment)
    alarm = _present("alarm", message.alarm, "the id of the alarm, as in the alarm messages")
    if message.command == "shelve":
        if message.until is None:
            raise _missing("until", "the instant at which the alarm comes back by itself")
        comment = _present("comment", comment or None, "the reason for which the alarm is shelved")
        return Shelve(id_, by, alarm, instant_us(message.until), comment)
    if message.command == "remove-from-service":
        permit = _present("permit", message.permit, "the permit under which the alarm is taken out of service")
        return RemoveFromService(id_, by, alarm, permit, comment)
    return _PLAIN_COMMANDS[message.command](id_, by, alarm, comment)


def _named_id(payload: bytes) -> str | None:
    """The id of a command that is otherwise wrong, so that its sender can be answered; None where it has none."""
    if len(payload) > MAX_PAYLOAD:
        return None
    try:
        named = json.loads(payload)
    except (ValueError, RecursionError):
        return None
    id_ = named.get("id") if isinstance(named, dict) else None
    return id_ if isinstance(id_, str) and re.fullmatch(IDENTIFIER_PATTERN, id_) else None


def _present(key: str, value: str | None, what: str) -> str:
    if value is None:
        raise _missing(key, what)
    return value


def _missing(key: str, what: str) -> RefusedError:
    return RefusedError(RefusalReason.NOT_VALID, f"{key}: this key is missing; give {what}")


def _absent(message: CommandMessage, key: str, value: object) -> None:
    if value is not None:
        rule = f"does not belong to the command {shown(message.command)}; leave the key out"
        raise RefusedError(RefusalReason.NOT_VALID, not_allowed(key, value, rule))


_MODELS: Final[dict[Heading, type[Incoming]]] = {
    Heading.COUNTS: CountMessage,
    Heading.PRESENCE: PresenceMessage,
    Heading.COMMAND: CommandMessage,
}


def _not_valid(error: ValidationError, heading: Heading) -> tuple[RefusalReason, str]:
    for detail in error.errors(include_url=False):
        if detail["type"] == "json_invalid":
            return RefusalReason.NOT_JSON, f"message: {plain(detail['msg'])}"
        if detail["loc"] == ("v",) and detail["type"] != "missing":
            # Before all other mistakes: they are no mistakes in a version that we do not know.
            rule = "is not a version that this service knows; it reads 1"
            return RefusalReason.UNKNOWN_VERSION, not_allowed("v", detail["input"], rule)
    return RefusalReason.NOT_VALID, what_is_wrong(error, _MODELS[heading])


def _unknown_topic(topics: Topics, topic: str) -> str:
    return (
        f"topic: {shown(topic)} is none that this service reads; it reads {', '.join(topics.subscriptions())}, "
        "where + is a sensor's id of lower case letters, digits, '-' and '_'"
    )
