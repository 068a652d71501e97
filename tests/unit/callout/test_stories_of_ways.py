"""Stories of ways that fail: the same person's next way is tried at once, then the next step, which does not wait."""

from __future__ import annotations

from support.callout_site import callout_site, climb
from support.story import story


def test_a_refused_way_is_followed_by_the_next_at_once() -> None:
    story(
        callout_site(),
        "2026-06-01",
        """
        10:00     needles starts
        10:00     -> ada over sms: raised needles
        10:00:20  sms refuses ada
        10:00:20  -> ada over mail: other-way needles
        10:00:25  mail reaches ada
        10:04     ada acknowledges needles
        until 12:00
        """,
    )


def test_one_that_could_not_be_delivered_for_too_long_is_given_up_and_the_climb_goes_on_beside_it() -> None:
    """The step after five minutes is taken as ever; what was given up is tried over mail though others know by now."""
    story(
        callout_site(),
        "2026-06-01",
        """
        10:00  needles starts
        10:00  -> ada over sms: raised needles
        10:05  -> ben over sms: climbed needles
        10:08  sms gives up on ada
        10:08  -> ada over mail: other-way needles
        10:09  ben acknowledges needles
        10:09  -> ada over mail: taken needles
        until 12:00
        """,
    )


def test_where_no_way_works_the_next_step_does_not_wait() -> None:
    """Three seconds in place of five minutes; the third step keeps its own time."""
    story(
        callout_site(),
        "2026-06-01",
        """
        10:00     needles starts
        10:00     -> ada over sms: raised needles
        10:00:02  sms refuses ada
        10:00:02  -> ada over mail: other-way needles
        10:00:03  mail refuses ada
        10:00:03  -> ben over sms: climbed needles "Could not be reached: Ada."
        10:15     -> cy over mail: climbed needles
        10:15     -> dot over voice: climbed needles
        10:16     dot acknowledges needles
        10:16     -> ben over sms: taken needles
        10:16     -> cy over mail: taken needles
        until 12:00
        """,
    )


def test_a_step_of_two_waits_as_long_as_one_of_them_can_be_reached() -> None:
    site = callout_site(climb((0, "team:leads"), (10, "person:ben")))
    story(
        site,
        "2026-06-01",
        """
        10:00  needles starts
        10:00  -> cy over mail: raised needles
        10:00  -> dot over voice: raised needles
        10:01  mail refuses cy
        10:02  voice refuses dot
        10:02  -> dot over mail: other-way needles
        10:10  -> ben over sms: climbed needles
        10:11  ben acknowledges needles
        10:11  -> dot over mail: taken needles
        until 12:00
        """,
    )


def test_a_step_of_two_that_both_fail_does_not_wait() -> None:
    site = callout_site(climb((0, "team:leads"), (10, "person:ben")))
    story(
        site,
        "2026-06-01",
        """
        10:00  needles starts
        10:00  -> cy over mail: raised needles
        10:00  -> dot over voice: raised needles
        10:01  mail refuses cy
        10:02  voice refuses dot
        10:02  -> dot over mail: other-way needles
        10:03  mail refuses dot
        10:03  -> ben over sms: climbed needles
        10:11  ben acknowledges needles
        until 12:00
        """,
    )


def test_a_failure_after_somebody_acknowledged_calls_nobody_else() -> None:
    story(
        callout_site(),
        "2026-06-01",
        """
        10:00  needles starts
        10:00  -> ada over sms: raised needles
        10:02  ben acknowledges needles
        10:02  -> ada over sms: taken needles
        10:03  sms gives up on ada
        10:03  sms gives up on ada
        until 12:00
        """,
    )


def test_news_goes_over_the_way_that_worked_last_and_is_not_tried_over_another() -> None:
    story(
        callout_site(),
        "2026-06-01",
        """
        10:00  needles starts
        10:00  -> ada over sms: raised needles
        10:01  sms refuses ada
        10:01  -> ada over mail: other-way needles
        10:02  mail reaches ada
        10:03  ben acknowledges needles
        10:03  -> ada over mail: taken needles
        10:04  mail refuses ada
        10:30  needles returns
        10:30  -> ada over mail: returned needles
        until 12:00
        """,
    )


def test_the_next_alarm_begins_with_the_first_way_again() -> None:
    """The order of ways is the person's own; that mail worked last counts for news only."""
    story(
        callout_site(),
        "2026-06-01",
        """
        10:00  needles starts
        10:00  -> ada over sms: raised needles
        10:01  sms refuses ada
        10:01  -> ada over mail: other-way needles
        10:02  mail reaches ada
        10:03  ada acknowledges needles
        10:04  stopper starts
        10:04  -> ada over sms: raised stopper
        10:05  ada acknowledges stopper
        until 12:00
        """,
    )


def test_a_failed_call_about_two_alarms_goes_on_for_the_one_that_still_wants_somebody() -> None:
    story(
        callout_site(),
        "2026-06-01",
        """
        10:00  needles starts
        10:00  bench starts
        10:00  -> ada over sms: raised needles, bench
        10:01  ben acknowledges bench
        10:01  -> ada over sms: taken bench
        10:02  sms refuses ada
        10:02  -> ada over mail: other-way needles
        10:03  ben acknowledges needles
        10:03  -> ada over mail: taken needles
        until 12:00
        """,
    )
