"""The command `sampling-plan`: what a classification test will need, before anybody carries a counter in.

Only figures of `limits`: locations from the area, considered sizes with their limits, air and time of a single sample.
"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from math import ceil
from typing import Annotated, Any

import typer

from motewatch.cli import sheets
from motewatch.cli.limits import GradeLetter
from motewatch.cli.printing import table
from motewatch.limits.classification import Target, applicable, considered_sizes, grade_target, iso_target
from motewatch.limits.errors import LimitsError
from motewatch.limits.sample_volume import formula_volume_l, least_minutes, least_volume_l
from motewatch.limits.sampling_locations import CONFIDENCE, SHARE, locations_2015, locations_by_plan
from motewatch.limits.standards.model import Blank
from motewatch.links.figures import limit_text, microns
from motewatch.site.models import Occupancy


@dataclass(frozen=True, slots=True)
class SamplingPlan:
    """What the test needs. Volumes in litres, times in minutes."""

    locations: int
    sizes_nm: tuple[int, ...]
    volume_l: float
    formula_volume_l: float
    minutes: float | None
    total_minutes: float | None


def add_to(app: typer.Typer) -> None:
    """Register the command."""
    app.command("sampling-plan")(sampling_plan)


def sampling_plan(
    state: Annotated[Occupancy, typer.Option("--state", help="Occupancy state.", show_default=False)],
    sizes: Annotated[str, typer.Option("--sizes", metavar="UM,UM", help="Considered sizes.", show_default=False)],
    area: Annotated[
        float, typer.Option("--area", metavar="M2", help="Area of the clean zone in m2.", show_default=False)
    ],
    iso_class: Annotated[
        str | None, typer.Option("--class", metavar="CLASS", help='ISO 14644-1 class: "ISO 7", 7 or 6.5.')
    ] = None,
    grade: Annotated[
        GradeLetter | None, typer.Option("--grade", case_sensitive=False, help="EU GMP Annex 1 grade instead.")
    ] = None,
    flow: Annotated[
        float | None, typer.Option("--flow", metavar="L/MIN", help="The counter's flow, for the sampling time.")
    ] = None,
    confidence: Annotated[
        float, typer.Option("--confidence", metavar="PCT", help="That so much of the area complies.")
    ] = CONFIDENCE * 100,
    share: Annotated[
        float, typer.Option("--share", metavar="PCT", help="How much of the area complies with that confidence.")
    ] = SHARE * 100,
    as_json: sheets.AsJson = False,
) -> None:
    """What a classification test will need.

    The number of locations is that of ISO 14644-1:2015, Table A.1. With another --confidence or --share it is our own
    use of the plan behind that table, and says so.

    \b
    motewatch sampling-plan --class "ISO 7" --state at-rest --sizes 0.5,5 --area 40 --flow 28.3
    motewatch sampling-plan --grade B --state operational --sizes 0.5,5 --area 24 --flow 28.3 --confidence 99
    """
    if (iso_class is None) == (grade is None):
        raise typer.BadParameter("give one of --class and --grade")
    try:
        target = iso_target(iso_class, state) if iso_class is not None else _grade_target(grade, state)
        plan = planned(target, sheets.sizes_nm(sizes), area, flow, confidence / 100, share / 100)
    except LimitsError as error:
        raise typer.BadParameter(str(error)) from None
    by_table = is_table(confidence / 100, share / 100)
    if as_json:
        typer.echo(json.dumps(_plain(plan, target, area, flow, confidence, share, by_table), indent=2))
    else:
        typer.echo(_text(plan, target, sheets.sizes_nm(sizes), area, flow, confidence, share, by_table), nl=False)


def _grade_target(grade: GradeLetter | None, state: Occupancy) -> Target:
    assert grade is not None
    return grade_target(grade.value, state)


def is_table(confidence: float, share: float) -> bool:
    """Are these what Table A.1 rests on?"""
    return confidence == CONFIDENCE and share == SHARE


def planned(
    target: Target, sizes_nm: tuple[int, ...], area_m2: float, flow_l_min: float | None, confidence: float, share: float
) -> SamplingPlan:
    """The plan. Raises `LimitsError` for sizes, areas, flows and shares out of range, and for a target without a
    limit at any of the sizes."""
    sizes = considered_sizes(sizes_nm, target)
    judged = applicable(target, sizes)
    if not judged:
        raise typer.BadParameter(f"{target.name} has no limit at any of these sizes {target.state.value}")
    largest = target.limit(judged[-1])
    assert largest is not None
    assert not isinstance(largest.cell, Blank)
    limit = largest.cell
    table_holds = is_table(confidence, share)
    locations = locations_2015(area_m2) if table_holds else locations_by_plan(area_m2, confidence, share)
    minutes = None if flow_l_min is None else least_minutes(limit, flow_l_min)
    return SamplingPlan(
        locations=locations,
        sizes_nm=judged,
        volume_l=least_volume_l(limit),
        formula_volume_l=formula_volume_l(limit),
        minutes=minutes,
        total_minutes=None if minutes is None else minutes * locations,
    )


def _text(
    plan: SamplingPlan,
    target: Target,
    asked: tuple[int, ...],
    area: float,
    flow: float | None,
    confidence: float,
    share: float,
    by_table: bool,
) -> str:
    cells = [
        ["locations", str(plan.locations), _why_locations(area, confidence, share, by_table)],
        ["air of each sample", f"{_figure(plan.volume_l)} L", _why_volume(plan, target)],
    ]
    if plan.minutes is not None and plan.total_minutes is not None:
        least = ", at least 1 minute" if plan.minutes == 1 else ""
        cells.append(["time of each sample", f"{_figure(plan.minutes)} min", f"at {flow:g} L/min{least}"])
        cells.append(["sampling in all", f"{_figure(plan.total_minutes)} min", "without the ways between"])
    lines = [f"{target.name}, {target.state.value}: {sheets.sizes_text(plan.sizes_nm)}", ""]
    lines += table(["what", "at least", "why"], cells).splitlines()
    lines.append("")
    for row in target.limits:
        if row.size_nm in plan.sizes_nm:
            lines.append(f"limit at {microns(row.size_nm)}: {limit_text(row.cell)} per m3, cumulative")
    for row in target.limits:
        if row.size_nm in asked and row.size_nm not in plan.sizes_nm:
            lines.append(f"no limit at {microns(row.size_nm)}: {limit_text(row.cell)}")
    if not by_table:
        lines.append(
            f"The standard asks for {locations_2015(area)} locations (Table A.1: {CONFIDENCE * 100:g} %, "
            f"{SHARE * 100:g} %). The number above is our own use of the plan behind that table."
        )
    lines.append("Check against your own copy of the standard, and spread the locations evenly over the area.")
    return "\n".join(lines) + "\n"


def _figure(value: float) -> str:
    """Rounded up to a tenth: less would not do."""
    return f"{ceil(round(value * 10, 6)) / 10:,.10g}".replace(",", " ")


def _why_locations(area: float, confidence: float, share: float, by_table: bool) -> str:
    if by_table:
        return f"for {area:g} m2, ISO 14644-1:2015, Table A.1"
    return f"for {area:g} m2, {confidence:g} % confident that {share:g} % of it complies"


def _why_volume(plan: SamplingPlan, target: Target) -> str:
    at = f"20 particles at the limit of {microns(plan.sizes_nm[-1])}"
    if plan.volume_l > plan.formula_volume_l:
        return f"{at} would need {plan.formula_volume_l:.3g} L; at least 2 L"
    return at


def _plain(
    plan: SamplingPlan,
    target: Target,
    area: float,
    flow: float | None,
    confidence: float,
    share: float,
    by_table: bool,
) -> dict[str, Any]:
    plain = asdict(plan)
    sizes = plain.pop("sizes_nm")
    return {
        "target": target.name,
        "state": target.state.value,
        "area_m2": area,
        "flow_l_min": flow,
        "confidence_pct": confidence,
        "share_pct": share,
        "by_table_a1": by_table,
        "sizes_um": [size / 1000 for size in sizes],
        **plain,
    }
