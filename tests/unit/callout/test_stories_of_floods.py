"""Stories of many alarms: together at one instant, and floods, of which nothing is dropped."""

from __future__ import annotations

from support.callout_site import callout_site, climb
from support.story import story

FLOOD = {"flood_alarms": 3, "flood_min": 10}
ADA = climb((0, "person:ada"))


def test_alarms_of_one_instant_are_one_message_the_more_urgent_first() -> None:
    story(
        callout_site(ADA),
        "2026-06-01",
        """
        10:00  scale starts
        10:00  bench starts
        10:00  needles starts
        10:00  -> ada over sms: raised needles, bench, scale
        until 10:10
        """,
    )


def test_what_falls_on_one_instant_by_different_steps_is_one_message_the_first_cause_first() -> None:
    """At 10:05 the bench's second step and the start of needles both fall to Ben."""
    site = callout_site(
        climb((0, "person:ada"), (5, "person:ben"), id="a", priorities=["medium"]), climb((0, "person:ben"), id="b")
    )
    story(
        site,
        "2026-06-01",
        """
        10:00  bench starts
        10:00  -> ada over sms: raised bench
        10:05  needles starts
        10:05  -> ben over sms: raised bench, needles
        until 10:10
        """,
    )


def test_from_the_alarm_that_makes_it_a_flood_calls_are_gathered_for_half_a_minute() -> None:
    """More than three within ten minutes: the fourth begins the flood and is told with what follows, as one message."""
    story(
        callout_site(ADA, points=6, callout=FLOOD),
        "2026-06-01",
        """
        10:00     p1 starts
        10:00     -> ada over sms: raised p1
        10:01     p2 starts
        10:01     -> ada over sms: raised p2
        10:02     p3 starts
        10:02     -> ada over sms: raised p3
        10:03     p4 starts
        10:03:10  p5 starts
        10:03:29  p6 starts
        10:03:30  -> ada over sms: many p4, p5, p6 "3 alarms in one message, the first cause first."
        until 11:00
        """,
    )


def test_in_a_flood_an_alarm_of_the_action_level_is_told_like_all_others_and_not_dropped() -> None:
    story(
        callout_site(ADA, points=4, callout=FLOOD | {"nobody_after_min": 600}),
        "2026-06-01",
        """
        10:00     p1 starts
        10:00     -> ada over sms: raised p1
        10:00:01  p2 starts
        10:00:01  -> ada over sms: raised p2
        10:00:02  p3 starts
        10:00:02  -> ada over sms: raised p3
        10:00:03  p4 starts
        10:00:10  needles starts
        10:00:20  scale starts
        10:00:33  -> ada over sms: many p4, needles, scale
        10:00:40  stopper starts
        10:00:45  bench starts
        10:01:10  -> ada over sms: many stopper, bench
        until 11:00
        """,
    )


def test_what_has_returned_while_it_was_gathered_is_told_all_the_same() -> None:
    """p4 has returned by 10:03:20; nobody was told of it before, so its return alone is no news."""
    story(
        callout_site(ADA, points=6, callout=FLOOD),
        "2026-06-01",
        """
        10:00     p1 starts
        10:00     -> ada over sms: raised p1
        10:01     p2 starts
        10:01     -> ada over sms: raised p2
        10:02     p3 starts
        10:02     -> ada over sms: raised p3
        10:03     p4 starts
        10:03:10  p5 starts
        10:03:20  p4 returns
        10:03:30  -> ada over sms: many p4, p5
        until 11:00
        """,
    )


def test_what_was_acknowledged_while_it_was_gathered_needs_nobody_any_more() -> None:
    story(
        callout_site(ADA, points=6, callout=FLOOD),
        "2026-06-01",
        """
        10:00     p1 starts
        10:00     -> ada over sms: raised p1
        10:01     p2 starts
        10:01     -> ada over sms: raised p2
        10:02     p3 starts
        10:02     -> ada over sms: raised p3
        10:03     p4 starts
        10:03:10  p5 starts
        10:03:15  p6 starts
        10:03:20  ben acknowledges p4
        10:03:30  -> ada over sms: many p5, p6
        until 11:00
        """,
    )


def test_the_flood_is_over_when_few_alarms_come_and_calls_are_made_at_once_again() -> None:
    story(
        callout_site(ADA, points=5, callout=FLOOD),
        "2026-06-01",
        """
        10:00     p1 starts
        10:00     -> ada over sms: raised p1
        10:01     p2 starts
        10:01     -> ada over sms: raised p2
        10:02     p3 starts
        10:02     -> ada over sms: raised p3
        10:03     p4 starts
        10:03:30  -> ada over sms: raised p4
        10:20     p5 starts
        10:20     -> ada over sms: raised p5
        until 11:00
        """,
    )


def test_in_a_flood_each_person_gets_one_message_and_each_step_keeps_its_time() -> None:
    site = callout_site(
        climb((0, "person:ada"), (5, "person:ben")), points=5, callout={"flood_alarms": 2, "flood_min": 10}
    )
    story(
        site,
        "2026-06-01",
        """
        10:00     p1 starts
        10:00     -> ada over sms: raised p1
        10:00:01  p2 starts
        10:00:01  -> ada over sms: raised p2
        10:00:02  p3 starts
        10:00:10  p4 starts
        10:00:32  -> ada over sms: many p3, p4
        10:05:30  -> ben over sms: many p1, p2, p3, p4
        until 10:09
        """,
    )


def test_that_somebody_took_it_is_not_told_where_it_wants_somebody_anew_by_then() -> None:
    """News are gathered too: at 10:00:32 the return of p1 and its new start would contradict each other."""
    story(
        callout_site(ADA, points=5, callout={"flood_alarms": 2, "flood_min": 10}),
        "2026-06-01",
        """
        10:00     p1 starts
        10:00     -> ada over sms: raised p1
        10:00:01  p2 starts
        10:00:01  -> ada over sms: raised p2
        10:00:02  p3 starts
        10:00:05  p1 returns
        10:00:07  p2 returns
        10:00:09  p1 starts
        10:00:32  -> ada over sms: many p3, p1
        10:00:35  -> ada over sms: returned p2 "Nobody has acknowledged it yet."
        until 10:09
        """,
    )
