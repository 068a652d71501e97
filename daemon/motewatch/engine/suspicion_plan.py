"""When a sensor is doubted, out of the site file. A part of the plan; no state."""

from __future__ import annotations

from dataclasses import dataclass

from motewatch.site.models import Site


@dataclass(frozen=True, slots=True)
class SuspicionPlan:
    """The `[suspicion]` table. `usual`: particles per m3 in the smallest size, by sensor, where stated."""

    threshold: float
    block: int
    """Readings in a block of which the usual is learned."""
    dispersion: float
    usual: dict[str, float]


def suspicion_of(site: Site) -> SuspicionPlan | None:
    """None where the site does not ask for it."""
    table = site.suspicion
    if table is None:
        return None
    usual = {item.sensor: item.usual_per_m3 for item in table.sensors}
    return SuspicionPlan(table.threshold, table.learn_readings // 10, table.dispersion, usual)
