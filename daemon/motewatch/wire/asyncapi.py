"""The AsyncAPI 3 document: which topics there are, who speaks on them, and how.

Rules: actions are from the daemon's point of view (it receives counts and sends samples); payloads point at the schema
files beside the document; topics are those of `topics.Topics`, with AsyncAPI's braces for the levels that vary. Quality
of service and retention stand here as the contract, and `links` must keep to it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final, Protocol

from motewatch.site.models import IDENTIFIER_PATTERN, Broker, Service
from motewatch.wire.decode import MAX_PAYLOAD
from motewatch.wire.topics import Topics

API_VERSION: Final = "1.0.0"
"""Version of the contract, not of the program. The first number is the `v` of the messages."""

BINDING_VERSION: Final = "0.2.0"
QOS: Final = 1
REPLY_EXPIRY_S: Final = 3600
"""How long the broker keeps an answer for a client that is away, in seconds."""
CALL_EXPIRY_S: Final = 86_400
"""How long the broker keeps a call for a client that is away, in seconds."""


class Described(Protocol):
    """What the document needs to know of a message's schema."""

    @property
    def title(self) -> str:
        """Title of the message."""
        ...

    @property
    def file(self) -> str:
        """File of its schema."""
        ...

    @property
    def examples(self) -> list[dict[str, Any]]:
        """Messages that are valid."""
        ...


@dataclass(frozen=True, slots=True)
class Channel:
    """One kind of topic, and what the daemon does there."""

    name: str
    address: str
    message: str
    receives: bool
    retain: bool
    title: str
    summary: str
    parameters: tuple[str, ...] = ()
    expiry_s: int | None = None


_NAMES: Final = Topics(Service().topic_root, "{site}")

CHANNELS: Final = (
    Channel(
        "counts",
        _NAMES.counts("{sensor}"),
        "count",
        receives=True,
        retain=False,
        title="Counts of one sensor",
        summary="A sensor publishes one message for each interval of counting, only under its own id.",
        parameters=("sensor",),
    ),
    Channel(
        "presence",
        _NAMES.presence("{sensor}"),
        "presence",
        receives=True,
        retain=True,
        title="Presence of one sensor",
        summary="A sensor says that it is there, and lets the broker say by its last will that it went. An empty "
        "retained message forgets a sensor that was taken away.",
        parameters=("sensor",),
    ),
    Channel(
        "command",
        _NAMES.command,
        "command",
        receives=True,
        retain=False,
        title="Commands of people",
        summary="A person acknowledges an alarm, states the occupancy of a room, says where a portable counter stands "
        "or confirms a test call. Who may publish here is the broker's to say.",
    ),
    Channel(
        "reply",
        _NAMES.reply("{command}"),
        "reply",
        receives=False,
        retain=False,
        title="Answer to one command",
        summary="The daemon answers each command that it could read, once the command is on record; a command with an "
        "MQTT 5 response topic is answered there as well. Subscribe before sending the command.",
        parameters=("command",),
        expiry_s=REPLY_EXPIRY_S,
    ),
    Channel(
        "sample",
        _NAMES.sample("{location}"),
        "sample",
        receives=False,
        retain=True,
        title="Samples of one location",
        summary="The daemon publishes each sample when its period is complete, and again with a higher revision when "
        "late data change it. The latest period is retained; a late revision of an earlier one is not.",
        parameters=("location",),
    ),
    Channel(
        "alarm",
        _NAMES.alarm("{alarm}"),
        "alarm",
        receives=False,
        retain=True,
        title="State of one alarm",
        summary="The daemon keeps the present state of each alarm here, also when it is normal again. Subscribe to all "
        "levels below `alarm/`.",
        parameters=("alarm",),
    ),
    Channel(
        "event",
        _NAMES.event,
        "alarm-event",
        receives=False,
        retain=False,
        title="Alarm events",
        summary="The daemon publishes every step in the life of every alarm.",
    ),
    Channel(
        "call",
        _NAMES.call("{person}"),
        "call",
        receives=False,
        retain=False,
        title="Calls to one person",
        summary="The daemon calls a person here who is reached over a channel of the kind `mqtt`. A call that nobody "
        "subscribes to counts as not delivered. Only the person's own client should be allowed to read it: the link in "
        "it answers in the person's name.",
        parameters=("person",),
        expiry_s=CALL_EXPIRY_S,
    ),
    Channel(
        "figures",
        _NAMES.figures,
        "figures",
        receives=False,
        retain=True,
        title="Figures of alarm performance",
        summary="The daemon publishes the figures of the last hour and the last day, where the site file asks for it "
        "(`alarm_figures.publish_every_s`).",
    ),
    Channel(
        "anchor",
        _NAMES.anchor,
        "anchor",
        receives=False,
        retain=False,
        title="Anchors of the record",
        summary="The daemon publishes the head of the record's hash chain (`record.anchor_every_min`), signed where "
        "the site has a key. Whoever keeps them out of the site's reach can prove later that the record was not "
        "rewritten.",
    ),
    Channel(
        "service",
        _NAMES.service,
        "service",
        receives=False,
        retain=True,
        title="Presence of the daemon",
        summary="The daemon says that it is there; the broker says by its last will that it went.",
    ),
)

