"""Test calls: when they are made, to whom, and what counts as confirmed."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from itertools import pairwise
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from motewatch.callout.test_calls import FAILED, Stage, Trial, Trials, Verdict, Way, next_trial_us, ways_of
from motewatch.site.models import Site
from support.facility import site_dict
from support.reachable import CHANNELS, PERSONS

HOUR_US = 3_600_000_000
ADA_SMS = Way("ada", "sms", "+00 1")
ADA_MAIL = Way("ada", "mail", "ada@example.org")
BEN_SMS = Way("ben", "sms", "+00 2")


def us(text: str) -> int:
    return round(datetime.fromisoformat(text).timestamp()) * 1_000_000


@pytest.mark.parametrize(
    ("at", "zone", "after", "expected"),
    [
        ("Tue 10:00", "UTC", "2026-11-23T00:00Z", "2026-11-24T10:00Z"),
        ("Tue 10:00", "UTC", "2026-11-24T09:59:59Z", "2026-11-24T10:00Z"),
        # At the very instant: the next one.
        ("Tue 10:00", "UTC", "2026-11-24T10:00Z", "2026-12-01T10:00Z"),
        ("Mon 00:00", "Asia/Kolkata", "2026-11-22T18:29Z", "2026-11-22T18:30Z"),
        # Summer and winter time: 10:00 on the wall is 08:00 and 09:00 UTC.
        ("Tue 10:00", "Europe/Berlin", "2026-10-19T00:00Z", "2026-10-20T08:00Z"),
        ("Tue 10:00", "Europe/Berlin", "2026-10-20T08:00Z", "2026-10-27T09:00Z"),
        # The night the clock goes back: 02:30 comes twice; the first counts, and the second is not one more.
        ("Sun 02:30", "Europe/Berlin", "2026-10-24T00:00Z", "2026-10-25T00:30Z"),
        ("Sun 02:30", "Europe/Berlin", "2026-10-25T00:30Z", "2026-11-01T01:30Z"),
        ("Sun 02:30", "Europe/Berlin", "2026-10-25T01:00Z", "2026-11-01T01:30Z"),
        # The night it goes forward: 02:30 never comes; by the offset before it is 03:30.
        ("Sun 02:30", "Europe/Berlin", "2026-03-28T00:00Z", "2026-03-29T01:30Z"),
        ("Sun 02:30", "Europe/Berlin", "2026-03-29T01:00Z", "2026-03-29T01:30Z"),
        ("Sun 02:30", "Europe/Berlin", "2026-03-29T01:30Z", "2026-04-05T00:30Z"),
        # A gap of half an hour, on the southern half of the earth.
        ("Sun 02:15", "Australia/Lord_Howe", "2026-10-03T00:00Z", "2026-10-03T15:45Z"),
        # A zone that left out a whole day (Friday 30 December 2011): read by the offset before, it is the 31st there.
        ("Fri 10:00", "Pacific/Apia", "2011-12-28T00:00Z", "2011-12-30T20:00Z"),
        ("Fri 10:00", "Pacific/Apia", "2011-12-30T20:00Z", "2012-01-05T20:00Z"),
    ],
)
def test_when_the_next_one_is(at: str, zone: str, after: str, expected: str) -> None:
    assert next_trial_us(at, zone, us(after)) == us(expected)


@given(
    st.sampled_from(["Sun 02:30", "Sun 01:30", "Tue 10:00", "Mon 00:00", "Sat 23:59"]),
    st.sampled_from(["UTC", "Europe/Berlin", "America/New_York", "Australia/Lord_Howe", "Asia/Kolkata"]),
    st.integers(us("2024-01-01T00:00Z"), us("2030-01-01T00:00Z")),
)
def test_one_a_week_each_at_its_local_time(at: str, zone: str, begin_us: int) -> None:
    here_us = begin_us
    days = []
    for _ in range(60):
        later_us = next_trial_us(at, zone, here_us)
        assert later_us > here_us
        # Asked at any instant in between, the answer is the same.
        assert next_trial_us(at, zone, (here_us + later_us) // 2) == later_us
        assert next_trial_us(at, zone, later_us - 1) == later_us
        here_us = later_us
        local = (datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=later_us)).astimezone(ZoneInfo(zone))
        days.append(local.date())
        assert f"{local:%a}" == at[:3]
        written = f"{local:%H:%M}"
        assert written == at[4:] or (at[:3] == "Sun" and abs(_minutes(written) - _minutes(at[4:])) <= 60)
    assert {(b - a).days for a, b in pairwise(days)} == {7}


def _minutes(text: str) -> int:
    return int(text[:2]) * 60 + int(text[3:])


def people(**changes: Any) -> Site:
    tables: dict[str, Any] = {
        "channels": CHANNELS,
        "persons": [
            *PERSONS,
            {"id": "cem", "name": "Cem", "reach": [{"channel": "sms", "address": "+00 3"}]},
            {"id": "desk", "name": "Desk"},
        ],
        "teams": [{"id": "quality", "name": "Quality", "members": ["ben", "desk"]}],
        "rotas": [
            {"id": "tech", "name": "Technicians", "rotation": {"members": ["ada"], "first": "2026-01-05"}},
            {"id": "book", "name": "By calendar", "calendar": "BEGIN:VCALENDAR\nEND:VCALENDAR\n"},
        ],
        "escalations": [{"id": "all", "steps": [{"after_min": 0, "tell": ["rota:tech"]}]}],
    }
    return Site.model_validate(site_dict(**(tables | changes)))


def escalation(*tell: str) -> list[dict[str, Any]]:
    return [{"id": "all", "steps": [{"after_min": n, "tell": [target]} for n, target in enumerate(tell)]}]


def test_every_way_to_everyone_who_can_be_called_is_tried() -> None:
    def tried(*tell: str, **more: Any) -> list[str]:
        return [f"{way.person} {way.channel}" for way in ways_of(people(escalations=escalation(*tell), **more))]

    assert tried("rota:tech") == ["ada mail", "ada sms"]
    assert tried("person:ben") == ["ben sms"]
    assert tried("team:quality") == ["ben sms"]
    assert tried("rota:tech", "person:cem") == ["ada mail", "ada sms", "cem sms"]
    assert tried("rota:book") == ["ada mail", "ada sms", "ben sms", "cem sms"]
    assert ways_of(Site.model_validate(site_dict())) == ()
    cover = {"person": "cem", "start": "2026-12-24T08:00:00", "end": "2026-12-26T08:00:00"}
    rota = {"id": "tech", "name": "T", "rotation": {"members": ["ada"], "first": "2026-01-05"}, "cover": [cover]}
    assert tried("rota:tech", rotas=[rota]) == ["ada mail", "ada sms", "cem sms"]


def begun(at_us: int = 0, *ways: Way) -> tuple[Trials, list[Trial]]:
    trials = Trials()
    return trials, trials.begin(ways or (ADA_SMS, ADA_MAIL, BEN_SMS), at_us, at_us + 24 * HOUR_US)


def test_each_way_has_a_call_of_its_own() -> None:
    _, made = begun(7_000_000)
    assert [trial.way for trial in made] == [ADA_MAIL, ADA_SMS, BEN_SMS]
    assert len({trial.id for trial in made}) == len({trial.told for trial in made}) == 3
    assert all(trial.told == f"test-7-{trial.id}" and len(trial.id) == 8 for trial in made)
    # Another week, another id: an old link confirms nothing new.
    assert {trial.id for trial in begun(8_000_000)[1]}.isdisjoint(trial.id for trial in made)


def test_it_is_confirmed_by_the_person_who_was_called() -> None:
    trials, made = begun()
    mail, sms, ben = made
    assert trials.confirm(sms.id, "ben", 5)[0] is Verdict.OTHER_PERSON
    assert trials.confirm(sms.id, None, 5)[0] is Verdict.OTHER_PERSON
    assert trials.confirm("abcdefgh", "ada", 5) == (Verdict.UNKNOWN, None)
    assert trials.last[ADA_SMS] == sms
    verdict, trial = trials.confirm(sms.id, "ada", 5)
    assert trial is not None
    assert (verdict, trial.stage, trial.changed_us) == (Verdict.TAKEN, Stage.CONFIRMED, 5)
    assert trials.confirm(sms.id, "ada", 9) == (Verdict.AGAIN, trial)
    assert trials.due(sms.id, 24 * HOUR_US) is None
    assert not trials.in_order("ada", "mail")
    assert trials.in_order("ada", "sms")
    assert trials.last[ADA_MAIL] == mail
    assert trials.last[BEN_SMS] == ben


def test_without_confirmation_it_has_failed_at_the_very_instant() -> None:
    trials, (_, sms, _) = begun()
    assert trials.due(sms.id, 24 * HOUR_US - 1) is None
    failed = trials.due(sms.id, 24 * HOUR_US)
    assert failed is not None
    assert failed.stage is Stage.NOT_CONFIRMED
    assert failed.stage in FAILED
    assert trials.due(sms.id, 24 * HOUR_US) is None
    assert trials.due("abcdefgh", 24 * HOUR_US) is None
    # Too late is better than never: the call did arrive.
    assert trials.confirm(sms.id, "ada", 25 * HOUR_US)[0] is Verdict.TAKEN


def test_a_call_that_the_channel_gave_up_has_failed_at_once() -> None:
    trials, (_, sms, _) = begun()
    failed = trials.not_delivered(sms.told, 60)
    assert failed is not None
    assert (failed.stage, failed.changed_us) == (Stage.NOT_DELIVERED, 60)
    assert trials.not_delivered(sms.told, 61) is None
    assert trials.not_delivered("some-other-call", 61) is None
    assert trials.due(sms.id, 24 * HOUR_US) is None
    # The channel was wrong: it had arrived.
    assert trials.confirm(sms.id, "ada", 70)[0] is Verdict.TAKEN
    assert trials.not_delivered(sms.told, 80) is None


def test_a_confirmation_of_last_week_says_nothing_about_this_week() -> None:
    trials, (old,) = begun(0, ADA_SMS)
    trials.due(old.id, 24 * HOUR_US)
    (new,) = trials.begin([ADA_SMS], 168 * HOUR_US, 192 * HOUR_US)
    assert trials.confirm(old.id, "ada", 170 * HOUR_US) == (Verdict.UNKNOWN, None)
    assert not trials.in_order("ada", "sms")
    assert trials.confirm(new.id, "ada", 170 * HOUR_US)[0] is Verdict.TAKEN
    assert trials.in_order("ada", "sms")


def test_two_numbers_on_one_channel_must_both_be_confirmed() -> None:
    second = Way("ada", "sms", "+00 9")
    trials, (first_call, second_call) = begun(0, ADA_SMS, second)
    trials.confirm(first_call.id, "ada", 1)
    assert not trials.in_order("ada", "sms")
    trials.confirm(second_call.id, "ada", 2)
    assert trials.in_order("ada", "sms")


def test_a_way_that_is_gone_is_forgotten() -> None:
    trials, _ = begun()
    trials.keep([ADA_MAIL])
    assert list(trials.last) == [ADA_MAIL]
    trials.begin([BEN_SMS], 1, 2)
    assert list(trials.last) == [BEN_SMS]


def test_the_state_goes_through_a_snapshot() -> None:
    trials, (mail, sms, ben) = begun(3)
    trials.confirm(mail.id, "ada", 4)
    trials.not_delivered(sms.told, 5)
    again = Trials.from_state(trials.to_state())
    assert again == trials
    assert {way: trial.stage for way, trial in again.last.items()} == {
        ADA_MAIL: Stage.CONFIRMED,
        ADA_SMS: Stage.NOT_DELIVERED,
        BEN_SMS: Stage.WAITING,
    }
    assert again.confirm(ben.id, "ben", 6)[0] is Verdict.TAKEN
