"""The trends of the site file, resolved: which statistics run at which location. A part of the plan; no state."""

from __future__ import annotations

from dataclasses import dataclass

from motewatch.site.models import Site, size_nm
from motewatch.site.trends import EwmaTrend, PoissonCusumTrend, RunRulesTrend, UChartTrend

AnyTrend = EwmaTrend | PoissonCusumTrend | UChartTrend | RunRulesTrend


@dataclass(frozen=True, slots=True)
class TrendPlan:
    """One statistic at one location."""

    key: str
    """Unique at the location, and the end of the alarm's id: `0.5um/trend-ewma`, with a state
    `0.5um/trend-ewma/at-rest`."""
    size_nm: int
    table: AnyTrend
    spec: str
    """The table as text: a statistic whose table has changed begins anew."""


def trends_of(site: Site) -> dict[str, tuple[TrendPlan, ...]]:
    """The trends of each location that has any; the narrowest place wins."""
    if not site.trends:
        return {}
    rooms = {room.id: room for room in site.rooms}
    found = {}
    for location in site.locations:
        room = rooms[location.room]
        chosen: dict[str, TrendPlan] = {}
        for place, wanted in (("area", room.area), ("room", room.id), ("location", location.id)):
            for table in site.trends:
                if getattr(table, place) == wanted:
                    key = f"{table.size_um:g}um/trend-{table.method}"
                    if table.occupancy is not None:
                        key += f"/{table.occupancy.value}"
                    chosen[key] = TrendPlan(key, size_nm(table.size_um), table, table.model_dump_json())
        if chosen:
            found[location.id] = tuple(plan for _, plan in sorted(chosen.items()))
    return found
