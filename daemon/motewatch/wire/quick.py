"""Plain count messages, read in a quarter of the time that the model takes, and to the same reading.

Rules: `incoming.CountMessage` is the one source of truth. The typed decoder here is made from its fields and their
bounds, texts and instants are asked of the model's own types and remembered, and the conversion is the model's
(`reading`). What is not taken here says nothing: the caller then asks the model, which has the last word and the words
for what is wrong. So this must never take what the model refuses, nor understand it otherwise; property tests hold
both against each other (`tests/property/test_quick.py`). Pure.
"""

from __future__ import annotations

from functools import lru_cache
from types import NoneType, UnionType
from typing import Annotated, Any, Final, Literal, Union, get_args, get_origin

import msgspec
from annotated_types import BaseMetadata, Ge, Gt, Le, Lt, MaxLen, MinLen
from pydantic import BaseModel, TypeAdapter, ValidationError
from pydantic.fields import FieldInfo

from motewatch.site.instants import instant_us
from motewatch.site.models import Identifier
from motewatch.wire.incoming import Boot, CountMessage, Instant
from motewatch.wire.reading import RefusedError, converted
from motewatch.wire.records import Reading

_BOUNDS: Final[dict[type[Any], str]] = {
    Ge: "ge",
    Gt: "gt",
    Le: "le",
    Lt: "lt",
    MinLen: "min_length",
    MaxLen: "max_length",
}
_TO_THE_SECOND: Final = len("2026-03-02T08:14:00")


def quick_reading(payload: bytes, level: str) -> Reading | None:
    """The reading in a message of the sensor `level`; None: ask the model."""
    try:
        message = _decode(payload)
        start_us = _start_us(message.start)
        if start_us is None or not _is_boot(message.boot) or not _is_location(message.location):
            return None
        return converted(message, level, start_us)
    except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError, RefusedError):
        return None


def _start_us(text: str) -> int | None:
    """Microseconds of a start as nearly all sensors write it: UTC with Z, with up to six decimals or none."""
    second_us = _second_us(text[:_TO_THE_SECOND])
    rest = text[_TO_THE_SECOND:]
    if second_us is None or rest == "Z":
        return second_us
    decimals = rest[1:-1]
    if rest[0:1] != "." or rest[-1] != "Z" or not 0 < len(decimals) <= 6 or not (rest.isascii() and decimals.isdigit()):
        return None
    return second_us + int(decimals.ljust(6, "0"))


@lru_cache(maxsize=4096)
def _second_us(text: str) -> int | None:
    """Of a start without decimals and zone; None where the model takes it for no time. Many begin in one second."""
    if len(text) != _TO_THE_SECOND or text[13] != ":" or text[16] != ":":
        return None
    try:
        return instant_us(_INSTANT.validate_python(text + "Z"))
    except ValidationError:
        return None


@lru_cache(maxsize=16_384)
def _is_boot(text: str) -> bool:
    return _holds(_BOOT, text)


@lru_cache(maxsize=16_384)
def _is_location(text: str | None) -> bool:
    return text is None or _holds(_LOCATION, text)


def _holds(of: TypeAdapter[Any], text: str) -> bool:
    try:
        of.validate_python(text)
    except ValidationError:
        return False
    return True


# ---- the decoder, made from the model -------------------------------------------------------------------------------


def _struct(model: type[BaseModel]) -> type[msgspec.Struct]:
    """A typed structure with the fields of a model."""
    fields: list[Any] = []
    for name, field in model.model_fields.items():
        kind = _kind(field.annotation, _bounds(field))
        if field.is_required():
            fields.append((name, kind))
            continue
        default = field.default
        if isinstance(default, BaseModel):
            default = msgspec.convert(default.model_dump(), kind)
        fields.append((name, kind, default))
    return msgspec.defstruct(model.__name__, fields, frozen=True, gc=False, forbid_unknown_fields=True)


def _kind(annotation: Any, bounds: dict[str, Any]) -> Any:
    """What the decoder knows of a type; bounds of numbers and lengths, but not of texts: these are asked later."""
    origin = get_origin(annotation)
    if origin is Annotated:
        inner, *metadata = get_args(annotation)
        return _kind(inner, bounds | {k: v for each in metadata for k, v in _bounds(each).items()})
    if origin in (Union, UnionType):
        inner = [each for each in get_args(annotation) if each is not NoneType]
        if len(inner) != 1:
            raise TypeError(f"{annotation} is more than the quick decoder knows")
        return _kind(inner[0], bounds) | None
    if origin is tuple:
        (item, _) = get_args(annotation)
        return Annotated[tuple.__class_getitem__((_kind(item, {}), ...)), msgspec.Meta(**bounds)]
    if origin is Literal:
        return annotation
    if annotation in (int, float):
        return Annotated[annotation, msgspec.Meta(**bounds)]
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return _struct(annotation)
    return str


def _bounds(of: Any) -> dict[str, Any]:
    """By the decoder's names. One that it has no name for keeps its own, and is then refused for a number."""
    found: dict[str, Any] = {}
    for each in of.metadata if isinstance(of, FieldInfo) else [of]:
        name = _BOUNDS.get(type(each))
        if name is not None:
            found[name] = getattr(each, name)
        elif isinstance(each, BaseMetadata):
            found[type(each).__name__] = each
    return found


_INSTANT: Final[TypeAdapter[Any]] = TypeAdapter(Instant)
_BOOT: Final[TypeAdapter[Any]] = TypeAdapter(Boot)
_LOCATION: Final[TypeAdapter[Any]] = TypeAdapter(Identifier)
_decode: Final[Any] = msgspec.json.Decoder(_struct(CountMessage)).decode
