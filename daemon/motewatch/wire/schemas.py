"""The contract on paper: JSON Schema of each message and one AsyncAPI document, generated from the models.

Rules: `documents` is pure and gives the same texts for the same models; the files under `config/schemas` are these
texts, and nothing is edited there. Schemas say draft 2020-12, and use only keywords that draft-07 readers understand
alike (`$defs` is only a place to point at), because AsyncAPI tools read draft-07. Incoming schemas close their objects,
as the decoder does; outgoing ones leave them open, so that a reader of today stands a key of tomorrow.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from pydantic.json_schema import GenerateJsonSchema, JsonSchemaValue
from pydantic_core import core_schema

from motewatch.wire import examples
from motewatch.wire.asyncapi import asyncapi
from motewatch.wire.incoming import CommandMessage, CountMessage, Incoming, PresenceMessage
from motewatch.wire.outgoing import (
    AlarmEventMessage,
    AlarmMessage,
    AnchorMessage,
    FiguresMessage,
    Outgoing,
    PersonCallMessage,
    ReplyMessage,
    SampleMessage,
    ServiceMessage,
)

DIALECT: Final = "https://json-schema.org/draft/2020-12/schema"
ASYNCAPI_FILE: Final = "asyncapi.json"


@dataclass(frozen=True, slots=True)
class Document:
    """One message's schema: its name (of the file and in AsyncAPI), its title, its model and its examples."""

    name: str
    title: str
    model: type[Incoming] | type[Outgoing]
    examples: list[dict[str, Any]]

    @property
    def file(self) -> str:
        """Name of the schema's file."""
        return f"{self.name}.schema.json"


DOCUMENTS: Final = (
    Document("count", "Count message", CountMessage, examples.COUNTS),
    Document("presence", "Sensor presence", PresenceMessage, examples.PRESENCE),
    Document("command", "Command", CommandMessage, examples.COMMAND),
    Document("reply", "Reply to a command", ReplyMessage, examples.REPLY),
    Document("sample", "Sample", SampleMessage, examples.SAMPLE),
    Document("alarm", "Alarm state", AlarmMessage, examples.ALARM),
    Document("alarm-event", "Alarm event", AlarmEventMessage, examples.EVENT),
    Document("call", "Call to a person", PersonCallMessage, examples.CALL),
    Document("figures", "Figures of alarm performance", FiguresMessage, examples.FIGURES),
    Document("anchor", "Anchor of the record", AnchorMessage, examples.ANCHOR),
    Document("service", "Service presence", ServiceMessage, examples.SERVICE),
)


class _Generator(GenerateJsonSchema):
    """Without the titles that only repeat the key."""

    def field_title_should_be_set(self, schema: Any) -> bool:
        return False


class _OutgoingGenerator(_Generator):
    """What is sent: null never, a key with a default always, and room for keys to come."""

    def nullable_schema(self, schema: core_schema.NullableSchema) -> JsonSchemaValue:
        return self.generate_inner(schema["schema"])

    def default_schema(self, schema: core_schema.WithDefaultSchema) -> JsonSchemaValue:
        return self.generate_inner(schema["schema"])

    def field_is_required(self, field: Any, total: bool) -> bool:
        inner = field["schema"]
        return not (inner["type"] == "default" and inner.get("default") is None)

    def model_schema(self, schema: core_schema.ModelSchema) -> JsonSchemaValue:
        json_schema = super().model_schema(schema)
        json_schema.pop("additionalProperties", None)
        return json_schema


def schema_of(document: Document) -> dict[str, Any]:
    """The JSON Schema of one message."""
    generator = _OutgoingGenerator if issubclass(document.model, Outgoing) else _Generator
    body = document.model.model_json_schema(schema_generator=generator)
    head = {
        "$schema": DIALECT,
        "$id": document.file,
        "title": document.title,
        "description": _one_line(body.pop("description")),
    }
    defs = body.pop("$defs", {})
    for inner in defs.values():
        inner.pop("title", None)
        if "description" in inner:
            inner["description"] = _one_line(inner["description"])
    body.pop("title", None)
    schema = {**head, **body, "examples": document.examples}
    return {**schema, "$defs": defs} if defs else schema


def documents() -> dict[str, str]:
    """File name -> text of everything under `config/schemas`."""
    texts = {document.file: _text(schema_of(document)) for document in DOCUMENTS}
    texts[ASYNCAPI_FILE] = _text(asyncapi({document.name: document for document in DOCUMENTS}))
    return texts


def _text(document: Mapping[str, Any]) -> str:
    return json.dumps(document, ensure_ascii=False, indent=2, allow_nan=False) + "\n"


def _one_line(text: str) -> str:
    """A docstring without its line breaks; paragraphs stay apart."""
    return "\n\n".join(" ".join(paragraph.split()) for paragraph in text.split("\n\n"))
