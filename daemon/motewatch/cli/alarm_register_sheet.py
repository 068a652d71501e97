"""The alarm register in its forms: table, CSV, JSON, printed report."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import typer

from motewatch.cli import sheets
from motewatch.cli.options import Format, known_location
from motewatch.cli.printing import Listing
from motewatch.engine.register import RegisterRow, alarm_register
from motewatch.links.register_report import (
    SHIPPED_NOTE,
    delay_words,
    limit_words,
    meanings,
    register_report,
    source_words,
    within,
)
from motewatch.links.site_file import load_site
from motewatch.site.models import Site
from motewatch.wire.records import MINUTE_US, SECOND_US

_COLUMNS = (
    "alarm", "kind", "priority", "area", "room", "location", "sensor", "what", "limits", "limit_source", "judged",
    "on_delay_s", "off_delay_s", "deadband", "latched", "re_alarm_min", "suppressed_by",
    "cause", "consequence", "what_to_do", "respond_within_min", "severity",
    "meaning_source",
)  # fmt: skip


def print_register(path: Path, form: Format, report: Path | None, location: str | None) -> None:
    """Print the register, and write the report where one is asked for."""
    site = load_site(path)
    rows = alarm_register(site)
    if location is not None:
        known_location(location, sorted(item.id for item in site.locations))
        rows = [row for row in rows if row.location == location]
    if report is not None:
        sheets.write_report(report, register_report(site, rows, sheets.software(), sheets.now_text()))
    typer.echo(listing(rows, site).text(form), nl=False)
    if form is Format.TABLE:
        typer.echo(_meanings(rows), nl=False)


def listing(rows: list[RegisterRow], site: Site) -> Listing:
    """The alarms; the table without what they mean, which would be the same on most lines."""
    means = meanings(rows)
    records = [_record(row) for row in rows]
    return Listing(
        records=records,
        columns=_COLUMNS,
        rows=[
            {**record, "limits": limit_words(row.limits), "suppressed_by": " ".join(row.hidden_by)}
            for record, row in zip(records, rows, strict=True)
        ],
        titles=("alarm", "priority", "limit", "judged", "meaning"),
        cells=[
            [
                row.alarm,
                row.advice.priority.value,
                limit_words(row.limits),
                "; ".join(text for text in (row.judged, delay_words(row)) if text),
                means[row.advice].label,
            ]
            for row in rows
        ],
        nothing="This site raises no alarm.",
    )


def _record(row: RegisterRow) -> dict[str, Any]:
    advice = row.advice
    return {
        "alarm": row.alarm,
        "kind": row.kind,
        "priority": advice.priority.value,
        "area": row.area,
        "room": row.room,
        "location": row.location,
        "sensor": row.sensor,
        "what": row.what,
        "limits": [
            {"states": list(limit.states), "value": limit.value, "unit": limit.unit, "source": limit.source}
            for limit in row.limits
        ],
        "limit_source": source_words(row.limits),
        "judged": row.judged,
        "on_delay_s": row.on_delay_us / SECOND_US,
        "off_delay_s": row.off_delay_us / SECOND_US,
        "deadband": row.deadband,
        "latched": row.treatment.latched,
        "re_alarm_min": None if row.treatment.re_alarm_us is None else row.treatment.re_alarm_us / MINUTE_US,
        "suppressed_by": list(row.hidden_by),
        "cause": advice.cause,
        "consequence": advice.consequence,
        "what_to_do": advice.action,
        "respond_within_min": advice.respond_within_us / MINUTE_US,
        "severity": advice.severity.value,
        "meaning_source": advice.source,
    }


def _meanings(rows: list[RegisterRow]) -> str:
    lines = []
    shipped = False
    for meaning in meanings(rows).values():
        advice = meaning.advice
        shipped = shipped or meaning.shipped
        lines += [
            "",
            f"{meaning.label}{' *' if meaning.shipped else ''}: {advice.priority.value} priority "
            f"({advice.severity.value} consequence, respond within {within(advice.respond_within_us)})",
            f"  likely cause  {advice.cause}",
            f"  consequence   {advice.consequence}",
            f"  what to do    {advice.action}",
        ]
    if shipped:
        lines += ["", SHIPPED_NOTE]
    return "\n".join(lines) + "\n" if lines else ""
