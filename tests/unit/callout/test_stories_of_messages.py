"""Stories told for what is in the messages: their order, their urgency, what can be answered, and their ids."""

from __future__ import annotations

from motewatch.callout.records import Cause
from motewatch.site.instants import instant
from support.callout_site import callout_site, climb, person, weekly
from support.story import story


def test_what_can_be_answered_is_in_the_calls_that_want_an_answer_and_in_no_news() -> None:
    few = {"ada": person("ada", "sms"), "ben": person("ben"), "cy": person("cy", "mail"), "dot": person("dot")}
    told = story(
        callout_site(climb((0, "person:ada")), persons=few),
        "2026-06-01",
        """
        10:00  needles starts
        10:00  -> ada over sms: raised needles
        10:15  ** nobody-reached starts
        10:15  -> ada over sms: nobody-reached needles
        10:15  -> cy over mail: nobody-reached needles
        10:16  cy acknowledges needles
        10:16  ** nobody-reached returns
        10:16  -> ada over sms: taken needles
        10:30  needles returns
        10:30  -> ada over sms: returned needles
        10:30  -> cy over mail: returned needles
        until 12:00
        """,
    )
    alarm = "sensor/needles/laser"
    assert [each.answer for each in told] == [alarm, alarm, alarm, "", "", ""]
    assert [each.urgent for each in told] == [True, True, True, False, False, False]


def test_only_what_is_of_high_priority_goes_first_on_its_channel() -> None:
    told = story(
        callout_site(climb((0, "person:ada"))),
        "2026-06-01",
        """
        10:00  bench starts
        10:00  -> ada over sms: raised bench
        10:01  scale starts
        10:01  needles starts
        10:01  -> ada over sms: raised needles, scale
        10:02  ada acknowledges needles
        10:02  ada acknowledges scale
        until 10:10
        """,
    )
    assert [each.urgent for each in told] == [False, True]
    assert [fact.priority for fact in told[1].facts] == ["high", "low"]
    assert told[1].answer == "sensor/needles/laser"


def test_each_message_holds_what_where_since_when_and_what_to_do() -> None:
    (told,) = story(
        callout_site(climb((0, "person:ada"))),
        "2026-06-01",
        """
        10:00  needles starts, seen at 09:50
        10:00  -> ada over sms: raised needles
        10:01  ada acknowledges needles
        until 10:10
        """,
    )
    (fact,) = told.facts
    assert (fact.state, fact.priority) == ("unacknowledged", "high")
    assert f"{instant(fact.since_us):%H:%M}" == "07:50", "09:50 in Berlin"
    assert "Needles" in fact.where
    assert "Filling" in fact.where
    assert "needles" in fact.what
    assert fact.action
    assert (told.address, told.at_us) == ("address on sms", told.found_us)


def test_ids_are_never_given_twice_also_over_restarts_and_many_days() -> None:
    told = story(
        callout_site(climb((0, "person:ada"), (5, "person:ben"), repeat_min=60)),
        "2026-06-01",
        """
        Mon 20:00  bench starts
        Mon 20:00  -> ada over sms: raised bench
        Mon 20:05  -> ben over sms: climbed bench
        Mon 21:05  -> ada over sms: repeated bench
        Mon 21:05  -> ben over sms: repeated bench
        Mon 21:06  ada acknowledges bench
        Mon 21:06  -> ben over sms: taken bench
        Wed 20:00  bench returns
        Wed 20:00  -> ada over sms: returned bench
        Wed 20:00  -> ben over sms: returned bench
        Wed 20:01  bench starts
        Wed 20:01  -> ada over sms: raised bench
        until Wed 20:02
        """,
    )
    assert len({each.id for each in told}) == len(told)
    for number, each in enumerate(told, 1):
        assert each.id == f"call-{each.found_us // 1_000_000}-{number}"


def test_repeats_reach_who_is_on_call_by_then_and_those_who_were_told() -> None:
    """At 08:00 Ada comes on and is handed over; at 08:50 both are told again."""
    told = story(
        callout_site(climb((0, "rota:tech"), repeat_min=60), rotas=[weekly("ada", "ben")]),
        "2026-06-08",
        """
        Mon 07:50  bench starts
        Mon 07:50  -> ben over sms: raised bench
        Mon 08:00  -> ada over sms: handed-over bench
        Mon 08:50  -> ada over sms: repeated bench
        Mon 08:50  -> ben over sms: repeated bench
        Mon 08:51  ben acknowledges bench
        Mon 08:51  -> ada over sms: taken bench
        until 12:00
        """,
    )
    assert [each.answer for each in told if each.cause is Cause.HANDED_OVER] == ["sensor/bench/laser"]


def test_a_repeat_and_a_hand_over_that_fail_are_tried_over_the_next_way_too() -> None:
    story(
        callout_site(climb((0, "rota:tech"), repeat_min=60), rotas=[weekly("ada", "ben")]),
        "2026-06-08",
        """
        Mon 07:50  bench starts
        Mon 07:50  -> ben over sms: raised bench
        Mon 08:00  -> ada over sms: handed-over bench
        Mon 08:01  sms refuses ada
        Mon 08:01  -> ada over mail: other-way bench
        Mon 08:50  -> ada over sms: repeated bench
        Mon 08:50  -> ben over sms: repeated bench
        Mon 08:52  sms gives up on ada
        Mon 08:52  -> ada over mail: other-way bench
        Mon 08:53  ada acknowledges bench
        Mon 08:53  -> ben over sms: taken bench
        until 12:00
        """,
    )


def test_a_momentary_alarm_is_tried_over_the_next_way_but_not_by_the_next_person() -> None:
    site = callout_site(climb((0, "person:ada"), (5, "person:ben"), priorities=["high"]))
    story(
        site,
        "2026-06-01",
        """
        09:40     needles counts 0
        10:00     needles counts 90000, ended at 09:30
        10:00:02  -> ada over sms: raised needles/0.5um/action
        10:00:30  sms refuses ada
        10:00:30  -> ada over mail: other-way needles/0.5um/action
        10:00:40  mail refuses ada
        until 12:00
        """,
    )
