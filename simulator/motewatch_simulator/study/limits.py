"""The limits that a study measures a room against: those of the daemon's standards, per part of the room and state."""

from __future__ import annotations

from dataclasses import dataclass

from motewatch.limits.tables import limits_for
from motewatch.site.models import Occupancy
from motewatch_simulator.study import model as m


@dataclass(frozen=True, slots=True)
class SizeLimit:
    """A limit at or above one size, per m3."""

    size_um: float
    per_m3: int
    source: str


def parts_of(study: m.Study) -> tuple[str, ...]:
    """`room`, and `zone` where there is one."""
    return ("room",) if study.zone is None else ("room", "zone")


def standard_of(study: m.Study, part: str) -> m.Standard:
    """What a part of the room has to hold."""
    if part == "zone":
        assert study.zone is not None, "asked only for parts that are there"
        return study.zone.holds
    return study.room.holds


def limits_of(study: m.Study, part: str, *, at_rest: bool) -> tuple[SizeLimit, ...]:
    """The limits in one state by rising size; none where the standard has none."""
    standard = standard_of(study, part)
    iso = standard.iso_at_rest if at_rest else standard.iso_in_operation
    if standard.grade is None and iso is None:
        return ()
    occupancy = Occupancy.AT_REST if at_rest else Occupancy.OPERATIONAL
    found = limits_for(standard.grade, iso, occupancy)
    return tuple(SizeLimit(limit.size_nm / 1000, limit.per_m3, limit.source) for limit in found)


def class_text(study: m.Study, part: str, *, at_rest: bool) -> str:
    """What has to be held, for people: `grade C`, `ISO 7`."""
    standard = standard_of(study, part)
    if standard.grade is not None:
        return f"grade {standard.grade}"
    iso = standard.iso_at_rest if at_rest else standard.iso_in_operation
    return "nothing stated" if iso is None else f"ISO {iso:g}"
