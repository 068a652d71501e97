"""The command `propose-levels`: alert and action levels that a location's own record suggests, with their evidence.

It reads the journal and changes nothing: what it prints can be weighed, and pasted into the site file by a person.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final
from zoneinfo import ZoneInfo

import typer

from motewatch.cli.options import Limit, SitePath, known_location
from motewatch.cli.record import open_journal, span
from motewatch.engine.plan import Grade, LocationPlan, compile_plan
from motewatch.links.site_file import load_site
from motewatch.measure.level_proposals import Cap, LevelKind, LevelMethod
from motewatch.measure.percentiles import PercentileMethod
from motewatch.site.models import Occupancy, Site, size_nm

if TYPE_CHECKING:
    from motewatch.cli.propose_text import Answer
    from motewatch.measure.level_proposals import Wanted
    from motewatch.measure.samples import Sample

MOST_SAMPLES: Final = 200_000
"""Of the record, the newest: four months of minutes."""


def add_to(app: typer.Typer) -> None:
    """Register the command."""
    app.command("propose-levels")(propose_levels)


def propose_levels(
    site: SitePath,
    location: Annotated[str, typer.Option("--location", metavar="ID", help="Location.", show_default=False)],
    size_um: Annotated[
        float | None,
        typer.Option("--size", metavar="UM", help="Particle size in um. Absent: each that was measured."),
    ] = None,
    state: Annotated[Occupancy, typer.Option("--state", help="Occupancy state.")] = Occupancy.OPERATIONAL,
    since: Annotated[str, typer.Option("--since", metavar="TIME", help="Samples from this time on.")] = "-90d",
    until: Annotated[
        str | None, typer.Option("--until", metavar="TIME", help="Samples before this time.", show_default=False)
    ] = None,
    method: Annotated[
        LevelMethod | None,
        typer.Option("--method", help="Only this method. Absent: all, side by side.", show_default=False),
    ] = None,
    alert_alarms: Annotated[
        float, typer.Option("--alert-alarms", metavar="N", min=0.001, help="False alerts wanted in 30 days.")
    ] = 1.0,
    action_alarms: Annotated[
        float, typer.Option("--action-alarms", metavar="N", min=0.001, help="False actions wanted in 30 days.")
    ] = 0.1,
    percentile_method: Annotated[
        PercentileMethod, typer.Option("--percentile-method", help="Hyndman and Fan's number.")
    ] = PercentileMethod.R6,
    leave_out_above: Annotated[
        float | None,
        typer.Option(
            "--leave-out-above",
            metavar="PER_M3",
            min=0,
            help="Leave out samples above this. Absent: excursions are part of the history.",
            show_default=False,
        ),
    ] = None,
    limit: Limit = MOST_SAMPLES,
    as_json: Annotated[bool, typer.Option("--json", help="For programs: every figure, not rounded.")] = False,
) -> None:
    """Alert levels from a location's own record. Changes nothing.

    Several methods stand side by side, each with the false alarms it would cost and the limit that caps it. Suspect
    air and samples with too little air are left out; excursions only if you say above what.

    \b
    motewatch propose-levels site.toml --location needles
    motewatch propose-levels site.toml --location needles --size 5 --method negative-binomial --since -180d
    """
    from motewatch.cli.propose_text import Answer, text_of
    from motewatch.measure.history import count_history
    from motewatch.measure.level_proposals import TooLittleHistoryError, Wanted, cusum_proposal, proposals

    facility = load_site(site)
    plan = compile_plan(facility, "")
    known_location(location, sorted(plan.locations))
    if action_alarms > alert_alarms:
        raise typer.BadParameter("an action level must not have more false alarms than the alert level")
    place = plan.locations[location]
    samples = _samples(site, facility, location, since, until, limit)
    cut = len(samples) == limit
    sizes = _sizes(samples, location, size_um, since)
    wanted = Wanted(alert_alarms, action_alarms, percentile_method)
    methods = tuple(LevelMethod) if method is None else (method,)
    answers: list[Answer] = []
    for size in sizes:
        history = count_history(samples, size, state.value, leave_out_above)
        caps = _caps(place, state, size)
        answer = Answer(
            place.name, place.id, size, state.value, since, leave_out_above, caps, history, (), None, None, cut
        )
        if history is None:
            why = f"there is no sound sample in the state {state.value} since {since}"
            answers.append(answer.refused(why))
            continue
        try:
            rows = tuple(proposals(history, caps, wanted, methods))
            answers.append(answer.with_proposals(rows, cusum_proposal(history, alert_alarms)))
        except TooLittleHistoryError as error:
            answers.append(answer.refused(str(error)))
    if as_json:
        typer.echo(json.dumps(_plain(answers, wanted), ensure_ascii=False, indent=2))
    else:
        typer.echo(text_of(answers, ZoneInfo(facility.site.time_zone), method), nl=False)
    if all(answer.refusal is not None for answer in answers):
        raise typer.Exit(1)


def _plain(answers: list[Answer], wanted: Wanted) -> object:
    return {
        "changed": False,
        "alert_alarms_wanted_per_30_days": wanted.alert_alarms,
        "action_alarms_wanted_per_30_days": wanted.action_alarms,
        "sizes": [answer.to_plain() for answer in answers],
    }


def _samples(path: Path, facility: Site, location: str, since: str, until: str | None, limit: int) -> list[Sample]:
    first_us, last_us = span(facility, since, until)
    with open_journal(facility, path) as journal:
        return journal.query_samples(location, first_us, last_us, False, limit)


def _sizes(samples: list[Sample], location: str, size_um: float | None, since: str) -> list[int]:
    measured = sorted({channel.size_nm for sample in samples for channel in sample.channels})
    if not measured:
        raise typer.BadParameter(f"there is no sample of '{location}' on record since {since}", param_hint="--since")
    if size_um is None:
        return measured
    if size_nm(size_um) not in measured:
        sizes = ", ".join(f"{size / 1000:g}" for size in measured)
        raise typer.BadParameter(f"{size_um:g} um was not measured at '{location}'; there are {sizes} um")
    return [size_nm(size_um)]


def _caps(place: LocationPlan, state: Occupancy, size: int) -> dict[LevelKind, Cap]:
    """The action level in force caps both: an alert level must warn before it, a new action level not be looser.

    It is the standard's limit, or the site's own where that is tighter.
    """
    for level in place.levels[state.value]:
        if level.size_nm == size and level.grade is Grade.ACTION:
            cap = Cap(level.per_m3, level.source)
            return {LevelKind.ALERT: cap, LevelKind.ACTION: cap}
    return {}
