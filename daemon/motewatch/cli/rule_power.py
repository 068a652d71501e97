"""The command `rule-power`: what a location's judging rule does, and what others would do, before anybody relies on it.

It computes and compares; it recommends nothing and changes nothing.
"""

from __future__ import annotations

import json
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated
from zoneinfo import ZoneInfo

import typer

from motewatch.cli.options import SitePath, known_location
from motewatch.cli.record import open_journal
from motewatch.cli.times import TimeTextError, parse_time
from motewatch.engine.plan import CountLevel, Grade, LocationPlan, SensorPlan, compile_plan
from motewatch.links.clock import Clock
from motewatch.links.site_file import load_site
from motewatch.measure.samples import INSUFFICIENT, SUSPECT, UL_PER_L, UL_PER_M3
from motewatch.site.basics import size_text
from motewatch.site.models import KOfN, Occupancy, PerSample, RollingVolume, Rule, Site, size_nm
from motewatch.wire.records import SECOND_US

if TYPE_CHECKING:
    from motewatch.cli.rule_figures import Usual

MOST_SAMPLES = 200_000
"""Of the record, the newest; half a year of minutes is more than that, but a usual concentration needs no more."""
SHARES_OF_LIMIT = (1 / 30, 1 / 10, 1 / 3)
"""Assumed where nobody says what is usual."""


class LevelName(StrEnum):
    """Which of the two levels of a size."""

    ALERT = "alert"
    ACTION = "action"


def add_to(app: typer.Typer) -> None:
    """Register the command."""
    app.command("rule-power")(rule_power)


def rule_power(
    site: SitePath,
    location: Annotated[str, typer.Option("--location", metavar="ID", help="Location.", show_default=False)],
    size_um: Annotated[
        float | None,
        typer.Option("--size", metavar="UM", help="Particle size in um. Absent: each that has a level."),
    ] = None,
    usual: Annotated[
        str | None,
        typer.Option("--usual", metavar="LIST", help="Usual concentrations per m3, such as 1,2,5.", show_default=False),
    ] = None,
    from_journal: Annotated[
        bool, typer.Option("--usual-from-journal", help="Take the usual concentration from the samples on record.")
    ] = False,
    since: Annotated[
        str, typer.Option("--since", metavar="TIME", help="With --usual-from-journal: samples from this time on.")
    ] = "-30d",
    dispersion: Annotated[
        float,
        typer.Option("--dispersion", metavar="ALPHA", min=0, max=10, help="Scatter beyond Poisson: alpha."),
    ] = 0.0,
    state: Annotated[Occupancy, typer.Option("--state", help="Occupancy state.")] = Occupancy.OPERATIONAL,
    level: Annotated[LevelName, typer.Option("--level", help="Which level.")] = LevelName.ACTION,
    volume_l: Annotated[
        float | None,
        typer.Option("--volume", metavar="L", min=0.001, help="Air of a sample, where the site file does not tell."),
    ] = None,
    every_s: Annotated[
        float | None,
        typer.Option("--every", metavar="S", min=0.001, help="Time from sample to sample, likewise."),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="For programs: every figure, not rounded.")] = False,
) -> None:
    """A judging rule's false alarms and time to the alarm.

    For one location: false alarms at its usual concentration, and how soon dirty air is found. Other rules stand
    beside it for comparison. Counts are taken as independent from sample to sample, with Poisson scatter or, with
    --dispersion, more (variance = mean + alpha x mean^2; 0.2 to 0.5 is our assumption for a room in operation). Air
    that changes slowly alarms more often than that.

    \b
    motewatch rule-power site.toml --location needles --size 5 --usual 1,2,5
    motewatch rule-power site.toml --location needles --size 5 --usual-from-journal --dispersion 0.2
    """
    from motewatch.cli.rule_figures import Question, figures_of
    from motewatch.cli.rule_text import text_of

    facility = load_site(site)
    plan = compile_plan(facility, "")
    known_location(location, sorted(plan.locations))
    if usual is not None and from_journal:
        raise typer.BadParameter("give one of --usual and --usual-from-journal")
    place = plan.locations[location]
    levels = _levels(place, state, Grade(level.value), size_um)
    sensor = None if place.sensor is None else plan.sensors[place.sensor]
    period_us, volume_ul = _sampling(place, sensor, volume_l, every_s)
    programme = next(item.programme for item in facility.locations if item.id == location)
    found = []
    for held in levels:
        question = Question(
            name=place.name,
            location=place.id,
            programme=programme,
            state=state.value,
            level=held,
            rules=_rules(place.rules[held.size_nm]),
            volume_ul=volume_ul,
            period_us=period_us,
            alpha=dispersion,
            usual=_usual(usual, from_journal, since, site, facility, place, state, held),
        )
        found.append(figures_of(question))
    if as_json:
        typer.echo(json.dumps([figures.to_plain() for figures in found], ensure_ascii=False, indent=2))
    else:
        typer.echo(text_of(found), nl=False)


