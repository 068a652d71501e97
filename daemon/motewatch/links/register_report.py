"""The alarm register as words, and as one HTML text for A4. Text in, text out.

Meanings are numbered: alarms of one kind for which the site says the same share one, however many they are.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from motewatch.alarms.default_advice import DEFAULT_SOURCE
from motewatch.alarms.rationalisation import Advice, Matrix
from motewatch.engine.register import RegisterLimit, RegisterRow
from motewatch.links import report_page
from motewatch.links.figures import grouped
from motewatch.site.models import Occupancy, Site
from motewatch.wire.records import DAY_US, HOUR_US, MINUTE_US, SECOND_US

NOTE: Final = (
    "The register says what the site file configures. Whether these are the right alarms, limits and answers is for "
    "qualified persons to judge and to sign."
)
SHIPPED_NOTE: Final = (
    f"Meanings marked * hold {DEFAULT_SOURCE}. The site's own procedures come first; [[rationalisation]] in the site "
    "file replaces any of them."
)


@dataclass(frozen=True, slots=True)
class Meaning:
    """One advice with the label by which the alarms refer to it."""

    label: str
    advice: Advice

    @property
    def shipped(self) -> bool:
        """Is any of it the shipped text?"""
        return DEFAULT_SOURCE in self.advice.source


def meanings(rows: Sequence[RegisterRow]) -> dict[Advice, Meaning]:
    """The different advices in their order, labelled by kind, and with a number where a kind has several."""
    found: dict[Advice, Meaning] = {}
    used: dict[str, int] = {}
    for row in rows:
        if row.advice not in found:
            number = used[row.kind] = used.get(row.kind, 0) + 1
            found[row.advice] = Meaning(row.kind if number == 1 else f"{row.kind} ({number})", row.advice)
    return found


def within(us: int) -> str:
    """A time to respond in words: `10 min`, `8 h`, `1 d`."""
    for unit_us, unit in ((DAY_US, "d"), (HOUR_US, "h"), (MINUTE_US, "min")):
        if us >= unit_us and us % unit_us == 0:
            return f"{us // unit_us} {unit}"
    return f"{us / MINUTE_US:g} min"


def limit_words(limits: Sequence[RegisterLimit]) -> str:
    """`3 520/m3 at-rest; 352 000/m3 operational`: each value with its states, where it does not hold in all."""
    states: dict[tuple[float, str], list[str]] = {}
    for limit in limits:
        states.setdefault((limit.value, limit.unit), []).extend(limit.states)
    texts = []
    for (value, unit), holds in states.items():
        figure = grouped(value) if float(value).is_integer() else f"{value:g}"
        gap = "" if unit.startswith("/") else " "
        where = "" if len(holds) in (0, len(Occupancy)) else f" {' and '.join(holds)}"
        texts.append(f"{figure}{gap}{unit}{where}")
    return "; ".join(texts)


def source_words(limits: Sequence[RegisterLimit]) -> str:
    """The sources of the limits, each once."""
    return "; ".join(dict.fromkeys(limit.source for limit in limits))


def delay_words(row: RegisterRow) -> str:
    """Delays, deadband, latching, re-alarm time and suppressions, those that there are."""
    unit = row.limits[0].unit if row.limits else ""
    return ", ".join(
        text
        for text, there in (
            (f"on after {row.on_delay_us / SECOND_US:g} s", row.on_delay_us),
            (f"off after {row.off_delay_us / SECOND_US:g} s", row.off_delay_us),
            (f"deadband {row.deadband:g} {unit}", row.deadband),
            ("latches", row.treatment.latched),
            (f"told again after {(row.treatment.re_alarm_us or 0) / MINUTE_US:g} min", row.treatment.re_alarm_us),
            (f"may be suppressed by {' and '.join(row.hidden_by)}", row.hidden_by),
        )
        if there
    )


def register_report(site: Site, rows: Sequence[RegisterRow], version: str, made: str) -> str:
    """The document: alarms by location, then what they mean, then how the priorities come about."""
    means = meanings(rows)
    names = {room.id: room.name for room in site.rooms}
    counted = {name: sum(row.advice.priority.value == name for row in rows) for name in ("high", "medium", "low")}
    body = [
        report_page.heading("Alarm register", f"{site.site.name} · {len(rows)} alarms"),
        report_page.facts(
            [
                ("alarms by priority", ", ".join(f"{number} {name}" for name, number in counted.items())),
                ("time zone of the site", site.site.time_zone),
            ]
        ),
    ]
    for location in site.locations:
        mine = [row for row in rows if row.location == location.id]
        if mine:
            where = f"{location.name} ({location.id}), {names[location.room]}"
            body.append(report_page.section(where, _alarms(mine, means, f"location/{location.id}/")))
    others = [row for row in rows if row.location is None]
    if others:
        body.append(report_page.section("Portable sensors, service and callout", _alarms(others, means, "")))
    body += [
        report_page.section("What they mean", *(_meaning(meaning) for meaning in means.values())),
        f"<p>{SHIPPED_NOTE}</p>" if any(meaning.shipped for meaning in means.values()) else "",
        report_page.section("Priority matrix", _matrix(site)),
        report_page.closing(version, made, ("Drawn up by", "Approved by"), NOTE),
    ]
    return report_page.page(f"Alarm register: {site.site.name}", f"Alarm register, {site.site.name}", body)


def _alarms(rows: Sequence[RegisterRow], means: dict[Advice, Meaning], prefix: str) -> str:
    """A table of alarms; `prefix`, which the heading tells, is left off their ids."""
    cells = []
    for row in rows:
        judged = "; ".join(text for text in (row.judged, delay_words(row)) if text)
        means_label = means[row.advice].label
        cells.append(
            (
                row.alarm.removeprefix(prefix),
                report_page.typeset(row.what),
                _whole(report_page.typeset(limit_words(row.limits))),
                source_words(row.limits),
                _whole(judged),
                row.advice.priority.value,
                "" if means_label == row.kind else means_label,
            )
        )
    titles = ["alarm", "when", "limit", "source of the limit", "judged", "priority"]
    if any(line[-1] for line in cells):
        return report_page.table([*titles, "meaning"], cells, dense=True, kind="register")
    return report_page.table(titles, [line[:-1] for line in cells], dense=True, kind="register")


_INSIDE_FIGURE: Final = re.compile(r"(?<=\d) (?=\d|%|C\b|Pa\b|s\b|L\b)")


def _whole(text: str) -> str:
    """Figures and their units are not torn apart at the end of a line."""
    return _INSIDE_FIGURE.sub("\N{NO-BREAK SPACE}", text)


def _meaning(meaning: Meaning) -> str:
    advice = meaning.advice
    return report_page.table(
        [meaning.label + (" *" if meaning.shipped else ""), f"{advice.priority.value} priority"],
        [
            ("likely cause", advice.cause),
            ("consequence", advice.consequence),
            ("what to do", advice.action),
            ("urgency", f"{advice.severity.value} consequence, respond within {within(advice.respond_within_us)}"),
        ],
        dense=True,
        kind="meaning",
    )


def _matrix(site: Site) -> str:
    matrix = Matrix.of(site.priority_matrix)
    titles = ["consequence", *(f"within {within(us)}" for us in matrix.within_us), "longer"]
    rows = [(severity.value, *(priority.value for priority in row)) for severity, row in matrix.rows.items()]
    whose = (
        "The shipped matrix: common practice, no source; for the site to confirm ([priority_matrix])."
        if site.priority_matrix is None
        else "The site's own matrix."
    )
    return report_page.table(titles, rows) + f"<p>{whose}</p>"
