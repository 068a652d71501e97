"""Figures as gauges: the rows once for each multiple of the interval, whatever is asked and how often."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

from motewatch.alarms.lifecycle import Event, State
from motewatch.engine.records import AlarmChanged, Priority
from motewatch.journal.journal import Journal
from motewatch.journal.rows import BY_TIME, Batch, InputRow, OutboxRow
from motewatch.links.alarm_gauges import publish_figures
from motewatch.links.time_series import malformed
from motewatch.site.alarm_figures import AlarmFigures
from motewatch.wire.messages import FiguresMessage
from motewatch.wire.records import HOUR_US, MINUTE_US, SECOND_US
from motewatch.wire.topics import Topics
from support.facility import T0

TOPICS = Topics("motewatch/v1", "testing")
STARTED = AlarmChanged(
    "a", "count-alert", Priority.LOW, Event.STARTS, State.NORMAL, State.UNACKNOWLEDGED, T0 + 1, T0 + 1, "x"
)
NOTED = replace(
    STARTED,
    event=Event.ACKNOWLEDGE,
    before=State.UNACKNOWLEDGED,
    after=State.ACKNOWLEDGED,
    found_us=T0 + 90 * SECOND_US,
)
FIRST = InputRow(0, "link", T0, T0, "", b"{}", None, None, None)
EVERY_S = 60.0


def journal_in(folder: Path) -> Journal:
    journal = Journal(folder / "journal.db")
    outputs = [(BY_TIME, STARTED), (BY_TIME, NOTED)]
    journal.commit(Batch(inputs=[FIRST], outputs=[*outputs], engine_us=T0 + 3 * HOUR_US))
    return journal


def publish(journal: Journal, now_us: int, *, time_series: bool = True) -> int:
    return publish_figures(journal, AlarmFigures(operators=2), EVERY_S, TOPICS, now_us, time_series=time_series)


def due(journal: Journal, sink: str) -> list[OutboxRow]:
    return journal.due(sink, T0 + 10 * HOUR_US)


def test_a_message_and_points_at_the_last_multiple(tmp_path: Path) -> None:
    with journal_in(tmp_path) as journal:
        assert publish(journal, T0 + 2 * HOUR_US + 59 * SECOND_US) == 2
        (message,), (points,) = due(journal, "mqtt"), due(journal, "time-series")
    assert (message.topic, message.retain, message.key) == (TOPICS.figures, True, f"figures/{T0 + 2 * HOUR_US}")
    hour, day = FiguresMessage.model_validate_json(message.payload).windows
    assert (hour.window, hour.annunciated, hour.standing, hour.operators) == ("1h", 0, 1, 2)
    assert (day.window, day.annunciated, day.low, day.acknowledged) == ("1d", 1, 1, 1)
    assert day.median_to_acknowledge_s == 89.999999
    assert "median_to_acknowledge_s" not in json.loads(message.payload)["windows"][0]
    assert malformed(points.payload) is None
    lines = points.payload.decode().splitlines()
    assert [line.split(" ")[0] for line in lines] == [
        "alarm_figures,site=testing,window=1h",
        "alarm_figures,site=testing,window=1d",
    ]
    assert {line.rsplit(" ", 1)[1] for line in lines} == {str(T0 + 2 * HOUR_US)}
    assert "annunciated=1i,per_operator_hour=0.25,peak_10_min=1i" in lines[1]


def test_asked_again_at_the_same_multiple_nothing_is_put(tmp_path: Path) -> None:
    with journal_in(tmp_path) as journal:
        assert publish(journal, T0 + HOUR_US) == 2
        assert publish(journal, T0 + HOUR_US + 59 * SECOND_US) == 0
        journal.delivered([row.id for row in due(journal, "mqtt")], T0 + HOUR_US)
        assert publish(journal, T0 + HOUR_US + 1) == 0
        assert publish(journal, T0 + HOUR_US + MINUTE_US) == 2


def test_other_rows_go_on_being_committed_afterwards(tmp_path: Path) -> None:
    """The ids of rows are given in memory: a row from beside must not collide with the next batch."""
    with journal_in(tmp_path) as journal:
        publish(journal, T0 + HOUR_US)
        row = replace(due(journal, "mqtt")[0], key="another")
        journal.commit(Batch(outbox=[row], engine_us=T0 + 4 * HOUR_US))
        assert publish(journal, T0 + 3 * HOUR_US) == 2
        assert [row.key.split("/")[0] for row in due(journal, "mqtt")] == ["figures", "another", "figures"]
        assert journal.engine_us() == T0 + 4 * HOUR_US
        assert journal.verify() == []


def test_without_a_time_series_server_and_before_the_first_input(tmp_path: Path) -> None:
    with journal_in(tmp_path) as journal:
        assert publish(journal, T0, time_series=False) == 0, "nothing is on record up to this instant"
        assert publish(journal, T0 + HOUR_US, time_series=False) == 1
        assert due(journal, "time-series") == []
    with Journal(tmp_path / "empty.db") as journal:
        assert publish(journal, T0 + HOUR_US) == 0
