"""Figures of alarm performance from the record, as plain values for JSON, MQTT and the time-series server.

The period asked for is cut to what the record holds, so that a young journal is not taken for a quiet month.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from motewatch.alarms.performance import LEAD_US, Chattering, Figures, Period, figures
from motewatch.alarms.targets import TARGETS
from motewatch.journal.journal import Journal
from motewatch.site.alarm_figures import AlarmFigures
from motewatch.wire.messages import instant
from motewatch.wire.records import SECOND_US


def figures_of(
    journal: Journal, since_us: int, until_us: int, settings: AlarmFigures, operators: int | None = None
) -> Figures | None:
    """The figures of that time, as far as the record reaches; None where it holds nothing of it."""
    return figures_since(journal, [since_us], until_us, settings, operators)[0]


def figures_since(
    journal: Journal, since_us: Sequence[int], until_us: int, settings: AlarmFigures, operators: int | None = None
) -> list[Figures | None]:
    """The same for several beginnings, from one look at the record."""
    first_us, last_us = journal.first_input_us(), journal.engine_us()
    if first_us is None or last_us is None:
        return [None for _ in since_us]
    starts_us, end_us = [max(each, first_us) for each in since_us], min(until_us, last_us)
    if end_us <= min(starts_us):
        return [None for _ in since_us]
    steps = journal.alarm_steps(min(starts_us) - LEAD_US, end_us)
    rule = Chattering(settings.chattering)
    return [
        figures(steps, Period(start_us, end_us), operators or settings.operators, rule) if start_us < end_us else None
        for start_us in starts_us
    ]


def plain(found: Figures) -> dict[str, Any]:
    """All figures with their units in the names, and the targets with their verdicts."""
    waits = found.acknowledging
    return {
        "start": instant(found.period.start_us).isoformat(),
        "end": instant(found.period.end_us).isoformat(),
        "operators": found.operators,
        "annunciated": found.annunciated,
        "late_bursts": found.late_bursts,
        "late_in_bursts": found.late_in_bursts,
        "targets": [
            {
                "figure": target.key,
                "value": target.value(found),
                "target": target.text,
                "verdict": target.judge(found).value,
                "source": target.source,
                "confirmed": target.confirmed,
            }
            for target in TARGETS
        ],
        "priorities": {priority.value: number for priority, number in found.priorities.items()},
        "peak_10_min": found.peak_10_min,
        "peak_10_min_end": None if found.peak_10_min_us is None else instant(found.peak_10_min_us).isoformat(),
        "floods": [
            {
                "start": instant(span.start_us).isoformat(),
                "end": None if span.end_us is None else instant(span.end_us).isoformat(),
                "alarms": span.alarms,
            }
            for span in found.floods
        ],
        "chattering_rule": found.chattering_rule.value,
        "chattering": [{"alarm": often.alarm, "most": often.number} for often in found.chattering],
        "fleeting": found.fleeting,
        "stale": list(found.standing_stale),
        "standing": found.standing,
        "standing_unacknowledged": found.standing_unacknowledged,
        "most_frequent": [
            {"alarm": often.alarm, "number": often.number, "share": often.share} for often in found.frequent
        ],
        "acknowledged": waits.acknowledged,
        "median_to_acknowledge_s": _seconds(waits.median_us),
        "p90_to_acknowledge_s": _seconds(waits.p90_us),
        "longest_to_acknowledge_s": _seconds(waits.longest_us),
        "never_acknowledged": waits.never,
        "waiting": waits.waiting,
        "hidden": {
            state.value: {"alarms": time.alarms, "total_s": time.total_us / SECOND_US}
            for state, time in found.hidden.items()
        },
    }


def _seconds(us: float | None) -> float | None:
    return None if us is None else us / SECOND_US
