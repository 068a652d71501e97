"""What a call says: each cause in words, the figures, the times of the site, and the short form."""

from __future__ import annotations

from dataclasses import replace
from zoneinfo import ZoneInfo

import pytest

from motewatch.alarms.lifecycle import State
from motewatch.callout.records import Cause, Told
from motewatch.callout.words import glued
from motewatch.links.call_message import CallMessage, Names, one_line
from motewatch.links.call_short import LONGEST, fit, places, spelled
from motewatch.links.call_text import BROKER, MAYBE_REPEAT, NOTHING_TO_DO, moment, render
from motewatch.site.instants import instant_us
from support.calls import CALL, FACT, MINUTE_US

BERLIN = ZoneInfo("Europe/Berlin")
NAMES = Names("hall-3", "Hall 3", {"ada": "Ada Okafor"})
LINK = "https://air.example.org/a/AQabcdEfGhIjKlMnOpQrStUvWxYz0123456789-_AbCdEfGhIjKlMnOpQrStUv"
PRESSURE = replace(
    FACT,
    alarm="room/filling/pressure-low/action",
    priority="medium",
    what="Pressure below the action bound",
    where="Filling, above gowning",
    value=6.2,
    limit=10.0,
    unit="Pa",
)


def said(told: Told = CALL, link: str | None = LINK, *, maybe_repeat: bool = False) -> CallMessage:
    return render(told, NAMES, link, BERLIN, maybe_repeat)


def test_an_alarm_is_said_whole() -> None:
    message = said()
    assert message.subject == "High alarm, Filling, needle side: Particles ≥ 0.5\u202fµm above the action level"
    assert (
        message.text
        == f"""\
Particles ≥ 0.5\u202fµm above the action level
Filling, needle side

14\u202f210\u202f/m³, 4 times the limit (3\u202f520\u202f/m³)
Since 22:05 CEST
High priority. Nobody has taken it yet.

WHAT TO DO
Stop filling and close the line.

TAKE IT, OR SHELVE IT
{LINK}
This link is for Ada Okafor alone and works once.

WITHOUT THE LINK
At the monitoring station, or on a computer of the site:
motewatch acknowledge SITE {FACT.alarm} --by ada

Hall 3, called at Thu 28 May 2026 22:27 CEST, call call-1
"""
    )
    assert message.short == f"HIGH alarm, Filling, needle side: 14210 /m3 (limit 3520 /m3)... {LINK}"
    assert (message.id, message.name, message.site, message.link) == ("call-1", "Ada Okafor", "hall-3", LINK)
    assert message.html is not None
    for part in (glued(FACT.what), FACT.where, FACT.action, LINK, "4 times the limit", "Ada Okafor"):
        assert part in message.html


@pytest.mark.parametrize("cause", Cause)
def test_every_cause_has_its_words(cause: Cause) -> None:
    message = said(replace(CALL, cause=cause, note="Ben took it at 22:31.", answer=""))
    assert "Ben took it at 22:31." in message.text
    assert message.cause == cause.value
    assert message.html is not None
    if cause in (Cause.RAISED, Cause.OTHER_WAY):
        assert message.text.startswith(glued(FACT.what))
    else:
        kicker = message.text.splitlines()[0]
        assert kicker == kicker.upper()
        assert kicker.capitalize() in message.html
    # Those who are told for information are not asked to do anything.
    informs = cause in (Cause.TAKEN, Cause.RETURNED)
    assert ("You need not do anything." in message.text) == informs
    assert ("WHAT TO DO" in message.text) == (not informs)
    assert ("You need not do anything." in message.html) == informs


def test_what_tells_of_the_same_alarm_is_told_apart_in_the_subject() -> None:
    subjects = {said(replace(CALL, cause=cause)).subject for cause in Cause}
    assert len(subjects) == len(Cause) - 2  # another way says the same, and many alarms here are one


@pytest.mark.parametrize("state", State)
def test_every_state_is_said_in_words(state: State) -> None:
    text = said(replace(CALL, facts=(replace(FACT, state=state.value),))).text
    line = next(line for line in text.splitlines() if line.startswith("High priority. "))
    assert line.endswith(".")
    assert len(line) > len("High priority. ")


