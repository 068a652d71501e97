"""Cross checks of rooms: the windows of the operational state, and climate bounds against each other."""

from __future__ import annotations

from itertools import pairwise

from motewatch.site.findings import Findings
from motewatch.site.models import Bounds, Occupancy, PressureBounds, Room
from motewatch.site.problems import KeyPath
from motewatch.site.schedule import ScheduleError, overlap, parse_window
from motewatch.site.shape import number_text

_TABLES = (("temperature", "c"), ("humidity", "pct"), ("pressure_difference", "pa"))


def check_rooms(findings: Findings) -> None:
    """Look at every room."""
    for number, room in enumerate(findings.site.rooms):
        path = ("rooms", number)
        _windows(findings, path, room)
        for name, unit in _TABLES:
            bounds = getattr(room.climate, name)
            if bounds is not None:
                _bounds(findings, (*path, "climate", name), bounds, unit)
        pressure = room.climate.pressure_difference
        if pressure is not None:
            _pressure_delay(findings, (*path, "climate", "pressure_difference"), pressure)


def _windows(findings: Findings, path: KeyPath, room: Room) -> None:
    windows = []
    for number, text in enumerate(room.operational):
        try:
            windows.append(parse_window(text))
        except ScheduleError as error:
            findings.error((*path, "operational", number), text, error.message, error.mend)
    if len(windows) == len(room.operational):
        clash = overlap(windows)
        if clash is not None:
            first, second = (room.operational[index] for index in clash)
            which = "it overlaps itself" if clash[0] == clash[1] else f"it overlaps {first!r}"
            findings.error((*path, "operational", clash[1]), second, which, "Let a window end before the next starts.")
    if room.operational and room.occupancy is Occupancy.OPERATIONAL:
        findings.warning(
            (*path, "operational"),
            room.operational,
            "the windows change nothing: outside them the room is operational too",
            'Add occupancy = "at-rest" for the time outside the windows.',
        )


def _bounds(findings: Findings, path: KeyPath, bounds: Bounds, unit: str) -> None:
    names = (f"low_{unit}", f"alert_low_{unit}", f"alert_high_{unit}", f"high_{unit}")
    given = [(name, getattr(bounds, name)) for name in names if getattr(bounds, name) is not None]
    if not given:
        findings.warning(path, None, "no bound is given, so nothing is watched", f"Give {', '.join(names)}.")
        return
    ordered = True
    for (below, lower), (above, upper) in pairwise(given):
        # An alert bound may equal its action bound; a low and a high bound may not meet.
        if lower < upper or (lower == upper and ("low" in below) == ("low" in above)):
            continue
        ordered = False
        word = "at most" if ("low" in below) == ("low" in above) else "less than"
        findings.error(
            (*path, below),
            lower,
            f"must be {word} {above}, which is {number_text(upper)}",
            "The order is low, alert_low, alert_high, high.",
        )
    lows = [value for name, value in given if "low" in name]
    highs = [value for name, value in given if "high" in name]
    deadband = getattr(bounds, f"deadband_{unit}")
    if ordered and lows and highs and deadband >= min(highs) - max(lows):
        findings.error(
            (*path, f"deadband_{unit}"),
            deadband,
            f"must be less than the band between the bounds, which is {number_text(min(highs) - max(lows))}",
            "Inside a band this narrow an alarm could never clear: give a smaller deadband.",
        )


def _pressure_delay(findings: Findings, path: KeyPath, bounds: PressureBounds) -> None:
    if bounds.on_delay_s > 0 and bounds.delay_justification is None:
        findings.error(
            (*path, "on_delay_s"),
            bounds.on_delay_s,
            "a delay on a pressure alarm must be justified (EU GMP Annex 1, 2022, 4.16)",
            "Add delay_justification with the reason, or write on_delay_s = 0.",
        )
