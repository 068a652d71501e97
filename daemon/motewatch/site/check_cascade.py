"""Cross checks of the pressure cascade: steps stated twice, an order in a circle, delays without a reason, steps that
nobody would hear of, gauges between a room and itself.

That a step names rooms that exist is checked with the other references.
"""

from __future__ import annotations

from motewatch.site.findings import Findings
from motewatch.site.models import Room
from motewatch.site.order import find_cycle
from motewatch.site.problems import quoted


def check_cascade(findings: Findings) -> None:
    """Look at every step, and at all of them together."""
    steps = findings.site.cascade
    first: dict[frozenset[str], int] = {}
    for number, step in enumerate(steps):
        pair = frozenset((step.higher, step.lower))
        if pair in first and steps[first[pair]].higher == step.higher:
            where = findings.path(("cascade", first[pair]))
            findings.error(
                ("cascade", number),
                None,
                f"cascade[{where[1]}] is for the same two rooms in the same order",
                "Remove one of the two.",
            )
        first.setdefault(pair, number)
    _circle(findings)
    rooms = {room.id: room for room in findings.site.rooms}
    gauges = _gauges(findings)
    for number, step in enumerate(steps):
        higher, lower = rooms.get(step.higher), rooms.get(step.lower)
        if step.on_delay_s > 0 and step.delay_justification is None:
            findings.error(
                ("cascade", number, "on_delay_s"),
                step.on_delay_s,
                "a delay on a pressure alarm must be justified (EU GMP Annex 1, 2022, 4.16)",
                "Add delay_justification with the reason, or write on_delay_s = 0.",
            )
        if higher is None or lower is None:
            continue
        if gauges and not _connected(step.higher, step.lower, gauges):
            findings.warning(
                ("cascade", number),
                None,
                "no gauges connect the two rooms, so no alarm tells that this step is lost",
                f"Give a sensor in room {quoted(step.higher)} pressure_above = {quoted(step.lower)}, or gauges of both "
                "against one place.",
            )
        elif not gauges and not (_watched(higher) or _watched(lower)):
            findings.warning(
                ("cascade", number),
                None,
                "neither room has a bound on its pressure difference, so nobody is told when this step is lost",
                f"Give room {quoted(step.higher)} climate.pressure_difference.low_pa, or a sensor in it "
                "pressure_above.",
            )


def _circle(findings: Findings) -> None:
    steps = findings.site.cascade
    cycle = find_cycle((step.higher, step.lower) for step in steps)
    if cycle is None:
        return
    # Told at the last of its steps in the file: it closes the circle for whoever reads from the top.
    members = set(zip(cycle, (*cycle[1:], cycle[0]), strict=True))
    number = max(number for number, step in enumerate(steps) if (step.higher, step.lower) in members)
    findings.error(
        ("cascade", number),
        None,
        f"the order goes in a circle: {' above '.join((*cycle, cycle[0]))}",
        "Exchange higher and lower in one of these steps, or remove it.",
    )


def _gauges(findings: Findings) -> list[tuple[str, str]]:
    """The places that each gauge lies between."""
    places = {location.id: location.room for location in findings.site.locations}
    found: list[tuple[str, str]] = []
    for number, sensor in enumerate(findings.site.sensors):
        room = places.get(sensor.location or "")
        if sensor.pressure_above is None or room is None:
            continue
        if sensor.pressure_above == room:
            findings.error(
                ("sensors", number, "pressure_above"),
                sensor.pressure_above,
                "this is the sensor's own room, so its pressure would be measured against itself",
                "Name the room or place on the other side of the gauge.",
            )
            continue
        found.append((room, sensor.pressure_above))
    return found


def _connected(higher: str, lower: str, gauges: list[tuple[str, str]]) -> bool:
    reached = {higher}
    while True:
        further = {place for pair in gauges if reached & set(pair) for place in pair}
        if further <= reached:
            return lower in reached
        reached |= further


def _watched(room: Room) -> bool:
    bounds = room.climate.pressure_difference
    return bounds is not None and any(
        value is not None for value in (bounds.low_pa, bounds.alert_low_pa, bounds.high_pa, bounds.alert_high_pa)
    )
