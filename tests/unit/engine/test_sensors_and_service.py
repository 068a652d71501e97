"""Silence, clocks, repeats, dead letters, links and commands, as dialogues with the engine."""

from __future__ import annotations

import pytest

from motewatch.engine import Engine, NotConfiguredError, TimeWentBackError
from motewatch.engine.records import (
    AlarmChanged,
    Audited,
    ClockStepped,
    Commanded,
    Input,
    Link,
    LinkChanged,
    Memory,
    RecordHeldUp,
    Refused,
    Repeated,
    Replied,
    SampleTaken,
    Seen,
    SessionLost,
    SessionTaken,
    Turned,
)
from motewatch.wire.records import SECOND_US, Acknowledge, Presence, Refusal, RefusalReason, SetOccupancy
from support.dialogue import transcript
from support.facility import T0, at, configured, engine, heard, reading, run, site_dict

S = SECOND_US


def about(said: list, word: str) -> list[str]:  # type: ignore[type-arg]
    return [text for text in transcript(said, AlarmChanged) if word in text]


def test_a_sensor_that_falls_silent_is_missed_at_the_nominal_instant_and_welcomed_back() -> None:
    made = engine()
    said = run(made, [heard(reading("pc-1", 0, T0 + 10 * S))], T0 + 300 * S)
    said += run(made, [Input(T0 + 301 * S, T0 + 301 * S, heard(reading("pc-1", 1, T0 + 300 * S)).what)])
    assert about(said, "pc-1") == [
        "sensor/pc-1/silent starts at +55.3 -> unacknowledged",
        "sensor/pc-1/silent returns at +301 -> returned-unacknowledged",
    ]


def test_waking_late_gives_the_same_instants() -> None:
    prompt, sleepy = engine(), engine()
    first = [heard(reading("pc-1", 0, T0 + 10 * S))]
    said = run(prompt, first)
    for second in range(11, 300, 7):
        said += prompt.advance(T0 + second * S)
    said += prompt.advance(T0 + 300 * S)
    assert transcript(said) == transcript(run(sleepy, first, T0 + 300 * S))


def test_a_last_will_is_as_good_as_silence_and_a_portable_may_go() -> None:
    gone = [
        at(T0 + 20 * S, Seen(Presence("pc-1", False, "boot-1", T0))),
        at(T0 + 20 * S, Seen(Presence("hand-1", False, "boot-1", T0))),
    ]
    said = run(engine(), gone, T0 + 30 * S)
    assert transcript(said, AlarmChanged) == ["sensor/pc-1/silent starts at +20 -> unacknowledged"]


def test_insufficient_sampling_hides_behind_the_silent_sensor() -> None:
    said = run(engine(), [], T0 + 302 * S)
    assert about(said, "fill-1") == []
    assert about(said, "pc-1/silent")


def test_insufficient_sampling_is_an_alarm_when_the_sensor_is_heard() -> None:
    inputs = [heard(reading("pc-1", i, T0 + (30 * i + 10) * S)) for i in range(7)]
    said = run(engine(), inputs, T0 + 182 * S)
    assert about(said, "insufficient") == [
        "location/fill-1/insufficient-sampling starts at +120 -> unacknowledged",
    ]


def test_the_same_reading_twice_counts_once() -> None:
    one = heard(reading("pc-1", 0, T0 + 10 * S, (5, 0)))
    again = Input(T0 + 20 * S, T0 + 20 * S, one.what)
    said = run(engine(), [one, again, again], T0 + 62 * S)
    assert transcript(said, Repeated) == ["repeated pc-1 boot-1 0"] * 2
    assert transcript(said, SampleTaken)[0] == "sample fill-1 +0..+60 r1 5/0 PARTIAL"


def test_a_number_used_for_another_interval_is_turned_not_taken_for_a_repeat() -> None:
    inputs = [heard(reading("pc-1", 0, T0 + 10 * S, (5, 0))), heard(reading("pc-1", 0, T0 + 20 * S, (5, 0)))]
    assert transcript(run(engine(), inputs), Turned) == ["turned sequence-reused"]