def test_all_alarms_of_a_flood_are_in_it_and_the_link_comes_before_the_list() -> None:
    facts = (FACT, *(replace(PRESSURE, alarm=f"room/r{n}/pressure-low/action", where=f"Room {n}") for n in range(40)))
    message = said(replace(CALL, cause=Cause.MANY, facts=facts, note="41 alarms in 4 minutes."))
    assert message.subject.startswith("41 alarms, the first Filling, needle side: ")
    assert message.html is not None
    for text in (message.text, message.html):
        assert text.lower().count("(40 more)") == 1
        assert all(fact.alarm in text and fact.where in text for fact in facts)
        assert text.index(LINK) < text.index("Room 0") < text.index("Room 39")
    assert "6.2\u202fPa, 38 % below the limit (10\u202fPa)" in message.text
    assert "TAKE ALL 41, OR SHELVE THE FIRST" in message.text
    assert message.short.startswith("41 alarms, first Filling, needle side: 14210 /m3")


def test_a_place_is_said_once_and_so_is_a_figure() -> None:
    fact = replace(
        FACT,
        what="Needle side: 14 210 particles/m3 >= 0.5 um, above the action level of 3 520 (ISO 5)",
        where="Needle side, Filling",
    )
    message = said(replace(CALL, facts=(fact,)), link=None)
    short = "14\u202f210/m³ ≥ 0.5\u202fµm, action level 3\u202f520/m³"
    assert message.subject == f"High alarm, Needle side, Filling: {short}"
    assert message.text.startswith(
        "14\u202f210 particles/m³ ≥ 0.5\u202fµm, above the action level of 3\u202f520 (ISO 5)\nNeedle side"
    )
    assert message.short == ("HIGH alarm, Needle side, Filling: 14210/m3 >= 0.5 um, action level 3520/m3, 22:05 CEST")
    # Only a place that is said beside it goes.
    for what in ("Another side: humidity 61\u202f%", "Needle: humidity", "Needle side: "):
        assert said(replace(CALL, facts=(replace(fact, what=what),))).text.startswith(what.strip())


def test_of_several_the_link_takes_all_and_the_command_the_first() -> None:
    text = said(replace(CALL, facts=(FACT, PRESSURE))).text
    assert "TAKE ALL 2, OR SHELVE THE FIRST" in text
    assert f"motewatch acknowledge SITE {FACT.alarm} --by ada" in text


def test_a_call_without_an_answer_has_no_link() -> None:
    message = said(replace(CALL, answer="", cause=Cause.RETURNED))
    assert message.link is None
    assert LINK not in message.text + str(message.html) + message.short
    assert "acknowledge" not in message.text


def test_without_a_page_the_other_way_to_answer_takes_the_place_of_the_link() -> None:
    text = said(link=None).text
    assert "TAKE IT, OR SHELVE IT\nAt the monitoring station" in text
    assert "WITHOUT THE LINK" not in text


@pytest.mark.parametrize(
    ("states", "what"),
    [
        (["returned-unacknowledged"], "The alarm stays on the list until somebody acknowledges it."),
        (["latched-acknowledged"], "The alarm stays on the list until somebody resets it."),
        (["latched-unacknowledged"] * 2, "The alarms stay on the list until somebody acknowledges and resets them."),
        (["normal"], NOTHING_TO_DO),
    ],
)
def test_what_is_over_says_what_is_still_wanted(states: list[str], what: str) -> None:
    facts = tuple(replace(FACT, state=state) for state in states)
    message = said(replace(CALL, answer="", cause=Cause.RETURNED, facts=facts))
    assert what in message.text
    assert what in str(message.html)
    assert (NOTHING_TO_DO in message.text) == (what == NOTHING_TO_DO)


@pytest.mark.parametrize(
    ("console", "link", "what"),
    [
        ("", LINK, "WITHOUT THE LINK\nThere is no other way while the broker is away."),
        (
            "https://air.example.org",
            LINK,
            "Sign in to the console at https://air.example.org while the broker is away.",
        ),
        ("https://air.example.org", None, "Sign in to the console at https://air.example.org; the command line works"),
        ("", None, "See to the broker first"),
    ],
)
def test_while_the_broker_is_away_nothing_is_advised_that_needs_it(console: str, link: str | None, what: str) -> None:
    told = replace(
        CALL, facts=(replace(FACT, alarm=BROKER, what="the connection to the broker is lost"),), answer=BROKER
    )
    message = render(told, replace(NAMES, console=console), link, BERLIN)
    assert what in message.text
    assert "motewatch acknowledge" not in message.text + str(message.html)


