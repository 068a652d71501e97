"""Stories of quiet hours: only what is of high priority wakes anybody; the rest waits, while the climb goes on."""

from __future__ import annotations

from support.callout_site import callout_site, climb, person
from support.story import story

QUIET = {
    "ada": person("ada", "sms", quiet=["Mon-Sun 22:00-06:00"]),
    "ben": person("ben", "sms", quiet=["Mon-Sun 23:00-07:00"]),
}


def test_a_call_waits_for_the_end_of_the_quiet_hours_and_the_climb_goes_on() -> None:
    """Ben is told as by the steps; Ada, whose hours end at 06:00, is told then, because nobody has acknowledged."""
    site = callout_site(climb((0, "person:ada"), (5, "person:cy")), persons=QUIET)
    story(
        site,
        "2026-06-01",
        """
        Mon 23:10  bench starts
        Mon 23:15  -> cy over mail: climbed bench
        Tue 06:00  -> ada over sms: raised bench
        Tue 06:20  ada acknowledges bench
        Tue 06:20  -> cy over mail: taken bench
        until 12:00
        """,
    )


def test_high_priority_wakes_at_once() -> None:
    site = callout_site(climb((0, "person:ada"), (5, "person:ben")), persons=QUIET)
    story(
        site,
        "2026-06-01",
        """
        Mon 23:10  needles starts
        Mon 23:10  -> ada over sms: raised needles
        Mon 23:12  ada acknowledges needles
        until Tue 12:00
        """,
    )


def test_what_was_acknowledged_before_the_morning_wakes_nobody_and_is_no_news_to_who_was_not_told() -> None:
    site = callout_site(climb((0, "person:ada"), (5, "person:cy")), persons=QUIET)
    story(
        site,
        "2026-06-01",
        """
        Mon 23:10  bench starts
        Mon 23:15  -> cy over mail: climbed bench
        Mon 23:40  cy acknowledges bench
        Tue 06:30  bench returns
        Tue 06:30  -> cy over mail: returned bench
        until 12:00
        """,
    )


def test_what_returned_before_the_morning_is_not_told_in_the_morning() -> None:
    site = callout_site(climb((0, "person:ada")), persons=QUIET)
    story(
        site,
        "2026-06-01",
        """
        Mon 23:10  bench starts
        Tue 02:00  bench returns
        Tue 05:00  scale starts
        Tue 06:00  -> ada over sms: raised scale
        until 12:00
        """,
    )


def test_two_who_are_quiet_are_told_when_the_hours_of_each_end() -> None:
    """Both steps were taken in the night; Ada is told as the first step's, Ben as the second's."""
    site = callout_site(climb((0, "person:ada"), (5, "person:ben")), persons=QUIET)
    story(
        site,
        "2026-06-01",
        """
        Mon 23:10  scale starts
        Tue 06:00  -> ada over sms: raised scale
        Tue 07:00  -> ben over sms: climbed scale
        Tue 07:30  ada acknowledges scale
        Tue 07:30  -> ben over sms: taken scale
        until 12:00
        """,
    )


def test_at_the_end_of_quiet_hours_everything_that_waited_is_one_message() -> None:
    site = callout_site(climb((0, "person:ada")), persons=QUIET)
    story(
        site,
        "2026-06-01",
        """
        Mon 22:30  scale starts
        Tue 01:00  bench starts
        Tue 06:00  -> ada over sms: raised scale, bench
        until 12:00
        """,
    )


def test_the_first_and_the_last_instant_of_quiet_hours() -> None:
    """At 22:00 they have begun, at 06:00 they are over."""
    site = callout_site(climb((0, "person:ada")), persons=QUIET)
    story(
        site,
        "2026-06-01",
        """
        Mon 21:59:59  scale starts
        Mon 21:59:59  -> ada over sms: raised scale
        Mon 22:00     bench starts
        Tue 06:00     -> ada over sms: raised bench
        Tue 06:00:01  ada acknowledges bench
        Tue 06:01     bench returns
        Tue 06:01     -> ada over sms: returned bench
        Tue 06:02     bench starts
        Tue 06:02     -> ada over sms: raised bench
        until 12:00
        """,
    )


def test_on_the_night_the_clock_goes_forward_the_quiet_hours_are_an_hour_shorter() -> None:
    site = callout_site(climb((0, "person:ada"), repeat_min=60), persons=QUIET)
    story(
        site,
        "2026-03-28",
        """
        Sat 23:00 CET   bench starts
        Sun 06:00 CEST  -> ada over sms: raised bench
        Sun 06:10 CEST  ada acknowledges bench
        until 12:00
        """,
    )


def test_a_repeat_that_falls_into_quiet_hours_is_not_made_in_them() -> None:
    site = callout_site(climb((0, "person:ada"), repeat_min=60), persons=QUIET)
    story(
        site,
        "2026-06-01",
        """
        Mon 20:30  bench starts
        Mon 20:30  -> ada over sms: raised bench
        Mon 21:30  -> ada over sms: repeated bench
        Tue 06:30  -> ada over sms: repeated bench
        Tue 06:40  ada acknowledges bench
        until 12:00
        """,
    )