def _sampling(
    place: LocationPlan, sensor: SensorPlan | None, volume_l: float | None, every_s: float | None
) -> tuple[int, int]:
    """Time from sample to sample, and the air of a full one: what the sensor draws, else what the programme asks."""
    period_us = place.period_us
    if every_s is not None:
        period_us = round(every_s * SECOND_US)
    elif period_us is None and sensor is not None:
        period_us = sensor.interval_us
    if period_us is None:
        raise typer.BadParameter(f"the site file does not tell how often '{place.id}' is sampled; give --every")
    volume_ul = place.nominal_ul
    if volume_l is not None:
        volume_ul = round(volume_l * UL_PER_L)
    elif sensor is not None:
        volume_ul = round(sensor.flow_ul_per_s * period_us / SECOND_US)
    if volume_ul is None:
        raise typer.BadParameter(f"the site file does not tell the air of a sample at '{place.id}'; give --volume")
    return period_us, volume_ul


def _levels(place: LocationPlan, state: Occupancy, grade: Grade, size_um: float | None) -> list[CountLevel]:
    here = [held for held in place.levels[state.value] if held.grade is grade]
    wanted = [held for held in here if size_um is None or held.size_nm == size_nm(size_um)]
    if not wanted:
        sizes = ", ".join(f"{held.size_nm / 1000:g}" for held in here)
        there = f"there is one for {sizes} um" if here else "there is none for any size"
        asked = "" if size_um is None else f" for {size_um:g} um"
        raise typer.BadParameter(f"'{place.id}' has no {grade.value} level{asked} in the state {state.value}; {there}")
    return wanted


def _rules(own: Rule) -> tuple[Rule, ...]:
    """The programme's own first, then the usual alternatives."""
    others: tuple[Rule, ...] = (
        PerSample(kind="per-sample"),
        KOfN(kind="k-of-n", k=2, n=3),
        KOfN(kind="k-of-n", k=3, n=5),
        RollingVolume(kind="rolling-volume", volume_l=1000),
    )
    return (own, *(rule for rule in others if rule != own))


def _usual(
    text: str | None,
    from_journal: bool,
    since: str,
    path: Path,
    facility: Site,
    place: LocationPlan,
    state: Occupancy,
    level: CountLevel,
) -> Usual:
    from motewatch.cli.rule_figures import Usual

    if text is not None:
        return Usual(_numbers(text), "as given")
    if from_journal:
        return _on_record(path, facility, place, state, level.size_nm, since)
    shares = tuple(float(f"{level.per_m3 * share:.2g}") for share in SHARES_OF_LIMIT)
    return Usual(shares, "assumed: a 30th, a 10th and a third of the level; give --usual or --usual-from-journal")


def _numbers(text: str) -> tuple[float, ...]:
    try:
        found = tuple(float(part) for part in text.split(","))
    except ValueError:
        found = ()
    if not found or not all(0 <= value < 1e15 for value in found):
        raise typer.BadParameter(f"'{text}' is no list of concentrations: give 1,2,5", param_hint="--usual")
    return found


def _on_record(path: Path, facility: Site, place: LocationPlan, state: Occupancy, size: int, since: str) -> Usual:
    """All counts over all air of the sound samples in this state: nothing weighs more than the air that shows it."""
    from motewatch.cli.rule_figures import Usual
    from motewatch.measure.dispersion import estimate_alpha

    try:
        since_us = parse_time(since, Clock().now_us(), ZoneInfo(facility.site.time_zone))
    except TimeTextError as error:
        raise typer.BadParameter(str(error), param_hint="--since") from None
    with open_journal(facility, path) as journal:
        samples = journal.query_samples(place.id, since_us, None, False, MOST_SAMPLES)
    counted = [
        channel
        for sample in samples
        if sample.occupancy == state.value and not sample.quality & (SUSPECT | INSUFFICIENT)
        if (channel := sample.channel(size)) is not None and channel.volume_ul > 0
    ]
    if not counted:
        raise typer.BadParameter(
            f"there is no sound sample of '{place.id}' at {size_text(size)} in the state {state.value} since {since}; "
            "give --usual",
            param_hint="--usual-from-journal",
        )
    count, air_ul = sum(c.count for c in counted), sum(c.volume_ul for c in counted)
    per_m3 = count * UL_PER_M3 / air_ul
    alpha = estimate_alpha([c.count for c in counted], [per_m3 * c.volume_ul / UL_PER_M3 for c in counted])
    source = (
        f"{count} particles in {len(counted)} samples on record ({air_ul / UL_PER_M3:.3g} m3), excursions included; "
        f"they scatter as alpha = {alpha:.2g}"
    )
    return Usual((per_m3,), source)
