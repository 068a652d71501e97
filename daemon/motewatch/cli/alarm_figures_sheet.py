"""Figures of alarm performance as text and as JSON."""

from __future__ import annotations

import json
from pathlib import Path
from zoneinfo import ZoneInfo

import typer

from motewatch.alarms.performance import Chattering, Figures
from motewatch.alarms.targets import TARGETS, Verdict, late_words, mark, too_young, value_text
from motewatch.cli.printing import table
from motewatch.cli.record import open_journal, span
from motewatch.cli.times import local_text
from motewatch.links.alarm_figures import figures_of, plain
from motewatch.links.clock import Clock
from motewatch.links.site_file import load_site
from motewatch.picture.words import lasting
from motewatch.site.models import Site
from motewatch.wire.records import DAY_US, SECOND_US

_CHATTERING = {
    Chattering.THREE_IN_A_MINUTE: "3 or more starts in 1 min",
    Chattering.SIX_IN_FIVE_MINUTES: "more than 5 starts in 5 min",
}
_FLOODS_SHOWN = 10


def print_figures(path: Path, since: str | None, until: str | None, operators: int | None, as_json: bool) -> None:
    """Print the figures of the time asked for, as far as the record reaches."""
    site = load_site(path)
    since_us, until_us = span(site, since, until)
    with open_journal(site, path) as journal:
        found = figures_of(
            journal,
            0 if since_us is None else since_us,
            Clock().now_us() if until_us is None else until_us,
            site.alarm_figures,
            operators,
        )
    if found is None:
        typer.echo("The record holds nothing of this time.", err=True)
        raise typer.Exit(1)
    typer.echo(json.dumps(plain(found), indent=2) + "\n" if as_json else text(found, site), nl=False)


def text(found: Figures, site: Site) -> str:
    """The figures for people, in the site's time."""
    zone = ZoneInfo(site.site.time_zone)
    days = found.period.length_us / DAY_US
    lines = [
        f"{local_text(found.period.start_us // SECOND_US * SECOND_US, zone)} to "
        f"{local_text(found.period.end_us // SECOND_US * SECOND_US, zone)} ({days:.3g} d), "
        f"operators: {found.operators}, alarms presented to them: {found.annunciated}",
        "",
        *table(
            ("figure", "value", "target", ""),
            [
                (target.what, value_text(target, found), target.text + mark(target), target.judge(found).value)
                for target in TARGETS
            ],
            frozenset({"value"}),
        ).splitlines(),
        "",
    ]
    lines += _standing(found) + _lists(found, zone)
    if too_young(found):
        lines += [
            "",
            f"The record of this time is {lasting(found.period.length_us)} long: rates and shares from 1 day on.",
        ]
    if any(target.judge(found) is Verdict.TOO_SHORT for target in TARGETS):
        lines += ["", "Under 30 days on record: the standard asks for 30, so nothing is judged."]
    lines += [
        "",
        "Targets: ISA-18.2 / IEC 62682, and where it says so EEMUA 191, as public summaries cite them.",
        "~ recomputed from such a value, * from memory, not confirmed.",
        f"Chattering here: {_CHATTERING[found.chattering_rule]} (sources disagree; alarm_figures.chattering).",
    ]
    return "\n".join(lines) + "\n"


def _standing(found: Figures) -> list[str]:
    waits = found.acknowledging
    lines = [
        f"standing at the end: {found.standing}, of these {found.standing_unacknowledged} unacknowledged and "
        f"{len(found.standing_stale)} for more than 24 h"
    ]
    if waits.median_us is not None and waits.p90_us is not None and waits.longest_us is not None:
        lines.append(
            f"time to acknowledge: median {lasting(round(waits.median_us))}, 90 % within {lasting(waits.p90_us)}, "
            f"longest {lasting(waits.longest_us)} ({waits.acknowledged} acknowledged)"
        )
    if found.late_bursts:
        lines.append(late_words(found))
    lines.append(f"never acknowledged: {waits.never}, still waiting: {waits.waiting}")
    lines += [
        f"{state.value}: {lasting(time.total_us)} in all, {time.alarms} {'alarm' if time.alarms == 1 else 'alarms'}"
        for state, time in found.hidden.items()
        if time.alarms
    ]
    return lines


def _lists(found: Figures, zone: ZoneInfo) -> list[str]:
    lines = []
    if found.floods:
        lines += ["", f"floods: {len(found.floods)}"]
        for flood in found.floods[:_FLOODS_SHOWN]:
            lasts = "not over" if flood.end_us is None else f"lasting {lasting(flood.end_us - flood.start_us)}"
            lines.append(f"  {local_text(flood.start_us, zone)}  {lasts}, {flood.alarms} alarms")
        if len(found.floods) > _FLOODS_SHOWN:
            lines.append(f"  and {len(found.floods) - _FLOODS_SHOWN} more; --json has them all")
    if found.frequent:
        lines += ["", "most frequent:"]
        lines += [f"  {often.number:>6}  {100 * often.share:4.1f} %  {often.alarm}" for often in found.frequent]
    if found.chattering:
        lines += ["", "chattering, with the most starts in one window:"]
        lines += [f"  {often.number:>6}  {often.alarm}" for often in found.chattering[:10]]
    if found.standing_stale:
        lines += ["", "standing for more than 24 h:", *(f"  {alarm}" for alarm in found.standing_stale[:20])]
    return lines
