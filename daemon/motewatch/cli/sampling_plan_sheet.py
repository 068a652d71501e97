"""What `sampling-plan` does: locations from the area, air and time of a single sample, as text and JSON."""

from __future__ import annotations

import json
from dataclasses import dataclass
from math import ceil
from typing import Any

import typer

from motewatch.cli import sheets
from motewatch.cli.limits import GradeLetter
from motewatch.cli.printing import table
from motewatch.limits.classification import Edition, Target, applicable, considered_sizes
from motewatch.limits.errors import LimitsError
from motewatch.limits.sample_volume import formula_volume_l, least_minutes, least_volume_l
from motewatch.limits.sampling_locations import CONFIDENCE, SHARE, locations_2015, locations_by_plan
from motewatch.limits.standards.model import Blank
from motewatch.links.figures import limit_text
from motewatch.site.basics import size_text
from motewatch.site.models import Occupancy


@dataclass(frozen=True, slots=True)
class SamplingPlan:
    """What was asked, and what the test needs. Volumes in litres, times in minutes."""

    target: Target
    considered_nm: tuple[int, ...]
    area_m2: float
    flow_l_min: float | None
    confidence_pct: float
    share_pct: float
    locations: int
    sizes_nm: tuple[int, ...]
    """Of the considered sizes, those with a limit."""
    volume_l: float
    formula_volume_l: float
    minutes: float | None
    total_minutes: float | None

    @property
    def by_table(self) -> bool:
        """Is the number of locations that of Table A.1?"""
        return _is_table(self.confidence_pct, self.share_pct)


def print_plan(
    iso_class: str | None,
    grade: GradeLetter | None,
    state: Occupancy,
    sizes_nm: tuple[int, ...],
    area_m2: float,
    flow_l_min: float | None,
    confidence_pct: float,
    share_pct: float,
    *,
    as_json: bool,
) -> None:
    """Plan and print."""
    try:
        target = sheets.target_of(iso_class, grade, state, Edition.OF_2015)
        plan = planned(target, sizes_nm, area_m2, flow_l_min, confidence_pct, share_pct)
    except LimitsError as error:
        raise typer.BadParameter(str(error)) from None
    if as_json:
        typer.echo(json.dumps(_plain(plan), indent=2))
    else:
        typer.echo(_text(plan), nl=False)


def planned(
    target: Target,
    sizes_nm: tuple[int, ...],
    area_m2: float,
    flow_l_min: float | None,
    confidence_pct: float,
    share_pct: float,
) -> SamplingPlan:
    """The plan. Raises `LimitsError` for sizes, areas, flows and shares out of range, and a sentence for a target
    without a limit at any of the sizes."""
    considered = considered_sizes(sizes_nm, target)
    judged = applicable(target, considered)
    if not judged:
        raise typer.BadParameter(f"{target.name} has no limit at any of these sizes {target.state.value}")
    largest = target.limit(judged[-1])
    assert largest is not None
    assert not isinstance(largest.cell, Blank)
    limit = largest.cell
    by_table = _is_table(confidence_pct, share_pct)
    locations = (
        locations_2015(area_m2) if by_table else locations_by_plan(area_m2, confidence_pct / 100, share_pct / 100)
    )
    minutes = None if flow_l_min is None else least_minutes(limit, flow_l_min)
    return SamplingPlan(
        target=target,
        considered_nm=considered,
        area_m2=area_m2,
        flow_l_min=flow_l_min,
        confidence_pct=confidence_pct,
        share_pct=share_pct,
        locations=locations,
        sizes_nm=judged,
        volume_l=least_volume_l(limit),
        formula_volume_l=formula_volume_l(limit),
        minutes=minutes,
        total_minutes=None if minutes is None else minutes * locations,
    )


def _is_table(confidence_pct: float, share_pct: float) -> bool:
    """Are these what Table A.1 rests on?"""
    return confidence_pct / 100 == CONFIDENCE and share_pct / 100 == SHARE


def _text(plan: SamplingPlan) -> str:
    target = plan.target
    cells = [
        ["locations", str(plan.locations), _why_locations(plan)],
        ["air of each sample", f"{_figure(plan.volume_l)} L", _why_volume(plan)],
    ]
    if plan.minutes is not None and plan.total_minutes is not None:
        least = ", at least 1 minute" if plan.minutes == 1 else ""
        cells.append(["time of each sample", f"{_figure(plan.minutes)} min", f"at {plan.flow_l_min:g} L/min{least}"])
        cells.append(["sampling in all", f"{_figure(plan.total_minutes)} min", "without the ways between"])
    lines = [f"{target.name}, {target.state.value}: {sheets.sizes_text(plan.sizes_nm)}", ""]
    lines += table(["what", "at least", "why"], cells).splitlines()
    lines.append("")
    for row in target.limits:
        if row.size_nm in plan.sizes_nm:
            lines.append(f"limit at {size_text(row.size_nm)}: {limit_text(row.cell)} per m3, cumulative")
    for row in target.limits:
        if row.size_nm in plan.considered_nm and row.size_nm not in plan.sizes_nm:
            lines.append(f"no limit at {size_text(row.size_nm)}: {limit_text(row.cell)}")
    if not plan.by_table:
        lines.append(
            f"The standard asks for {locations_2015(plan.area_m2)} locations (Table A.1: {CONFIDENCE * 100:g} %, "
            f"{SHARE * 100:g} %). The number above is our own use of the plan behind that table."
        )
    lines.append("Check against your own copy of the standard, and spread the locations evenly over the area.")
    return "\n".join(lines) + "\n"


def _figure(value: float) -> str:
    """Rounded up to a tenth: less would not do."""
    return f"{ceil(round(value * 10, 6)) / 10:,.10g}".replace(",", " ")


def _why_locations(plan: SamplingPlan) -> str:
    if plan.by_table:
        return f"for {plan.area_m2:g} m2, ISO 14644-1:2015, Table A.1"
    return f"for {plan.area_m2:g} m2, {plan.confidence_pct:g} % confident that {plan.share_pct:g} % of it complies"


def _why_volume(plan: SamplingPlan) -> str:
    at = f"20 particles at the limit of {size_text(plan.sizes_nm[-1])}"
    if plan.volume_l > plan.formula_volume_l:
        return f"{at} would need {plan.formula_volume_l:.3g} L; at least 2 L"
    return at


def _plain(plan: SamplingPlan) -> dict[str, Any]:
    return {
        "target": plan.target.name,
        "state": plan.target.state.value,
        "area_m2": plan.area_m2,
        "flow_l_min": plan.flow_l_min,
        "confidence_pct": plan.confidence_pct,
        "share_pct": plan.share_pct,
        "by_table_a1": plan.by_table,
        "sizes_um": [size / 1000 for size in plan.sizes_nm],
        "locations": plan.locations,
        "volume_l": plan.volume_l,
        "formula_volume_l": plan.formula_volume_l,
        "minutes": plan.minutes,
        "total_minutes": plan.total_minutes,
    }