def test_a_test_call_is_confirmed_and_never_looks_like_an_alarm() -> None:
    told = replace(CALL, cause=Cause.TEST, facts=(), answer="test/k7m2qx4c", note="This is a test call.")
    message = said(told)
    assert message.subject == "Test call from Hall 3"
    assert "motewatch confirm-test SITE k7m2qx4c --by ada" in message.text
    assert message.short == f"Test call, please confirm it. From Hall 3 {LINK}"
    assert "alarm" not in message.text.lower()


def test_a_possible_repeat_says_so() -> None:
    assert MAYBE_REPEAT not in said().text
    message = said(maybe_repeat=True)
    assert message.maybe_repeat
    assert MAYBE_REPEAT in message.text
    assert MAYBE_REPEAT in str(message.html)
    # Mail programs find repeats by subject and id.
    assert (message.subject, message.id) == (said().subject, said().id)


def test_a_link_is_not_shown_by_accident() -> None:
    assert LINK in said().text
    assert LINK.rsplit("/", 1)[1] not in repr(said())


def us(text: str) -> int:
    from datetime import datetime

    return instant_us(datetime.fromisoformat(text))


@pytest.mark.parametrize(
    ("then", "at", "zone", "text"),
    [
        # The night on which the clock goes back: the same hour twice, told apart by the zone's name.
        ("2026-10-25T00:20Z", "2026-10-25T01:30Z", "Europe/Berlin", "02:20 CEST"),
        ("2026-10-25T01:20Z", "2026-10-25T01:30Z", "Europe/Berlin", "02:20 CET"),
        ("2026-10-24T21:50Z", "2026-10-24T22:10Z", "Europe/Berlin", "Sat 24 Oct 23:50 CEST"),
        ("2025-12-31T20:00Z", "2026-01-01T12:00Z", "Europe/Berlin", "Wed 31 Dec 2025 21:00 CET"),
        ("2026-05-28T20:05Z", "2026-05-28T20:27Z", "America/Sao_Paulo", "17:05 UTC-03"),
        ("2026-05-28T20:05Z", "2026-05-28T20:27Z", "Asia/Kathmandu", "Fri 29 May 01:50 UTC+0545"[11:]),
    ],
)
def test_times_are_the_sites_with_the_zone_named(then: str, at: str, zone: str, text: str) -> None:
    assert moment(us(then), us(at), ZoneInfo(zone)) == text


def test_yesterdays_alarm_says_the_day() -> None:
    old = replace(FACT, since_us=FACT.since_us - 24 * 60 * MINUTE_US)
    assert "Since Wed 27 May 22:05 CEST" in said(replace(CALL, facts=(old,))).text


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("a\r\nBcc: x@example.org", "a Bcc: x@example.org"),
        ("tab\tand\x00nul\x1b[31m", "tab and nul [31m"),
        ("two\u2028lines\u2029here", "two lines here"),
        ("turned \u202egnorw\u202c round", "turned gnorw round"),
        ("half \ud800 a letter", "half a letter"),
        ("  many   blanks  ", "many blanks"),
        ("x" * 400, "x" * 297 + "..."),
        ("3\u202f520", "3\u202f520"),
    ],
)
def test_what_people_wrote_stays_on_one_line(text: str, line: str) -> None:
    assert one_line(text) == line


@pytest.mark.parametrize(
    ("text", "sms"),
    [
        ("14\u202f210\u202f/m³, ≥ 0.5 µm", "14210 /m3, >= 0.5 um"),
        ("−6.2\u202fPa “low” – 21 °C…", '-6.2 Pa "low" - 21 C...'),
        ("Čeněk Ångström, Müller, Niño", "Cenek Ångström, Müller, Niño"),
        ("Чистая комната", "Чистая комната"),
    ],
)
def test_the_short_form_is_in_the_alphabet_of_sms_where_it_can_be(text: str, sms: str) -> None:
    assert spelled(text) == sms


def test_signs_of_two_places_count_twice() -> None:
    assert places("[5€]") == 7
    assert fit("[" * 90, LONGEST) == "[" * 78 + "..."
    assert fit("one two three four five six", 20) == "one two three..."


def test_a_link_that_leaves_no_room_for_words_is_left_out_of_the_short_form() -> None:
    message = said(link="https://air.example.org/" + "x" * 90)
    assert message.short.endswith("above the action level, 22:05 CEST")
    assert "https" not in message.short
