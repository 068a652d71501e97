"""A calendar from outside may hold anything: it is followed or refused in words, and nothing else happens."""

from __future__ import annotations

from pathlib import Path
from zoneinfo import ZoneInfo

from hypothesis import given, settings
from hypothesis import strategies as st

from motewatch.callout.duty_calendar import CalendarError, DutyCalendar
from motewatch.callout.roster import DAY_US

EXAMPLE = (Path(__file__).parents[2] / "config" / "example-oncall.ics").read_text("utf-8")
LINES = tuple(EXAMPLE.splitlines())
PERSONS = {"moreau": "moreau", "brandt": "brandt", "c. moreau": "moreau", "a. brandt": "brandt"}
T0 = 1_766_000_000_000_000
"""December 2025, before the first shift."""

WORDS = (
    *("RRULE:FREQ=DAILY;BYHOUR=25", "RRULE:FREQ=WEEKLY;COUNT=-1", "RRULE:FREQ=YEARLY;BYDAY=53MO"),
    *("RDATE:20260230T080000", "DTEND;VALUE=DATE:20260101", "DURATION:P1W", "DTSTART:00000101T000000", "EXDATE:x"),
    *("RECURRENCE-ID:20260105T060000Z", "BEGIN:VEVENT", "END:VEVENT", "BEGIN:VALARM", "TZID:none", "SUMMARY", ";"),
    *(" folded", "STATUS:CANCELLED", "UID:moreau"),
)


@st.composite
def damaged(draw: st.DrawFn) -> str:
    """The example with lines taken out, doubled, swapped, replaced, cut or strewn with other characters."""
    lines = list(LINES)
    for _ in range(draw(st.integers(1, 4))):
        where = draw(st.integers(0, len(lines) - 1))
        kind = draw(st.sampled_from(("drop", "double", "swap", "word", "cut", "character")))
        if kind == "drop" and len(lines) > 1:
            del lines[where]
        elif kind == "double":
            lines.insert(where, lines[where])
        elif kind == "swap":
            other = draw(st.integers(0, len(lines) - 1))
            lines[where], lines[other] = lines[other], lines[where]
        elif kind == "word":
            lines[where] = draw(st.sampled_from(WORDS))
        elif kind == "cut":
            lines[where] = lines[where][: draw(st.integers(0, len(lines[where])))]
        else:
            at = draw(st.integers(0, len(lines[where])))
            lines[where] = lines[where][:at] + draw(st.characters(codec="utf-8")) + lines[where][at + 1 :]
    return "\r\n".join(lines)


def followed(text: str) -> DutyCalendar | CalendarError:
    try:
        return DutyCalendar.parse(text, ZoneInfo("Europe/Berlin"), PERSONS)
    except CalendarError as error:
        return error


@given(text=damaged())
@settings(max_examples=200, deadline=None)
def test_any_damage_is_refused_in_words_or_leaves_a_calendar(text: str) -> None:
    duty = followed(text)
    if isinstance(duty, CalendarError):
        assert duty.message
        assert duty.mend.endswith(".")
        return
    spans = list(duty.spans(T0, T0 + 200 * DAY_US))
    assert {span.person for span in spans} <= duty.named <= set(PERSONS.values())
    assert all(span.begin_us < span.end_us for span in spans)


def test_the_example_itself_is_followed() -> None:
    duty = DutyCalendar.parse(EXAMPLE, ZoneInfo("Europe/Berlin"), PERSONS)
    assert len(list(duty.spans(T0 + 30 * DAY_US, T0 + 200 * DAY_US))) > 20
