"""Stories of who is called for what, and of who may take an alarm over."""

from __future__ import annotations

from support.callout_site import callout_site, climb, person
from support.story import story

WATCHER = {"ben": person("ben", "sms", may=["shelve"])}


def test_who_may_not_acknowledge_does_not_stop_the_climb() -> None:
    story(
        callout_site(persons=WATCHER),
        "2026-06-01",
        """
        10:00  needles starts
        10:00  -> ada over sms: raised needles
        10:05  -> ben over sms: climbed needles
        10:06  ben acknowledges needles
        10:06  !! refused
        10:15  -> cy over mail: climbed needles
        10:15  -> dot over voice: climbed needles
        10:16  cy acknowledges needles
        10:16  -> ada over sms: taken needles
        10:16  -> ben over sms: taken needles
        10:16  -> dot over voice: taken needles
        until 14:00
        """,
    )


def test_anyone_entitled_stops_it_also_who_was_not_called() -> None:
    story(
        callout_site(),
        "2026-06-01",
        """
        10:00  needles starts
        10:00  -> ada over sms: raised needles
        10:01  dot acknowledges needles: I stand beside it
        10:01  -> ada over sms: taken needles "Acknowledged by Dot: I stand beside it."
        until 14:00
        """,
    )


def test_who_acknowledges_by_name_is_known_by_it_and_not_told_of_it() -> None:
    story(
        callout_site(),
        "2026-06-01",
        """
        10:00  needles starts
        10:00  -> ada over sms: raised needles
        10:05  -> ben over sms: climbed needles
        10:06  Ben acknowledges needles
        10:06  -> ada over sms: taken needles "Acknowledged by Ben."
        until 14:00
        """,
    )


def test_the_first_escalation_that_fits_priority_and_area_is_taken_and_no_other() -> None:
    site = callout_site(
        climb((0, "person:ada"), id="high", priorities=["high"]),
        climb((0, "person:ben"), id="north", areas=["north"]),
        climb((0, "person:cy"), id="low-north", priorities=["low", "medium"], areas=["north", "south"]),
    )
    story(
        site,
        "2026-06-01",
        """
        10:00  needles starts
        10:00  -> ada over sms: raised needles
        10:01  bench starts
        10:01  -> ben over sms: raised bench
        10:02  scale starts
        10:02  -> cy over mail: raised scale
        until 10:10
        """,
    )


def test_what_no_escalation_takes_calls_nobody() -> None:
    """The broker belongs to no area, scale to the other."""
    site = callout_site(climb((0, "person:ben"), areas=["north"]))
    story(
        site,
        "2026-06-01",
        """
        10:00  scale starts
        10:01  the broker is lost
        10:02  bench starts
        10:02  -> ben over sms: raised bench
        until 10:50
        """,
    )


def test_an_alarm_without_an_area_is_taken_by_an_escalation_for_every_area() -> None:
    story(
        callout_site(),
        "2026-06-01",
        """
        10:00  the broker is lost
        10:00  -> ada over sms: raised broker
        10:03  the broker is back
        10:03  -> ada over sms: returned broker
        until 10:50
        """,
    )


def test_a_second_acknowledgement_changes_nothing() -> None:
    story(
        callout_site(),
        "2026-06-01",
        """
        10:00  needles starts
        10:00  -> ada over sms: raised needles
        10:01  ada acknowledges needles
        10:02  ben acknowledges needles
        10:02  !! refused
        until 10:50
        """,
    )


def test_one_press_on_the_link_takes_every_alarm_of_the_call_and_the_others_hear_it_once() -> None:
    story(
        callout_site(),
        "2026-06-01",
        """
        10:00  needles starts
        10:00  bench starts
        10:00  -> ada over sms: raised needles, bench
        10:05  -> ben over sms: climbed needles, bench
        10:06  ben answers by the link: on my way
        10:06  -> ada over sms: taken needles, bench "Acknowledged by Ben: on my way."
        until 10:50
        """,
    )


def test_a_link_takes_nothing_the_second_time_and_nothing_that_came_after_its_call() -> None:
    story(
        callout_site(climb((0, "person:ada"), (5, "person:ben")), callout={"nobody_after_min": 600}),
        "2026-06-01",
        """
        10:00  needles starts
        10:00  -> ada over sms: raised needles
        10:05  -> ben over sms: climbed needles
        10:06  ben answers by the link
        10:06  -> ada over sms: taken needles
        10:20  needles returns
        10:20  -> ada over sms: returned needles
        10:20  -> ben over sms: returned needles
        10:30  needles starts
        10:30  -> ada over sms: raised needles
        10:31  ben answers by the link
        10:31  !! refused
        10:35  -> ben over sms: climbed needles
        10:36  ada answers by the link
        10:36  -> ben over sms: taken needles
        until 10:50
        """,
    )


def test_the_link_of_one_who_may_not_acknowledge_does_not_stop_the_climb() -> None:
    story(
        callout_site(persons=WATCHER),
        "2026-06-01",
        """
        10:00  bench starts
        10:00  -> ada over sms: raised bench
        10:05  -> ben over sms: climbed bench
        10:06  ben answers by the link
        10:06  !! refused
        10:15  -> cy over mail: climbed bench
        10:15  -> dot over voice: climbed bench
        10:16  ada answers by the link
        10:16  -> ben over sms: taken bench
        10:16  -> cy over mail: taken bench
        10:16  -> dot over voice: taken bench
        until 10:50
        """,
    )
