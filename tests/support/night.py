"""A night at an invented plant, as the daemon would publish it: for the board, the drawing and the running view.

`Night` makes messages with few words; `STORY` is one recorded dialogue, from quiet to an excursion, an acknowledgement,
a silent sensor and back, each entry with its second after `T0`.
"""

from __future__ import annotations

from typing import Any

from motewatch.picture.board import Board
from motewatch.picture.hearing import Heard, hear
from motewatch.picture.words import UNICODE, Signs
from motewatch.site.models import Site
from motewatch.wire.messages import (
    AlarmEventMessage,
    AlarmMessage,
    Outgoing,
    SampleChannel,
    SampleMessage,
    ServiceMessage,
    Span,
    instant,
)
from motewatch.wire.records import SECOND_US
from motewatch.wire.topics import Topics

T0 = 1_772_417_520 * SECOND_US
"""2026-03-02T02:12:00Z, which is 03:12 in the plant."""

TOPICS = Topics("motewatch/v1", "hillside")

QUIET = {
    "needles": ((120, 0), (20.1, 44.0, 14.2)),
    "bowl": ((240, 0), (20.2, 44.3, 14.1)),
    "background": ((9_120, 35), (20.3, 44.1, 14.3)),
    "bench": ((38_400, 424), (21.0, 47.2, 8.4)),
    "lockers": ((91_000, 2_120), None),
    "assembly-1": ((18_200, 71), (22.4, None, None)),
}
"""Location -> concentrations at 0.5 and 5 um, and temperature, humidity, pressure difference: an ordinary minute."""


def night_dict(port: int = 1883, journal: str = "night.db") -> dict[str, Any]:
    """The plant's site file as TOML would give it."""
    fixed = {"sizes_um": [0.5, 5.0], "flow_l_min": 28.3, "interval_s": 1.0, "silent_after_s": 5.0}
    rooms = [
        {
            "id": "filling",
            "name": "Filling room",
            "area": "aseptic",
            "grade": "B",
            "operational": ["Mon-Sun 00:00-24:00"],
            "climate": {
                "temperature": {"low_c": 18, "high_c": 23},
                "humidity": {"low_pct": 30, "high_pct": 60, "alert_high_pct": 55},
                "pressure_difference": {"low_pa": 10},
            },
        },
        {
            "id": "solutions",
            "name": "Solution preparation",
            "area": "support",
            "grade": "C",
            "climate": {"pressure_difference": {"low_pa": 5}},
        },
        {"id": "gowning", "name": "Gowning room", "area": "support", "grade": "C"},
        {"id": "corridor", "name": "Clean corridor", "area": "support", "grade": "D"},
        {"id": "assembly", "name": "Device assembly", "area": "support", "iso_class": 7},
    ]
    locations = [
        ("needles", "Filling needles", "filling", {"grade": "A"}),
        ("bowl", "Stopper bowl", "filling", {"grade": "A"}),
        ("background", "Filling background", "filling", {}),
        ("bench", "Preparation bench", "solutions", {}),
        ("lockers", "Lockers", "gowning", {}),
        ("middle", "Corridor, middle", "corridor", {}),
        ("assembly-1", "Assembly bench", "assembly", {}),
        ("store", "Assembly store", "assembly", {"programme": "rounds"}),
    ]
    return {
        "format": 1,
        "site": {"id": "hillside", "name": "Hillside plant", "time_zone": "Europe/Berlin"},
        "service": {"journal": journal, "broker": {"host": "127.0.0.1", "port": port}},
        "areas": [{"id": "aseptic", "name": "Aseptic"}, {"id": "support", "name": "Support"}],
        "rooms": rooms,
        "programmes": [
            {"id": "five", "period_s": 5.0, "settle_s": 0.5},
            {"id": "rounds", "sample": "each-reading"},
        ],
        "locations": [
            {"id": ident, "name": name, "room": room, "programme": "five", **rest}
            for ident, name, room, rest in locations
        ],
        "sensors": [
            *(
                {"id": f"pc-0{number}", "serial": f"N-{number}", "location": ident, **fixed}
                for number, (ident, *_) in enumerate(locations[:-1], 1)
            ),
            {"id": "pp-01", "serial": "N-9", "kind": "portable", "sizes_um": [0.5, 5.0], "flow_l_min": 28.3},
        ],
        "levels": [{"location": "needles", "size_um": 0.5, "alert_per_m3": 1000}],
    }


