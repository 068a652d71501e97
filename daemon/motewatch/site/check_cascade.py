"""Cross checks of the pressure cascade: steps stated twice, an order in a circle, steps that nobody would hear of.

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
    for number, step in enumerate(steps):
        higher, lower = rooms.get(step.higher), rooms.get(step.lower)
        if higher is not None and lower is not None and not (_watched(higher) or _watched(lower)):
            findings.warning(
                ("cascade", number),
                None,
                "neither room has a bound on its pressure difference, so nobody is told when this step is lost",
                f"Give room {quoted(step.higher)} climate.pressure_difference.low_pa.",
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


def _watched(room: Room) -> bool:
    bounds = room.climate.pressure_difference
    return bounds is not None and any(
        value is not None for value in (bounds.low_pa, bounds.alert_low_pa, bounds.high_pa, bounds.alert_high_pa)
    )