def test_repeats_are_recognised_when_their_boot_has_left_the_memory() -> None:
    history = Memory()
    made = engine(history=history)
    inputs = [heard(reading("pc-1", 0, T0 + i * S, boot=f"boot-{i}", seconds=1.0)) for i in range(40)]
    run(made, inputs)
    later = Input(T0 + 60 * S, T0 + 60 * S, inputs[0].what)
    assert transcript(run(made, [later]), Repeated) == ["repeated pc-1 boot-0 0"]


def test_a_clock_that_is_stepped_back_is_noticed() -> None:
    inputs = [
        heard(reading("pc-1", 0, T0 + 500 * S), T0 + 500 * S),
        Input(T0 + 510 * S, T0 + 510 * S, heard(reading("pc-1", 1, T0 + 210 * S)).what),
    ]
    said = run(engine(), inputs)
    assert about(said, "clock") == ["sensor/pc-1/clock starts at +210 -> unacknowledged"]


def test_a_clock_that_is_behind_is_told_from_a_buffer_that_is_sent_late() -> None:
    behind = [
        Input(T0 + (600 + 10 * i) * S, T0 + (600 + 10 * i) * S, heard(reading("pc-1", i, T0 + 10 * i * S)).what)
        for i in range(8)
    ]
    assert about(run(engine(start_us=T0), behind), "clock")
    buffered = [
        Input(T0 + 600 * S + i, T0 + 600 * S + i, heard(reading("pc-1", i, T0 + 10 * i * S)).what) for i in range(8)
    ]
    assert about(run(engine(start_us=T0), buffered), "clock") == []


def test_dead_letters_that_go_on_are_an_alarm_that_ends_when_they_do() -> None:
    refusal = Refusal(RefusalReason.NOT_JSON, "not JSON", "pc-1")
    few = [at(T0 + i * S, Refused(refusal)) for i in range(1, 5)]
    assert about(run(engine(), few, T0 + 20 * S), "dead") == []
    many = [at(T0 + i * S, Refused(refusal)) for i in range(1, 8)]
    assert about(run(engine(), many, T0 + 700 * S), "dead") == [
        "service/dead-letters starts at +5 -> unacknowledged",
        "service/dead-letters returns at +607 -> returned-unacknowledged",
    ]


def test_silence_while_the_broker_is_away_is_one_alarm() -> None:
    inputs = [
        at(T0 + 30 * S, LinkChanged(Link.BROKER, False, T0 + 1 * S, "refused")),
        at(T0 + 300 * S, LinkChanged(Link.BROKER, True, T0 + 299 * S)),
    ]
    said = run(engine(), inputs, T0 + 340 * S)
    assert about(said, "") == [
        "service/broker starts at +1 -> unacknowledged",
        "service/broker returns at +299 -> returned-unacknowledged",
    ]


def test_little_room_for_the_record_is_an_alarm_until_there_is_enough() -> None:
    inputs = [
        at(T0 + 1 * S, LinkChanged(Link.SPACE, True, T0 + 1 * S, "2000 MB are free, 1000 are wanted")),
        at(T0 + 30 * S, LinkChanged(Link.SPACE, False, T0 + 30 * S, "900 MB are free, 1000 are wanted")),
        at(T0 + 60 * S, LinkChanged(Link.SPACE, True, T0 + 60 * S, "1300 MB are free, 1000 are wanted")),
    ]
    said = run(engine(), inputs, T0 + 70 * S)
    assert about(said, "service") == [
        "service/space starts at +30 -> unacknowledged",
        "service/space returns at +60 -> returned-unacknowledged",
    ]


def test_a_certificate_that_ends_soon_is_an_alarm_until_a_new_one_is_in_place() -> None:
    inputs = [
        at(T0 + 1 * S, LinkChanged(Link.CERTIFICATES, True, T0 + 1 * S)),
        at(T0 + 30 * S, LinkChanged(Link.CERTIFICATES, False, T0 + 30 * S, "the broker's ends on 2026-06-12")),
        at(T0 + 60 * S, LinkChanged(Link.CERTIFICATES, True, T0 + 60 * S)),
    ]
    said = run(engine(), inputs, T0 + 70 * S)
    assert about(said, "service") == [
        "service/certificates starts at +30 -> unacknowledged",
        "service/certificates returns at +60 -> returned-unacknowledged",
    ]


