"""The contract on paper: schemas hold for their examples, the AsyncAPI document holds together, files are in step."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft7Validator, Draft202012Validator

from motewatch.links import publications
from motewatch.wire import examples
from motewatch.wire.asyncapi import CHANNELS
from motewatch.wire.decode import decode
from motewatch.wire.records import Refusal
from motewatch.wire.schemas import ASYNCAPI_FILE, DOCUMENTS, Document, documents, schema_of
from motewatch.wire.topics import Topics

TOPICS = Topics("motewatch/v1", "demo")
FOLDER = Path(__file__).parents[3] / "config" / "schemas"
TEXTS = documents()
ASYNCAPI: dict[str, Any] = json.loads(TEXTS[ASYNCAPI_FILE])
BY_NAME = {document.name: document for document in DOCUMENTS}

each_document = pytest.mark.parametrize("document", DOCUMENTS, ids=lambda document: document.name)


def walk(node: Any) -> Iterator[dict[str, Any]]:
    """Every object in a JSON document."""
    if isinstance(node, dict):
        yield node
        for inner in node.values():
            yield from walk(inner)
    elif isinstance(node, list):
        for inner in node:
            yield from walk(inner)


def at(document: Any, pointer: str) -> Any:
    """What a reference inside the document points at (KeyError: nothing)."""
    assert pointer.startswith("#/"), pointer
    for step in pointer[2:].split("/"):
        document = document[step]
    return document


def test_the_files_are_those_of_the_models() -> None:
    stale = [name for name, text in TEXTS.items() if _on_disk(name) != text]
    assert not stale, f"{', '.join(stale)}: not what the models say; run `motewatch schemas config/schemas` and commit"


def _on_disk(name: str) -> str | None:
    path = FOLDER / name
    return path.read_text(encoding="utf-8") if path.is_file() else None


def test_the_texts_are_the_same_each_time() -> None:
    assert documents() == TEXTS
    assert all(text.endswith("}\n") for text in TEXTS.values())


@each_document
def test_the_schema_is_one_for_new_and_old_readers(document: Document) -> None:
    schema = schema_of(document)
    assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    assert schema["$id"] == document.file
    assert schema["title"] == document.title
    Draft202012Validator.check_schema(schema)
    Draft7Validator.check_schema(schema)


@each_document
def test_the_examples_hold(document: Document) -> None:
    schema = schema_of(document)
    assert schema["examples"] == document.examples != []
    for example in document.examples:
        assert list(Draft202012Validator(schema).iter_errors(example)) == []
        document.model.model_validate_json(json.dumps(example))


@each_document
def test_every_key_says_what_it_is(document: Document) -> None:
    schema = schema_of(document)
    for part in (schema, *schema.get("$defs", {}).values()):
        assert part["description"]
        for key, value in part.get("properties", {}).items():
            told = value.get("description") or at(schema, value.get("$ref", "#/")).get("description")
            assert told, f"{document.name}: {key} has no description"


@each_document
def test_closed_on_the_way_in_and_open_on_the_way_out(document: Document) -> None:
    more = {**document.examples[0], "a-key-of-tomorrow": 1}
    refused = list(Draft202012Validator(schema_of(document)).iter_errors(more))
    assert bool(refused) == (document.name in {"count", "presence", "command"})


@pytest.mark.parametrize("document", [d for d in DOCUMENTS if d.name not in {"count", "presence", "command"}])
def test_every_key_is_asked_for_that_is_always_sent(document: Document) -> None:
    schema = schema_of(document)
    for key in schema["required"]:
        short = {k: v for k, v in document.examples[0].items() if k != key}
        assert list(Draft202012Validator(schema).iter_errors(short)), f"{key} may be missing"
    assert "v" in schema["required"]


@pytest.mark.parametrize(
    "spoil",
    [
        {"v": 2},
        {"v": True},
        {"sensor": "Counter 1"},
        {"seq": 1.5},
        {"seq": -1},
        {"duration_s": 0},
        {"volume_l": "1"},
        {"humidity_pct": 101},
        {"counts": {"kind": "cumulative", "sizes_um": [], "values": []}},
        {"status": {"flow": "bad"}},
    ],
)
def test_schema_and_decoder_refuse_alike(spoil: dict[str, Any]) -> None:
    message = {**examples.COUNTS[0], **spoil}
    assert list(Draft202012Validator(schema_of(BY_NAME["count"])).iter_errors(message))
    assert isinstance(decode(TOPICS, TOPICS.counts("counter-01"), json.dumps(message).encode()), Refusal)


@pytest.mark.parametrize(
    "spoil",
    [
        {"alarm": None},
        {"room": "filling"},
        {"command": "set-occupancy"},
        {"command": "set-occupancy", "alarm": None, "room": "filling"},
        {"command": "set-occupancy", "alarm": None, "occupancy": None},
        {"test": "k7m2qx4c"},
        {"command": "confirm-test", "test": "k7m2qx4c"},
        {"command": "confirm-test", "alarm": None},
        {"command": "check-in"},
        {"command": "check-in", "alarm": None, "sensor": "hand-1"},
        {"command": "check-in", "alarm": None, "sensor": "hand-1", "location": None},
        {"command": "check-in", "sensor": "hand-1", "location": "bench"},
        {"command": "check-out", "alarm": None},
        {"command": "check-out", "alarm": None, "sensor": "hand-1", "location": "bench"},
        {"sensor": "hand-1"},
        {"command": "set-occupancy", "alarm": None, "room": "filling", "occupancy": None, "test": "k7m2qx4c"},
    ],
)
def test_schema_and_decoder_refuse_commands_alike(spoil: dict[str, Any]) -> None:
    message = {**examples.COMMAND[0], **spoil}
    assert list(Draft202012Validator(schema_of(BY_NAME["command"])).iter_errors(message))
    assert isinstance(decode(TOPICS, TOPICS.command, json.dumps(message).encode()), Refusal)


def test_incoming_examples_are_decoded() -> None:
    for message in examples.COUNTS:
        assert not isinstance(decode(TOPICS, TOPICS.counts(message["sensor"]), json.dumps(message).encode()), Refusal)
    for message in examples.PRESENCE:
        assert not isinstance(decode(TOPICS, TOPICS.presence(message["sensor"]), json.dumps(message).encode()), Refusal)
    for message in examples.COMMAND:
        assert not isinstance(decode(TOPICS, TOPICS.command, json.dumps(message).encode()), Refusal)


def test_asyncapi_has_its_required_keys() -> None:
    # Required keys of the AsyncAPI 3.0.0 document: asyncapi and info (title, version); of a server: host and protocol;
    # of an operation: action and channel.
    assert ASYNCAPI["asyncapi"] == "3.0.0"
    assert ASYNCAPI["info"]["title"]
    assert ASYNCAPI["info"]["version"] == "1.0.0"
    assert all(server["host"] and server["protocol"] == "mqtt" for server in ASYNCAPI["servers"].values())
    assert {operation["action"] for operation in ASYNCAPI["operations"].values()} == {"send", "receive"}
    assert all(operation["channel"] for operation in ASYNCAPI["operations"].values())


def test_every_reference_points_at_something() -> None:
    references = [node["$ref"] for node in walk(ASYNCAPI) if "$ref" in node]
    assert len(references) > 30
    for reference in references:
        if reference.startswith("#"):
            assert at(ASYNCAPI, reference)
        else:
            assert reference in TEXTS
    schemas = {name: json.loads(text) for name, text in TEXTS.items() if name != ASYNCAPI_FILE}
    for schema in schemas.values():
        for node in walk(schema):
            if isinstance(node.get("$ref"), str):
                assert at(schema, node["$ref"])
    assert {reference for reference in references if not reference.startswith("#")} == set(schemas)


def test_every_channel_declares_the_levels_that_vary() -> None:
    for channel in ASYNCAPI["channels"].values():
        braces = {part.split("}")[0] for part in channel["address"].split("{")[1:]}
        assert braces == set(channel["parameters"])


def test_an_operation_speaks_the_messages_of_its_own_channel() -> None:
    for operation in ASYNCAPI["operations"].values():
        prefix = operation["channel"]["$ref"] + "/messages/"
        assert all(message["$ref"].startswith(prefix) for message in operation["messages"])
    assert ASYNCAPI["operations"]["receive-command"]["reply"]["channel"] == {"$ref": "#/channels/reply"}


def test_the_daemon_receives_what_it_subscribes_to_and_sends_the_rest() -> None:
    directions = {name: operation["action"] for name, operation in ASYNCAPI["operations"].items()}
    received = {name.removeprefix("receive-") for name, action in directions.items() if action == "receive"}
    assert (
        received == {filter_.split("/")[3] for filter_ in TOPICS.subscriptions()} == {"counts", "presence", "command"}
    )
    assert len(directions) == len(CHANNELS) == 11


def test_bindings() -> None:
    bindings = {name: operation["bindings"]["mqtt"] for name, operation in ASYNCAPI["operations"].items()}
    assert all(binding["qos"] == 1 for binding in bindings.values())
    retained = {name for name, binding in bindings.items() if binding["retain"]}
    assert retained == {"receive-presence", "send-sample", "send-alarm", "send-figures", "send-service"}
    assert bindings["send-reply"]["messageExpiryInterval"] == publications.REPLY_EXPIRY_S
