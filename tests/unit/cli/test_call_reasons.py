"""calls --why: put together from the record, it says of each person what the engine itself says."""

from __future__ import annotations

import json
from datetime import datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from motewatch.callout.ladders import Ladders
from motewatch.callout.outlook import Why, standings
from motewatch.callout.records import Delivered, Outcome, Told
from motewatch.callout.roster import Roster
from motewatch.cli.call_reasons import WORDS, case_of
from motewatch.engine import Engine
from motewatch.engine.records import AlarmChanged, Commanded, Heard, Memory, Output
from motewatch.journal.journal import Journal
from motewatch.journal.rows import BY_TIME, Batch, CallRow
from motewatch.site.instants import instant_us
from motewatch.site.models import Site
from motewatch.wire.records import MINUTE_US, Acknowledge, Health
from support.callout_site import callout_site, climb, person, weekly
from support.command_line import run, write_site
from support.facility import at, configured, reading

NIGHT = instant_us(datetime(2026, 6, 1, 2, 0, tzinfo=ZoneInfo("Europe/Berlin")))
LADDER = climb((0, "rota:tech"), (5, "person:ben"), (15, "team:leads"), priorities=["high", "medium"])
PERSONS = {"ben": person("ben", "sms", quiet=["Mon-Sun 22:00-06:00"]), "eve": person("eve", "sms")}
PLAIN = callout_site(LADDER, persons=PERSONS, rotas=[weekly("ada", "eve", id="tech")])
SITE = Site.model_validate(PLAIN)


def night(point: str, *, until: float, fails: str = "", taken: float | None = None) -> tuple[Engine, list[Output], Any]:
    """An alarm at two at night; calls to one person fail on every way; somebody may take it."""
    engine = Engine(Memory())
    outputs = engine.apply(at(NIGHT - MINUTE_US, configured(PLAIN)))
    outputs += engine.apply(at(NIGHT, Heard(reading(point, 1, NIGHT, seconds=1.0, laser=Health.FAULT))))
    outcomes: dict[str, Outcome] = {}
    for minute in range(int(until) + 1):
        outputs += engine.advance(NIGHT + minute * MINUTE_US)
        for told in [out for out in outputs if isinstance(out, Told) and out.id not in outcomes]:
            outcomes[told.id] = Outcome.REFUSED if told.person == fails else Outcome.DELIVERED
            outputs += engine.apply(at(engine.time_us + 1, Delivered(told.id, outcomes[told.id], 0, 1, "")))
            outputs += engine.advance(engine.time_us + 1)
        if taken == minute:
            command = Acknowledge("c-1", "ada", f"sensor/{point}/laser", "")
            outputs += engine.apply(at(engine.time_us + 1, Commanded(command)))
    return engine, outputs, outcomes


@pytest.mark.parametrize(
    ("point", "how"),
    [
        ("bench", {"until": 0}),
        ("bench", {"until": 6}),
        ("bench", {"until": 20}),
        ("bench", {"until": 8, "fails": "ada"}),
        ("needles", {"until": 6}),
        ("needles", {"until": 3, "taken": 2}),
        ("needles", {"until": 12, "fails": "ben"}),
    ],
)
def test_the_record_says_what_the_engine_says(point: str, how: dict[str, Any]) -> None:
    engine, outputs, outcomes = night(point, **how)
    steps = [out for out in outputs if isinstance(out, AlarmChanged) and out.alarm == f"sensor/{point}/laser"]
    rows = [CallRow(out, outcomes.get(out.id)) for out in outputs if isinstance(out, Told)]
    roster, ladders = Roster.of(SITE), Ladders.of(SITE)
    ladder = ladders.by_id["usual"]
    (kept,) = engine.cases()
    made = case_of(steps, rows, ladders, roster, engine.time_us)
    assert made is not None
    by_engine, by_record = (
        {each.person: each for each in standings(case, ladder, roster, engine.time_us)} for case in (kept, made)
    )
    assert by_record == by_engine
    assert made.stage is kept.stage


def test_as_a_listing(tmp_path: Path) -> None:
    _, outputs, _ = night("bench", until=6)
    path = write_site(tmp_path, PLAIN)
    with Journal(tmp_path / "motewatch.db", site="stories") as journal:
        journal.commit(Batch(outputs=[(BY_TIME, output) for output in outputs], engine_us=NIGHT))
    asked = ("calls", path, "--alarm", "sensor/bench/laser", "--why")
    text = run(*asked).stdout
    assert "Ada" in text
    found = {each["person"]: each for each in json.loads(run(*asked, "--format", "json").stdout)}
    assert found["ada"] == {
        "person": "ada", "name": "Ada", "why": "told", "at": None, "step": None, "escalation": "usual",
    }  # fmt: skip
    # By now all steps are taken, and the quiet hours of that night are over.
    assert found["eve"]["why"] == "off-duty"
    assert found["ben"]["why"] == "quiet"
    assert run("calls", path, "--why").exit_code == 2
    assert set(WORDS) == set(Why)
