"""The model of the page that says how the alarms were to live with: figures beside their targets, alarms by time."""

from __future__ import annotations

from collections import Counter
from typing import Any, Final
from zoneinfo import ZoneInfo

from motewatch.alarms.annunciations import presented
from motewatch.alarms.performance import LEAD_US, Figures
from motewatch.alarms.targets import TARGETS, Verdict, late_words, mark, too_young, value_text
from motewatch.journal.journal import Journal
from motewatch.links.alarm_figures import figures_of
from motewatch.picture.words import UNICODE, lasting, named
from motewatch.site.models import Site
from motewatch.web.words import local
from motewatch.wire.records import DAY_US, HOUR_US

VERDICTS: Final = {
    Verdict.MET: ("fine", "✓"),
    Verdict.MANAGEABLE: ("watch", "▲"),
    Verdict.NOT_MET: ("bad", "✖"),
    Verdict.TOO_SHORT: ("none", "–"),
    Verdict.NO_ALARMS: ("none", "–"),
}
WIDTH: Final = 720.0
HEIGHT: Final = 140.0
HOURS_UP_TO_DAYS: Final = 7
LEAST_BARS: Final = 24
STALE_SHOWN: Final = 20


def figures_page(record: Journal, site: Site, zone: ZoneInfo, now_us: int, days: int) -> dict[str, Any]:
    """What the template shows of the last so many days; reads the record, so call it in a thread of the pool."""
    since_us = now_us - days * DAY_US
    found = figures_of(record, since_us, now_us, site.alarm_figures)
    if found is None:
        return {"found": None}
    begin_us, end_us = found.period.start_us, found.period.end_us
    names = {each.id: each.name for each in site.locations}
    stands = {each.id: each.location for each in site.sensors}

    def name(alarm: str) -> str:
        about, _, rest = alarm.partition("/")
        location = stands.get(rest.partition("/")[0]) if about == "sensor" else None
        return named(alarm, names, UNICODE, location=location)

    told, _ = presented(record.alarm_steps(begin_us - LEAD_US, end_us))
    instants = [each.told_us for each in told if begin_us <= each.told_us < end_us]
    return {
        "found": found,
        "young": too_young(found),
        "long": lasting(found.period.length_us),
        "counts": _counts(found),
        "frequent": [
            (each.number, f"{100 * each.share:.1f} %", each.alarm, name(each.alarm)) for each in found.frequent
        ],
        "stale": [(each, name(each)) for each in found.standing_stale[:STALE_SHOWN]],
        "span": f"{local(begin_us, zone):%Y-%m-%d %H:%M} to {local(end_us, zone):%Y-%m-%d %H:%M}",
        "targets": [
            (*VERDICTS[verdict], target.what, value_text(target, found), target.text + mark(target), verdict.value)
            for target in TARGETS
            for verdict in (target.judge(found),)
        ],
        "lines": _lines(found),
        "chart": chart_of(instants, begin_us, end_us, zone, HOUR_US if days <= HOURS_UP_TO_DAYS else DAY_US),
    }


def _counts(found: Figures) -> list[tuple[str, str]]:
    """What can be said of a young record: numbers, no rates."""
    return [
        ("alarms presented", str(found.annunciated)),
        *((f"of {priority.value} priority", str(number)) for priority, number in found.priorities.items() if number),
        ("most in 10 min", str(found.peak_10_min)),
        ("alarms that chatter", str(len(found.chattering))),
        ("fleeting alarms", str(found.fleeting)),
        ("floods", str(len(found.floods))),
    ]


def _lines(found: Figures) -> list[str]:
    waits = found.acknowledging
    lines = [
        f"Standing at the end: {found.standing}, of these {found.standing_unacknowledged} not acknowledged and "
        f"{len(found.standing_stale)} for more than 24 h."
    ]
    if waits.median_us is not None and waits.p90_us is not None and waits.longest_us is not None:
        lines.append(
            f"Time to acknowledge: median {lasting(round(waits.median_us))}, "
            f"90 % within {lasting(round(waits.p90_us))}, longest {lasting(waits.longest_us)} "
            f"({waits.acknowledged} acknowledged)."
        )
    if found.late_bursts:
        lines.append(late_words(found))
    lines.append(f"Never acknowledged: {waits.never}; still waiting: {waits.waiting}.")
    lines += [
        f"{state.value.replace('-', ' ').capitalize()}: {lasting(time.total_us)} in all, {time.alarms} alarms."
        for state, time in found.hidden.items()
        if time.alarms
    ]
    return lines


def chart_of(instants: list[int], begin_us: int, end_us: int, zone: ZoneInfo, step_us: int) -> dict[str, Any]:
    """Alarms by hours or days, as bars: each with its place, height and words. No stretch is left out."""
    # Counted from the beginning of the time, not by the calendar: a day of a change of clocks is a bar like any other.
    counts = Counter((instant - begin_us) // step_us for instant in instants)
    number = -(-(end_us - begin_us) // step_us)
    # A young record is a few bars at the right, not one that fills the page.
    empty = max(0, LEAST_BARS - number)
    number += empty
    most = max(counts.values(), default=0)
    width = WIDTH / number
    bars = [
        {
            "x": round(width * (empty + index), 2),
            "width": round(max(0.4, width * 0.86), 2),
            "y": round(HEIGHT * (1 - counts[index] / most), 2),
            "height": round(HEIGHT * counts[index] / most, 2),
        }
        for index in sorted(counts)
    ]
    word = "hour" if step_us == HOUR_US else "day"
    worst = max(counts, key=lambda index: (counts[index], -index), default=None)
    when = "" if worst is None else f"{local(begin_us + worst * step_us, zone):%a %Y-%m-%d %H:%M}"
    return {
        "bars": bars,
        "most": most,
        "word": word,
        "when": when,
        "total": len(instants),
        "begin": f"{local(begin_us, zone):%Y-%m-%d %H:%M}",
        "end": f"{local(end_us, zone):%Y-%m-%d %H:%M}",
    }