@pytest.mark.parametrize(
    ("link", "alarm", "away", "back"),
    [
        (Link.BACKUP, "service/backup", "the backup failed: no room", "a backup was made again"),
        (
            Link.BACKUP_AGE,
            "service/backup-old",
            "there is no backup of the last two and a half days: no room",
            "there is a new backup",
        ),
        (Link.ARCHIVES, "service/archives", "archives could not be made: no room", "archives are made again"),
    ],
)
def test_upkeep_that_fails_is_an_alarm_until_it_is_done_or_wanted_no_more(
    link: Link, alarm: str, away: str, back: str
) -> None:
    inputs = [
        at(T0 + 1 * S, LinkChanged(link, True, T0 + 1 * S)),
        at(T0 + 30 * S, LinkChanged(link, False, T0 + 30 * S, "no room")),
        at(T0 + 60 * S, LinkChanged(link, True, T0 + 60 * S)),
        at(T0 + 61 * S, LinkChanged(link, False, T0 + 61 * S, "no room")),
        at(T0 + 62 * S, LinkChanged(link, True, T0 + 62 * S, "not set up any more")),
    ]
    said = run(engine(), inputs, T0 + 70 * S)
    assert about(said, "service") == [
        f"{alarm} starts at +30 -> unacknowledged",
        f"{alarm} returns at +60 -> returned-unacknowledged",
        f"{alarm} starts at +61 -> unacknowledged",
        f"{alarm} returns at +62 -> returned-unacknowledged",
    ]
    texts = [each.text for each in said if isinstance(each, AlarmChanged) and each.alarm == alarm]
    assert texts == [away, back, away, "not set up any more"]


def test_a_marker_that_the_broker_keeps_is_an_alarm_until_it_gives_it_back() -> None:
    inputs = [
        at(T0 + 1 * S, LinkChanged(Link.MARKER, True, T0 + 1 * S)),
        at(T0 + 30 * S, LinkChanged(Link.MARKER, False, T0 + 30 * S, "not authorised")),
        at(T0 + 60 * S, LinkChanged(Link.MARKER, True, T0 + 60 * S)),
    ]
    said = run(engine(), inputs, T0 + 70 * S)
    assert about(said, "service") == [
        "service/marker starts at +30 -> unacknowledged",
        "service/marker returns at +60 -> returned-unacknowledged",
    ]


def test_a_record_that_was_held_up_stands_until_somebody_has_taken_note() -> None:
    held_up = RecordHeldUp(T0 + 5 * S, T0 + 65 * S, "no space left")
    said = run(engine(), [at(T0 + 66 * S, held_up)], T0 + 70 * S)
    assert about(said, "service") == [
        "service/record starts at +5 -> unacknowledged",
        "service/record returns at +5 -> returned-unacknowledged",
    ]


def test_a_session_that_others_take_is_an_alarm_in_plain_words() -> None:
    inputs = [
        at(T0 + 5 * S, SessionTaken(1, "daemon-x", T0 + 5 * S, True)),
        at(T0 + 8 * S, Commanded(Acknowledge("c-1", "ada", "service/session-taken"))),
        at(T0 + 605 * S, SessionTaken(7, "daemon-x", T0 + 9 * S, False)),
    ]
    made = engine()
    said = run(made, inputs)
    assert about(said, "service/session-taken") == [
        "service/session-taken starts at +5 -> unacknowledged",
        "service/session-taken returns at +5 -> returned-unacknowledged",
        "service/session-taken acknowledge at +8 -> normal by ada",
        "service/session-taken starts at +9 -> unacknowledged",
        "service/session-taken returns at +9 -> returned-unacknowledged",
    ]
    assert "service/session-taken" in made.standing()


def test_things_that_happened_stand_until_somebody_has_taken_note() -> None:
    inputs = [
        at(T0 + 1 * S, SessionLost(T0)),
        at(T0 + 2 * S, ClockStepped(-3_600_000_000)),
        at(T0 + 3 * S, Commanded(Acknowledge("c-1", "ada", "service/clock"))),
    ]
    made = engine()
    said = run(made, inputs)
    assert about(said, "service/") == [
        "service/session starts at +0 -> unacknowledged",
        "service/session returns at +0 -> returned-unacknowledged",
        "service/clock starts at +2 -> unacknowledged",
        "service/clock returns at +2 -> returned-unacknowledged",
        "service/clock acknowledge at +3 -> normal by ada",
    ]
    assert made.standing() == ["service/session"]


