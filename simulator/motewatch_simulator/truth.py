"""What was really so, and when: the record beside a stream by which detection can be scored.

One `Truth` is one thing: an incident in the rooms, a sensor misbehaving, or a true concentration above a level. As a
file it is one JSON object a line: `v`, `kind`, `what`, `subject`, `start`, `end` (null: it had not ended with the
stream) and `detail`. `TruthBook` gathers them while a stream is drawn. Knows no file, no sensor and no room: only the
words it is given.
"""

from __future__ import annotations

import json
from collections.abc import Hashable
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from enum import StrEnum

from motewatch_simulator.clock import iso, micros
from motewatch_simulator.errors import TruthError

VERSION = 1


class TruthKind(StrEnum):
    """What a line is about."""

    INCIDENT = "incident"
    """Something happened in the rooms."""
    MISBEHAVIOUR = "misbehaviour"
    """A sensor, its network or its clock did not do what it should."""
    EXCURSION = "excursion"
    """The true concentration, without counting noise, exceeded a level of the site."""


@dataclass(frozen=True, slots=True)
class Truth:
    """One thing that was really so, from `start_us` until `end_us` (microseconds UTC; None: until the stream ended).

    `subject` says where: any of `sensor`, `room` and `location`. `detail` is what else is known, ready for JSON.
    """

    kind: TruthKind
    what: str
    subject: dict[str, str]
    start_us: int
    end_us: int | None
    detail: dict[str, object] = field(default_factory=dict)


def to_line(truth: Truth) -> str:
    """One line of a truth file, without its line end."""
    body = {
        "v": VERSION,
        "kind": truth.kind.value,
        "what": truth.what,
        "subject": truth.subject,
        "start": iso(truth.start_us),
        "end": None if truth.end_us is None else iso(truth.end_us),
        "detail": truth.detail,
    }
    return json.dumps(body, separators=(",", ":"))


def from_line(line: str) -> Truth:
    """The reverse. Raises `TruthError` with what is wrong with the line."""
    try:
        body = json.loads(line)
    except (ValueError, RecursionError):
        raise TruthError(line, "it is not JSON") from None
    if not isinstance(body, dict) or body.get("v") != VERSION:
        raise TruthError(line, f'it must be an object with "v": {VERSION}')
    try:
        kind = TruthKind(body["kind"])
        what, subject, detail = body["what"], body["subject"], body["detail"]
        start_us, end_us = _instant(body["start"]), None if body["end"] is None else _instant(body["end"])
    except KeyError as error:
        raise TruthError(line, f"{error.args[0]} is missing") from None
    except (ValueError, TypeError) as error:
        raise TruthError(line, str(error)) from None
    if not (isinstance(what, str) and isinstance(subject, dict) and isinstance(detail, dict)):
        raise TruthError(line, "what must be text, subject and detail objects")
    return Truth(kind, what, {str(key): str(value) for key, value in subject.items()}, start_us, end_us, detail)


def _instant(text: str) -> int:
    instant = datetime.fromisoformat(text)
    if instant.tzinfo is None:
        raise ValueError(f"{text} has no time zone")
    return micros(instant.astimezone(UTC))


class TruthBook:
    """Gathers truths while a stream is drawn. What is open is known by any key; beginning it twice changes nothing."""

    def __init__(self) -> None:
        self._open: dict[Hashable, Truth] = {}
        self._closed: list[Truth] = []

    def begin(self, key: Hashable, truth: Truth) -> None:
        """Something is so from now on, if it is not already."""
        self._open.setdefault(key, truth)

    def end(self, key: Hashable, at_us: int, **detail: object) -> None:
        """It is over; `detail` is added to what was known. Nothing happens if it was not open."""
        truth = self._open.pop(key, None)
        if truth is not None:
            self._closed.append(replace(truth, end_us=at_us, detail={**truth.detail, **detail}))

    def note(self, key: Hashable, **detail: object) -> None:
        """More is known of something that is open."""
        truth = self._open.get(key)
        if truth is not None:
            self._open[key] = replace(truth, detail={**truth.detail, **detail})

    def is_open(self, key: Hashable) -> bool:
        """Is it so at present?"""
        return key in self._open

    def open_keys(self) -> list[Hashable]:
        """Everything that is so at present."""
        return list(self._open)

    def detail(self, key: Hashable) -> dict[str, object]:
        """What is known of something that is open."""
        return self._open[key].detail

    def rows(self) -> list[Truth]:
        """Everything so far by its start; what is still open has no end."""
        everything = [*self._closed, *self._open.values()]
        return sorted(everything, key=lambda t: (t.start_us, t.kind, t.what, sorted(t.subject.items())))
