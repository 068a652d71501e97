"""The figures of alarm performance as gauges: points for the time-series server and a retained MQTT message.

Rules: made for the last hour and the last day, to the last multiple of the interval: whoever asks twice at one multiple
gets rows with the same keys, and a point with the same timestamp. They go through the outbox like everything else, so
that a server that is away gets them later. Targets are not judged here: an hour is too short for any.

Measurement `alarm_figures` (tags site, window `1h` or `1d`; all fields are numbers).
"""

from __future__ import annotations

from typing import Final

from motewatch.alarms.performance import Figures
from motewatch.alarms.priority import Priority
from motewatch.journal.journal import Journal
from motewatch.links.alarm_figures import figures_since
from motewatch.links.outbox import MQTT, TIME_SERIES, fresh_row
from motewatch.links.time_series import tag
from motewatch.site.alarm_figures import AlarmFigures
from motewatch.wire.messages import FiguresMessage, FiguresWindow, instant
from motewatch.wire.records import DAY_US, HOUR_US, SECOND_US
from motewatch.wire.topics import Topics

WINDOWS: Final = (("1h", HOUR_US), ("1d", DAY_US))


def publish_figures(
    journal: Journal, settings: AlarmFigures, every_s: float, topics: Topics, now_us: int, *, time_series: bool
) -> int:
    """Put the figures up to the last multiple of `every_s` into the outbox; returns how many rows were new."""
    every_us = round(every_s * SECOND_US)
    end_us = now_us // every_us * every_us
    made = figures_since(journal, [end_us - length_us for _, length_us in WINDOWS], end_us, settings)
    windows = [(name, found) for (name, _), found in zip(WINDOWS, made, strict=True) if found is not None]
    if not windows:
        return 0
    key = f"figures/{end_us}"
    message = FiguresMessage(
        site=topics.site, at=instant(end_us), windows=[window_of(name, found) for name, found in windows]
    )
    rows = [fresh_row(MQTT, key, topics.figures, message.to_payload(), True, now_us)]
    if time_series:
        lines = "\n".join(figures_line(found, topics.site, name, end_us) for name, found in windows)
        rows.append(fresh_row(TIME_SERIES, key, "", lines.encode(), False, now_us))
    return journal.enqueue(rows)


def window_of(name: str, found: Figures) -> FiguresWindow:
    """One window of the message."""
    waits = found.acknowledging
    return FiguresWindow(
        window=name,
        start=instant(found.period.start_us),
        end=instant(found.period.end_us),
        operators=found.operators,
        annunciated=found.annunciated,
        per_operator_hour=found.per_operator_hour,
        peak_10_min=found.peak_10_min,
        flood_share=found.flood_share,
        chattering=len(found.chattering),
        fleeting=found.fleeting,
        standing=found.standing,
        standing_unacknowledged=found.standing_unacknowledged,
        stale=len(found.standing_stale),
        low=found.priorities[Priority.LOW],
        medium=found.priorities[Priority.MEDIUM],
        high=found.priorities[Priority.HIGH],
        acknowledged=waits.acknowledged,
        median_to_acknowledge_s=None if waits.median_us is None else waits.median_us / SECOND_US,
    )


def figures_line(found: Figures, site: str, window: str, at_us: int) -> str:
    """The point of one window: the numbers of its message."""
    values = window_of(window, found).model_dump(exclude={"window", "start", "end"}, exclude_none=True)
    fields = ",".join(
        f"{name}={value}i" if isinstance(value, int) else f"{name}={value!r}" for name, value in values.items()
    )
    return f"alarm_figures,site={tag(site)},window={window} {fields} {at_us}"