_PARAMETERS: Final[Mapping[str, dict[str, Any]]] = {
    "site": {"description": "Id of the site, as in the site file.", "examples": ["demo"]},
    "sensor": {"description": "Id of the sensor, as in the site file and in the payload.", "examples": ["counter-01"]},
    "command": {"description": "Id of the command, as its sender gave it.", "examples": ["cleaning-2026-03-02"]},
    "location": {"description": "Id of the sampling location.", "examples": ["filling-line-1"]},
    "person": {"description": "Id of the person, as in the site file.", "examples": ["ada"]},
    "alarm": {
        "description": "Id of the alarm; has several topic levels.",
        "examples": ["location/filling-line-1/0.5um/action"],
    },
}

_DESCRIPTION: Final = f"""\
Messages between particle counters, people and the motewatch daemon over MQTT 5 (MQTT 3.1.1 will do for sensors).

- Publish and subscribe with QoS {QOS}. A message may come more than once; sent again it changes nothing.
- Payloads are JSON in UTF-8, at most {MAX_PAYLOAD} bytes. What the daemon cannot use it keeps with the reason, and \
raises an alarm when that persists.
- Ids match `{IDENTIFIER_PATTERN}`.
- The topics below begin with the default of `service.topic_root` in the site file.
- The daemon also sends itself marks below `marker/`, to know when the broker's backlog has been handed over; access \
rules must allow it both ways. Nobody else needs them.
- Readers must ignore keys they do not know, and messages of a version (`v`) they do not know."""


def asyncapi(messages: Mapping[str, Described]) -> dict[str, Any]:
    """The document. `messages` are the schemas by name; each channel's must be there (KeyError)."""
    broker = Broker()
    return {
        "asyncapi": "3.0.0",
        "info": {"title": "motewatch over MQTT", "version": API_VERSION, "description": _DESCRIPTION},
        "defaultContentType": "application/json",
        "servers": {
            "broker": {
                "host": f"{broker.host}:{broker.port}",
                "protocol": "mqtt",
                "protocolVersion": "5.0",
                "description": "The broker of `service.broker` in the site file; these are the defaults.",
            }
        },
        "channels": {channel.name: _channel(channel) for channel in CHANNELS},
        "operations": {_operation_name(channel): _operation(channel) for channel in CHANNELS},
        "components": {
            "messages": {channel.message: _message(channel, messages[channel.message]) for channel in CHANNELS},
            "parameters": dict(_PARAMETERS),
        },
    }


def _channel(channel: Channel) -> dict[str, Any]:
    return {
        "address": channel.address,
        "title": channel.title,
        "description": channel.summary,
        "messages": {channel.message: {"$ref": f"#/components/messages/{channel.message}"}},
        "parameters": {name: {"$ref": f"#/components/parameters/{name}"} for name in ("site", *channel.parameters)},
    }


def _operation_name(channel: Channel) -> str:
    return f"{'receive' if channel.receives else 'send'}-{channel.name}"


def _operation(channel: Channel) -> dict[str, Any]:
    binding: dict[str, Any] = {"qos": QOS, "retain": channel.retain, "bindingVersion": BINDING_VERSION}
    if channel.expiry_s is not None:
        binding["messageExpiryInterval"] = channel.expiry_s
    operation: dict[str, Any] = {
        "action": "receive" if channel.receives else "send",
        "channel": {"$ref": f"#/channels/{channel.name}"},
        "title": channel.title,
        "summary": channel.summary,
        "messages": [{"$ref": f"#/channels/{channel.name}/messages/{channel.message}"}],
        "bindings": {"mqtt": binding},
    }
    if channel.name == "command":
        operation["reply"] = {
            "channel": {"$ref": "#/channels/reply"},
            "messages": [{"$ref": "#/channels/reply/messages/reply"}],
        }
    return operation


def _message(channel: Channel, message: Described) -> dict[str, Any]:
    return {
        "name": channel.message,
        "title": message.title,
        "contentType": "application/json",
        "payload": {"$ref": message.file},
        "examples": [{"payload": example} for example in message.examples],
    }
