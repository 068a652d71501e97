"""Lines of the record: what they say of an alarm, and where they lead."""

from __future__ import annotations

from zoneinfo import ZoneInfo

from motewatch.journal.search import Found, Kind, Place
from motewatch.web.console.record_lines import line_of
from support.journal_records import alarm


def test_a_step_of_an_alarm_leads_to_the_alarm_its_notes_and_its_sample() -> None:
    step = alarm()
    line = line_of(Found(Place(step.at_us, 1, 1), Kind.ALARM, step), {}, ZoneInfo("Europe/Berlin"))
    ways = {label: path for path, label in line.links}
    assert list(ways)[-2:] == ["Alarm", "Notes"]
    assert ways["Alarm"] == "/alarm?id=" + step.alarm.replace("/", "%2F")
    assert ways["Notes"].endswith("alarm%2F" + step.alarm.replace("/", "%2F"))