def night_site(port: int = 1883) -> Site:
    """The plant."""
    return Site.model_validate(night_dict(port))


ROOMS = {location["id"]: location["room"] for location in night_dict()["locations"]}
AREAS = {room["id"]: room["area"] for room in night_dict()["rooms"]}


def sample(
    location: str,
    end_s: float,
    per_m3: tuple[float, float] = (120, 0),
    climate: tuple[float | None, float | None, float | None] | None = None,
    quality: tuple[str, ...] = (),
    revision: int = 1,
    occupancy: str = "operational",
) -> SampleMessage:
    """A five second sample that ends `end_s` after `T0`. A missing one has no channels."""
    end_us = T0 + round(end_s * SECOND_US)
    volume_l = 2.358
    channels = tuple(
        SampleChannel(size_um=size, count=round(value * volume_l / 1000), volume_l=volume_l, per_m3=value)
        for size, value in zip((0.5, 5.0), per_m3, strict=True)
    )
    temperature, humidity, pressure = climate or (None, None, None)

    def span(value: float | None) -> Span | None:
        return None if value is None else Span(mean=value, low=value, high=value)

    return SampleMessage.model_validate(
        {
            "location": location,
            "room": ROOMS[location],
            "start": instant(end_us - 5 * SECOND_US),
            "end": instant(end_us),
            "revision": revision,
            "occupancy": occupancy,
            "coverage_pct": 0.0 if "missing" in quality else 100.0,
            "readings": 0 if "missing" in quality else 5,
            "sensors": (),
            "quality": quality,
            "channels": () if "missing" in quality else channels,
            "temperature_c": span(temperature),
            "humidity_pct": span(humidity),
            "pressure_difference_pa": span(pressure),
        }
    )


def quiet(end_s: float, *without: str) -> list[SampleMessage]:
    """An ordinary sample of every location but those."""
    return [
        sample(location, end_s, values, climate)
        for location, (values, climate) in QUIET.items()
        if location not in without
    ]


def step(
    alarm: str,
    event: str,
    before: str,
    after: str,
    since_s: float,
    text: str,
    *,
    kind: str = "count-action",
    priority: str = "high",
    location: str | None = None,
    **more: Any,
) -> list[AlarmMessage | AlarmEventMessage]:
    """One step in an alarm's life as the two messages that the daemon publishes of it."""
    at = instant(T0 + round(since_s * SECOND_US))
    room = ROOMS.get(location or "")
    common = {
        "alarm": alarm, "kind": kind, "priority": priority, "since": at, "found": at, "text": text, "state": after,
        "location": location, "room": room, "area": AREAS.get(room or ""), **more,
    }  # fmt: skip
    return [
        AlarmMessage.model_validate(common),
        AlarmEventMessage.model_validate(
            {**common, "event": event, "before": before, "after": after, "id": f"{alarm}@{event}@{since_s}"}
        ),
    ]


def service(online: bool, at_s: float) -> ServiceMessage:
    """The daemon's presence."""
    return ServiceMessage(site="hillside", online=online, at=instant(T0 + round(at_s * SECOND_US)))


ACTION = "location/needles/0.5um/action"
ALERT = "location/needles/0.5um/alert"
SILENT = "sensor/pc-06/silent"
PRESSURE = "location/needles/pressure-difference-low/action"
ABOVE = "Filling needles: 4 841 particles/m3 >= 0.5 um, above the action level of 3 520 (EU GMP Annex 1)"
WARNED = ABOVE.replace("action level of 3 520", "alert level of 1 000")
BACK = "Filling needles: 120 particles/m3 >= 0.5 um, back within the action level of 3 520"
NOISE: dict[str, Any] = {"value": 4841.0, "limit": 3520.0, "unit": "/m3", "location": "needles", "sensor": "pc-01"}

