"""Sensors as they stand, messages that could not be used, and where portable counters stand."""

from __future__ import annotations

from base64 import b64encode
from typing import Final, Literal

from pydantic import Field
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response

from motewatch.journal.sensor_record import letters
from motewatch.links.publications import iso
from motewatch.web.access.desk import Visitor
from motewatch.web.access.roles import May
from motewatch.web.bodies import one_line
from motewatch.web.console.house import House
from motewatch.web.console.listing import Listed, cursor_of, place_of
from motewatch.web.console.now import COMMENT_MAX
from motewatch.web.console.operation import BASE, Operation, Out, answer, body_of, query_of
from motewatch.web.console.operations.right_now import Done, done
from motewatch.web.console.pages.sensors import KEY, TEXT_MAX, key_from, sensor_lines
from motewatch.web.console.sensors_page import Line, chosen, page_of
from motewatch.wire.records import SECOND_US

ANSWERS: Final = {"bad": "not-to-be-trusted", "unknown": "cannot-tell", "watch": "due", "fine": "in-order"}


class Silences(Out):
    """How often a sensor was silent in a time, and for how long in all."""

    number: int
    seconds: float


class SensorNow(Out):
    """One sensor as it stands."""

    id: str
    serial: str
    portable: bool
    answer: str = Field(description="not-to-be-trusted, cannot-tell, due or in-order. Not heard is never in order.")
    why: str
    location: str | None = Field(description="Where it is fixed or checked in; null: nowhere.")
    last_reading: str = Field(description="In words.")
    calibration: str = Field(description="In words.")
    silences: str = Field(description="Of the last day and week, in words; empty for a portable.")
    last_end: str | None = Field(description="End of its last reading; null: none as far back as is looked.")
    delay_s: float | None = Field(description="How long after that end it came; below 0: its clock is ahead of ours.")
    flow: str | None = Field(description="As its last reading says.")
    laser: str | None = Field(description="As its last reading says.")
    calibration_due: str | None = Field(description="Date in the site file.")
    silences_day: Silences | None = Field(description="Of the last 24 hours; null for a portable.")
    silences_week: Silences | None = Field(description="Of the last 7 days; null for a portable.")


class Sensors(Out):
    """A page of them, those that cannot be trusted first."""

    sensors: list[SensorNow]
    next: str | None


class DeadLetterOut(Out):
    """A message that could not be used."""

    id: int
    received: str
    topic: str
    reason: str
    detail: str
    sensor: str | None
    payload_base64: str


class DeadLetters(Out):
    """Messages that could not be used, newest first."""

    letters: list[DeadLetterOut]
    next: str | None


class PlaceOrder(Out):
    """This portable counter stands there from now on."""

    sensor: str = Field(min_length=1, max_length=100)
    location: str | None = Field(max_length=100, description="null: nowhere; it is checked out.")
    comment: str = Field(default="", max_length=COMMENT_MAX)


class SensorsAsked(Listed):
    """The query of the sensors."""

    answer: Literal["", "not-to-be-trusted", "cannot-tell", "due", "in-order"] = Field(
        default="", description="Those of this answer only; empty: all."
    )
    text: str = Field(default="", max_length=TEXT_MAX, description="Words in id, serial number or place.")


class LettersAsked(Listed):
    """The query of the dead letters."""

    limit: int = Field(default=50, ge=1, le=200, description="At most so many.")


OPERATIONS: Final = (
    Operation(
        f"{BASE}/sensors",
        "GET",
        "sensors",
        "Which sensors can be trusted now, page by page",
        May.LOOK,
        Sensors,
        problems=(400, 401, 403, 422),
        asks=SensorsAsked,
    ),
    Operation(
        f"{BASE}/dead-letters",
        "GET",
        "dead_letters",
        "Messages that could not be used",
        May.LOOK,
        DeadLetters,
        problems=(400, 401, 403, 422),
        asks=LettersAsked,
    ),
    Operation(
        f"{BASE}/sensors/place",
        "POST",
        "place",
        "Say where a portable counter stands from now on",
        May.OPERATE,
        Done,
        PlaceOrder,
        (400, 401, 403, 409, 413, 422, 503),
    ),
)


class SensorOperations:
    """See the module."""

    def __init__(self, house: House) -> None:
        self._house = house

    async def sensors(self, request: Request, visitor: Visitor) -> Response:
        """Sensors as they stand."""
        asked = query_of(request, SensorsAsked)
        place = key_from(place_of("api-sensors", asked.cursor, *KEY))
        lines = await run_in_threadpool(sensor_lines, self._house)
        css = next((css for css, word in ANSWERS.items() if word == asked.answer), "")
        shown, after = page_of(chosen(lines, css, one_line(asked.text)), place, asked.limit)
        following = None if after is None else cursor_of("api-sensors", *after)
        return answer(Sensors(sensors=[_now(line) for line in shown], next=following))

    async def dead_letters(self, request: Request, visitor: Visitor) -> Response:
        """Messages that could not be used."""
        asked = query_of(request, LettersAsked)
        place = place_of("dead-letters", asked.cursor, int)
        before_id = None if place is None else int(place[0])
        found = await run_in_threadpool(letters, self._house.record.store, asked.limit + 1, before_id)
        shown = found[: asked.limit]
        return answer(
            DeadLetters(
                letters=[
                    DeadLetterOut(
                        id=one.id,
                        received=iso(one.letter.received_us),
                        topic=one.letter.topic,
                        reason=one.letter.reason,
                        detail=one.letter.detail,
                        sensor=one.letter.sensor,
                        payload_base64=b64encode(one.letter.payload).decode(),
                    )
                    for one in shown
                ],
                next=cursor_of("dead-letters", shown[-1].id) if len(found) > asked.limit else None,
            )
        )

    async def place(self, request: Request, visitor: Visitor) -> Response:
        """Check in or out."""
        asked = await body_of(request, PlaceOrder)
        given = (visitor, asked.sensor, asked.location, one_line(asked.comment))
        return done(await run_in_threadpool(self._house.place, *given))


def _now(line: Line) -> SensorNow:
    return SensorNow(
        id=line.id,
        serial=line.serial,
        portable=line.portable,
        answer=ANSWERS[line.css],
        why=line.answer,
        location=line.location or None,
        last_reading=line.last,
        calibration=line.calibration,
        silences=line.silences,
        last_end=None if line.last_us is None else iso(line.last_us),
        delay_s=None if line.late_us is None else line.late_us / SECOND_US,
        flow=line.flow or None,
        laser=line.laser or None,
        calibration_due=None if line.due is None else line.due.isoformat(),
        silences_day=_silences(line.silences_day),
        silences_week=_silences(line.silences_week),
    )


def _silences(told: tuple[int, int] | None) -> Silences | None:
    return None if told is None else Silences(number=told[0], seconds=told[1] / SECOND_US)
