"""The facility of the stories of callout: four places in two areas, four persons, and nothing that happens by itself.

`needles` and `stopper` (high priority, room `fill`, area `north`), `bench` (medium, room `prep`, area `north`) and
`scale` (low, room `pack`, area `south`): of each the fault of its sensor is the alarm. Ada and Ben are technicians,
Cy leads quality, Dot runs the facility. All zones are Berlin's unless a story says otherwise.
"""

from __future__ import annotations

from typing import Any

SEVERITIES = {"high": ("severe", 10), "medium": ("major", 60), "low": ("minor", 60)}
"""Priority -> severity and minutes to respond that lead to it by the shipped matrix."""

POINTS = {
    "needles": ("fill", "high"),
    "stopper": ("fill", "high"),
    "bench": ("prep", "medium"),
    "scale": ("pack", "low"),
}


def ways(*channels: str) -> list[dict[str, str]]:
    """Ways to a person, in order."""
    return [{"channel": channel, "address": f"address on {channel}"} for channel in channels]


def person(id_: str, *channels: str, **more: Any) -> dict[str, Any]:
    """A person who is reached over these channels, in order."""
    return {"id": id_, "name": id_.title(), "reach": ways(*channels), **more}


def climb(*steps: tuple[float, str], id: str = "usual", **more: Any) -> dict[str, Any]:
    """An escalation: (minutes after the start, whom: one or more targets)."""
    return {"id": id, "steps": [{"after_min": after, "tell": tell.split()} for after, tell in steps], **more}


def weekly(*members: str, id: str = "tech", **more: Any) -> dict[str, Any]:
    """A rota that goes round by the week, on Mondays at 08:00, since Monday 2026-01-05."""
    rotation = {"members": list(members), "first": "2026-01-05", "hand_over": "08:00", "shift_days": 7}
    return {"id": id, "name": "Technicians", "rotation": rotation, **more}


USUAL = climb((0, "person:ada"), (5, "person:ben"), (15, "team:leads"))


def callout_site(
    *escalations: dict[str, Any],
    zone: str = "Europe/Berlin",
    persons: dict[str, dict[str, Any]] | None = None,
    points: int = 0,
    **changes: Any,
) -> dict[str, Any]:
    """The site; escalations other than the usual one, persons other than the usual ones, `p1` to `pN` besides.

    The usual escalation: Ada at once, Ben after 5 minutes, Cy and Dot after 15.
    """
    known = {
        "ada": person("ada", "sms", "mail"),
        "ben": person("ben", "sms"),
        "cy": person("cy", "mail"),
        "dot": person("dot", "voice", "mail"),
    } | (persons or {})
    places = POINTS | {f"p{number}": ("prep", "medium") for number in range(1, points + 1)}
    site: dict[str, Any] = {
        "format": 1,
        "site": {"id": "stories", "name": "Story works", "time_zone": zone},
        "areas": [{"id": "north", "name": "North wing"}, {"id": "south", "name": "South wing"}],
        "rooms": [
            {"id": "fill", "name": "Filling", "area": "north", "grade": "A"},
            {"id": "prep", "name": "Preparation", "area": "north", "iso_class": 7},
            {"id": "pack", "name": "Packing", "area": "south", "iso_class": 8},
        ],
        "programmes": [{"id": "direct", "sample": "each-reading", "settle_s": 2.0}],
        "locations": [
            {"id": point, "name": point.title(), "room": room, "programme": "direct"}
            for point, (room, _) in places.items()
        ],
        "sensors": [
            {
                "id": point,
                "serial": f"S-{point}",
                "location": point,
                "sizes_um": [0.5, 5.0],
                "flow_l_min": 28.3,
                "silent_after_s": 604_800.0,
            }
            for point in places
        ],
        "rationalisation": [
            {"kind": "sensor-laser", "location": point, "severity": severity, "respond_within_min": minutes}
            for point, (_, priority) in places.items()
            for severity, minutes in [SEVERITIES[priority]]
        ],
        "channels": [{"id": channel, "kind": "mqtt"} for channel in ("sms", "mail", "voice")],
        "persons": list(known.values()),
        "teams": [{"id": "leads", "name": "Leads", "members": ["cy", "dot"]}],
        "escalations": list(escalations) or [USUAL],
    }
    return site | changes