STORY: list[tuple[float, Outgoing]] = [
    (0.0, service(True, 0)),
    *((5.3, message) for message in quiet(5)),
    (5.3, sample("middle", 5, (402_000, 2_900))),
    *((10.3, message) for message in quiet(10, "needles")),
    (10.3, sample("middle", 10, (410_000, 3_010))),
    (10.3, sample("needles", 10, (4841, 0), (20.1, 44.0, 14.2))),
    *(
        (10.4, message)
        for message in step(
            ALERT, "starts", "normal", "unacknowledged", 10, WARNED,
            kind="count-alert", priority="medium", **{**NOISE, "limit": 1000.0},
        )
    ),
    *((10.4, message) for message in step(ACTION, "starts", "normal", "unacknowledged", 10, ABOVE, **NOISE)),
    *((15.3, message) for message in quiet(15, "needles", "bench")),
    (15.3, sample("needles", 15, (6120, 141), (20.1, 44.0, 8.2))),
    (15.3, sample("bench", 15, (1_960_000, 9_200), (21.0, 47.2, 8.4))),
    *(
        (17.0, message)
        for message in step(
            ACTION, "acknowledge", "unacknowledged", "acknowledged", 17, ABOVE,
            by="m.okafor", comment="On my way.", **NOISE,
        )
    ),
    *((20.3, message) for message in quiet(20, "needles")),
    (20.3, sample("needles", 20, (5030, 0), (20.1, 44.0, 8.2))),
    *(
        (20.4, message)
        for message in step(
            PRESSURE, "starts", "normal", "unacknowledged", 18.5,
            "Filling needles: pressure difference 8.2 Pa, below the action bound of 10 Pa",
            kind="pressure-difference-action", value=8.2, limit=10.0, unit="Pa", location="needles", sensor="pc-01",
        )
    ),
    *(
        (21.0, message)
        for message in step(
            SILENT, "starts", "normal", "unacknowledged", 15, "pc-06: nothing heard for 5 s",
            kind="sensor-silent", priority="medium", location="middle", sensor="pc-06",
        )
    ),
]  # fmt: skip
"""Ends in the middle of the night's trouble, at `END_S`."""

END_S = 22.0

RECOVERY: list[tuple[float, Outgoing]] = [
    *((25.3, message) for message in quiet(25)),
    (25.3, sample("middle", 25, (395_000, 2_700))),
    *((25.4, message) for message in step(ACTION, "returns", "acknowledged", "normal", 25, BACK, **NOISE)),
    *(
        (25.4, message)
        for message in step(
            ALERT, "returns", "unacknowledged", "returned-unacknowledged", 25,
            BACK.replace("action level of 3 520", "alert level of 1 000"),
            kind="count-alert", priority="medium", **{**NOISE, "value": 120.0, "limit": 1000.0},
        )
    ),
    *(
        (25.4, message)
        for message in step(
            PRESSURE, "returns", "unacknowledged", "returned-unacknowledged", 25,
            "Filling needles: pressure difference 14.2 Pa, back within the action bound of 10 Pa",
            kind="pressure-difference-action", value=14.2, limit=10.0, unit="Pa", location="needles", sensor="pc-01",
        )
    ),
    *(
        (25.4, message)
        for message in step(
            SILENT, "returns", "unacknowledged", "returned-unacknowledged", 24, "pc-06: heard again",
            kind="sensor-silent", priority="medium", location="middle", sensor="pc-06",
        )
    ),
]  # fmt: skip


def topic_of(message: Outgoing) -> str:
    """Where the daemon publishes it."""
    match message:
        case SampleMessage():
            return TOPICS.sample(message.location)
        case AlarmEventMessage():
            return TOPICS.event
        case AlarmMessage():
            return TOPICS.alarm(message.alarm)
        case _:
            return TOPICS.service


def retained(message: Outgoing) -> bool:
    """Whether the daemon publishes it retained."""
    return isinstance(message, AlarmMessage | ServiceMessage)


def over_the_wire(message: Outgoing) -> Heard:
    """The message as a view hears it."""
    heard = hear(TOPICS, topic_of(message), message.to_payload())
    assert heard is not None
    return heard


def at(seconds: float) -> int:
    """An instant so many seconds after `T0`."""
    return T0 + round(seconds * SECOND_US)


def board(signs: Signs = UNICODE) -> Board:
    """A board that is connected since `T0`."""
    made = Board(night_site(), at(-1), signs)
    made.link(True, T0)
    return made


def play(made: Board, story: list[tuple[float, Outgoing]]) -> Board:
    """Feed a dialogue to a board, each message as it comes over the wire."""
    for second, message in story:
        made.hear(over_the_wire(message), at(second))
    return made
