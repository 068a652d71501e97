"""Where a portable counter stands, as people say it: by whom, from when on, and what it is worth for its readings."""

from __future__ import annotations

import json

import pytest

from motewatch.engine import Engine
from motewatch.engine.codec import decode_internal, encode_internal, internal_kind
from motewatch.engine.records import (
    Audited,
    Commanded,
    Memory,
    Output,
    Placed,
    PlaceOrdered,
    Replied,
    SampleTaken,
    Turned,
)
from motewatch.service.refusals import refusal_of
from motewatch.wire.records import SECOND_US, Place
from support.facility import T0, at, configured, engine, heard, reading, site_dict


def said(seconds: float, location: str | None, sensor: str = "hand-1", made: Engine | None = None) -> list[Output]:
    """What comes of Mira's word, `seconds` after T0."""
    assert made is not None
    what = Placed(f"console-{seconds}", "mira", sensor, location, "round 3")
    return made.apply(at(T0 + round(seconds * SECOND_US), what))


def minute(made: Engine, seq: int, end_s: int, location: str | None = None) -> list[str]:
    """Where the samples stand that a minute of air up to then gives; `refused` for one that cannot be placed."""
    air = reading("hand-1", seq, T0 + end_s * SECOND_US, (3, 0), 60.0, location=location)
    outputs = made.apply(heard(air, max(air.end_us, made.time_us) + SECOND_US))
    outputs += made.advance(made.time_us + 3 * SECOND_US)
    samples = [out.sample for out in outputs if isinstance(out, SampleTaken)]
    found = [sample.location for sample in samples if "hand-1" in sample.sensors]
    return found + ["refused" for out in outputs if isinstance(out, Turned)]


def test_it_is_journaled_and_read_back() -> None:
    what = Placed("console-1", "mira", "hand-1", None, "ñ")
    assert internal_kind(what) == "placed"
    assert decode_internal("placed", encode_internal(what)) == what


def test_a_check_in_places_the_readings_that_do_not_say_where_they_were_taken() -> None:
    made = engine()
    assert minute(made, 0, 60) == ["refused"]
    outputs = said(70, "prep-1", made=made)
    assert outputs == [
        Audited(T0 + 70 * SECOND_US, "mira", "check-in", "sensor/hand-1", "prep-1; round 3"),
        Replied("console-70", True, "sensor 'hand-1' is at 'prep-1' from now on"),
    ]
    assert minute(made, 1, 120) == ["refused"], "it began before it was checked in"
    assert minute(made, 2, 180) == ["prep-1"]
    assert said(200, None, made=made)[0] == Audited(
        T0 + 200 * SECOND_US, "mira", "check-out", "sensor/hand-1", "round 3"
    )
    assert minute(made, 3, 240) == ["refused"]
    # What was buffered is placed by its own time, not by when it comes.
    assert minute(made, 4, 195) == ["prep-1"]


def test_what_the_message_says_wins() -> None:
    made = engine()
    said(1, "prep-1", made=made)
    air = reading("hand-1", 1, T0 + 120 * SECOND_US, (3, 0), 60.0, location="nowhere")
    (turned,) = [out for out in made.apply(heard(air)) if isinstance(out, Turned)]
    assert "unknown location 'nowhere'" in turned.refusal.detail
    air = reading("hand-1", 2, T0 + 130 * SECOND_US, (3, 0), 10.0, location="prep-2")
    assert not [out for out in made.apply(heard(air)) if isinstance(out, Turned)]
    taken = [out.sample for out in made.advance(T0 + 190 * SECOND_US) if isinstance(out, SampleTaken)]
    assert ("prep-2", ("hand-1",)) in [(sample.location, sample.sensors) for sample in taken]


@pytest.mark.parametrize(
    ("sensor", "location", "words"),
    [
        ("pc-9", "prep-1", "no sensor 'pc-9'"),
        ("pc-1", "prep-1", "sensor 'pc-1' is fixed at 'fill-1': the site file says where it stands"),
        ("hand-1", "attic", "no location 'attic'"),
        ("hand-1", None, "sensor 'hand-1' is not checked in anywhere"),
    ],
)
def test_refusals_say_why_and_change_nothing(sensor: str, location: str | None, words: str) -> None:
    made = engine()
    before = made.snapshot()["placements"]
    what = Placed("console-1", "mira", sensor, location)
    outputs = made.apply(at(T0 + SECOND_US, what))
    (reply,) = outputs
    assert isinstance(reply, Replied)
    assert not reply.accepted
    assert words in reply.text
    assert made.snapshot()["placements"] == before
    entered = refusal_of(what, outputs)
    assert entered is not None
    assert (entered.by, entered.subject) == ("mira", f"sensor/{sensor}")
    said(2, "prep-1", made=made)
    assert "already" in str(said(3, "prep-1", made=made))


def test_it_is_in_the_snapshot_and_told_the_same_after_a_restore() -> None:
    made = engine()
    said(1, "prep-1", made=made)
    said(100, "prep-2", made=made)
    again = Engine.restore(json.loads(made.snapshot_text()), Memory())
    assert again.snapshot_text() == made.snapshot_text()
    assert minute(again, 1, 90) == minute(made, 1, 90) == ["prep-1"]