def test_commands_are_answered_once_and_wrong_ones_are_refused_in_words() -> None:
    made = engine()
    alarm = "service/session"
    said = run(
        made,
        [
            at(T0 + 1, SessionLost(T0)),
            at(T0 + 2, Commanded(Acknowledge("c-1", "ada", "location/attic/0.5um/action"))),
            at(T0 + 3, Commanded(Acknowledge("c-2", "ada", alarm, "seen it"))),
            at(T0 + 4, Commanded(Acknowledge("c-2", "ada", alarm, "seen it"))),
            at(T0 + 5, Commanded(Acknowledge("c-3", "bob", alarm))),
            at(T0 + 6, Commanded(SetOccupancy("c-4", "ada", "cellar", "at-rest"))),
            at(T0 + 7, Commanded(SetOccupancy("c-5", "ada", "prep", "at-rest", "cleaning"))),
            at(T0 + 8, Commanded(SetOccupancy("c-6", "ada", "prep", None))),
        ],
    )
    assert transcript(said, Replied) == [
        "reply c-1 no: no alarm 'location/attic/0.5um/action' has ever been raised here",
        "reply c-2 yes: 'service/session' is now normal",
        "reply c-2 yes: 'service/session' is now normal",
        "reply c-3 no: 'service/session' is normal: nothing to acknowledge",
        "reply c-4 no: no room 'cellar' in this site; rooms: fill, prep",
        "reply c-5 yes: room 'prep' is now at-rest",
        "reply c-6 yes: room 'prep' is now by schedule",
    ]
    assert transcript(said, Audited) == [
        "audit acknowledge service/session by ada",
        "audit occupancy prep by ada",
        "audit occupancy prep by ada",
    ]


def test_a_malformed_command_that_names_itself_is_answered() -> None:
    refusal = Refusal(RefusalReason.NOT_VALID, "by: is missing", None, "c-9")
    said = run(engine(), [at(T0 + 1, Refused(refusal)), at(T0 + 2, Refused(Refusal(RefusalReason.NOT_JSON, "no")))])
    assert transcript(said, Replied) == ["reply c-9 no: by: is missing"]


def test_an_overdue_calibration_is_an_alarm_from_the_end_of_its_day() -> None:
    site = site_dict()
    site["sensors"][0]["calibration_due"] = "2026-05-28"
    said = run(engine(site), [], T0 + 5 * 3600 * S)
    # T0 is 20:27 on that day: the day is over 3 h 33 min later.
    assert about(said, "calibration") == ["sensor/pc-1/calibration starts at +12780 -> unacknowledged"]


def test_a_new_configuration_keeps_what_goes_on_and_drops_what_is_gone() -> None:
    made = engine()
    said = run(made, [heard(reading("pc-1", 0, T0 + 10 * S, (7, 0)))], T0 + 20 * S)
    site = site_dict()
    del site["sensors"][1]
    said = run(made, [at(T0 + 30 * S, Seen(Presence("pc-2", False, "b", T0)))])
    assert made.standing() == ["sensor/pc-2/silent"]
    said = run(made, [at(T0 + 31 * S, configured(site))], T0 + 62 * S)
    assert about(said, "pc-2") == ["sensor/pc-2/silent returns at +31 -> returned-unacknowledged"]
    assert transcript(said, SampleTaken) == ["sample fill-1 +0..+60 r1 7/0 PARTIAL"]


def test_time_does_not_go_back_and_configuration_comes_first() -> None:
    made = engine()
    made.advance(T0 + 60 * S)
    with pytest.raises(TimeWentBackError):
        made.apply(at(T0 + 60 * S, SessionLost(T0)))
    assert made.advance(T0) == []
    with pytest.raises(NotConfiguredError):
        Engine(Memory()).apply(at(T0, SessionLost(T0)))