def test_a_place_or_counter_that_is_no_more_is_checked_out() -> None:
    made = engine()
    said(1, "prep-2", made=made)
    site = site_dict()
    site["locations"] = [each for each in site["locations"] if each["id"] != "prep-2"]
    outputs = made.apply(at(T0 + 2 * SECOND_US, configured(site)))
    want = Audited(T0 + 2 * SECOND_US, "service", "check-out", "sensor/hand-1", "no longer in the site configuration")
    assert want in outputs
    assert "not checked in" in str(said(3, None, made=made))


def test_a_snapshot_from_before_there_were_check_ins_is_taken() -> None:
    state = json.loads(engine().snapshot_text())
    del state["placements"]
    again = Engine.restore(state, Memory())
    assert again.snapshot()["placements"] == {}
    assert said(1, "prep-1", made=again)


def test_the_same_words_give_the_same_record_and_state() -> None:
    def night() -> tuple[str, bytes]:
        made = engine()
        told: list[object] = [said(1, "prep-1", made=made), minute(made, 1, 90), said(100, "prep-2", made=made)]
        told += [minute(made, 2, 170), said(200, None, made=made), minute(made, 3, 190), said(210, "prep-1", made=made)]
        return repr(told), made.snapshot_text()

    assert night() == night()


def test_changes_too_old_for_any_reading_are_forgotten() -> None:
    made = engine()
    day_s, late_days = 86_400, 30  # service.late_limit_h, where the site file does not say it
    for days in (1, 13, 25, 37, 49, 61):
        said(days * day_s, "prep-1" if days % 8 == 1 else "prep-2", made=made)
    kept = [(at_us - T0) // (day_s * SECOND_US) for at_us, _ in made.snapshot()["placements"]["hand-1"]]
    # What held at the oldest instant that a reading may be of has to stay.
    assert kept == [25, 37, 49, 61]
    assert [days for days in kept if days <= 61 - late_days] == [25]


# By command, and by order of a user: with the rights of persons


ADA = {"id": "ada", "name": "Ada Okafor"}
BEN = {"id": "ben", "name": "Ben Lind", "may": ["acknowledge"]}
WHERE = (Audited(T0 + SECOND_US, "ada", "check-in", "sensor/hand-1", "prep-1; round 3"),)


@pytest.mark.parametrize(
    "what",
    [
        Commanded(Place("c-1", "ada", "hand-1", "prep-1", "round 3")),
        Commanded(Place("c-1", "Ada Okafor", "hand-1", "prep-1", "round 3")),
        PlaceOrdered("c-1", "ada", "hand-1", "prep-1", "round 3"),
    ],
    ids=["command", "by name", "console"],
)
def test_whom_the_site_file_entitles_says_where_it_stands(what: Commanded | PlaceOrdered) -> None:
    made = engine(site_dict(persons=[ADA, BEN]))
    outputs = made.apply(at(T0 + SECOND_US, what))
    assert outputs == [*WHERE, Replied("c-1", True, "sensor 'hand-1' is at 'prep-1' from now on")]
    # The broker may bring a command twice: it is answered alike, and done once.
    again = made.apply(at(T0 + 2 * SECOND_US, what))
    assert again == outputs[-1:]
    assert minute(made, 1, 120) == ["prep-1"]


@pytest.mark.parametrize(
    "what",
    [
        Commanded(Place("c-1", "ben", "hand-1", "prep-1")),
        PlaceOrdered("c-1", "ben", "hand-1", "prep-1"),
        PlaceOrdered("c-1", "zoe", "hand-1", None),
    ],
    ids=["command", "console", "nobody"],
)
def test_whom_the_site_file_does_not_entitle_is_refused_and_that_is_on_record(what: Commanded | PlaceOrdered) -> None:
    made = engine(site_dict(persons=[ADA, BEN]))
    before = made.snapshot()["placements"]
    outputs = made.apply(at(T0 + SECOND_US, what))
    (reply,) = outputs
    assert isinstance(reply, Replied)
    assert not reply.accepted
    assert reply.text.endswith("is not entitled to say where a portable counter stands; entitled: Ada Okafor")
    assert made.snapshot()["placements"] == before
    entered = refusal_of(what, outputs)
    assert entered is not None
    assert entered.subject == "sensor/hand-1"
    assert entered.detail.startswith(
        "check out: " if isinstance(what, PlaceOrdered) and what.by == "zoe" else "check in"
    )


def test_what_older_journals_hold_asks_for_no_right() -> None:
    made = engine(site_dict(persons=[ADA, BEN]))
    (_, reply) = made.apply(at(T0 + SECOND_US, Placed("console-1", "zoe", "hand-1", "prep-1")))
    assert isinstance(reply, Replied)
    assert reply.accepted


def test_an_order_is_journaled_and_read_back() -> None:
    what = PlaceOrdered("console-1", "mira", "hand-1", None, "ñ")
    assert internal_kind(what) == "place-ordered"
    assert decode_internal("place-ordered", encode_internal(what)) == what
