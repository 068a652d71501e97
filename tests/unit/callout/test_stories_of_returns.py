"""Stories of alarms that return, start again, are told again after a while, or were over when they were found."""

from __future__ import annotations

from typing import Any

from support.callout_site import callout_site, climb
from support.story import story

RE_ALARM: dict[str, Any] = {"alarm_rules": [{"kinds": ["sensor-laser"], "re_alarm_min": 30}]}


def test_a_return_ends_the_climb_and_is_told_to_those_who_were_told() -> None:
    story(
        callout_site(),
        "2026-06-01",
        """
        10:00  needles starts
        10:00  -> ada over sms: raised needles
        10:05  -> ben over sms: climbed needles
        10:07  needles returns
        10:07  -> ada over sms: returned needles "Nobody has acknowledged it yet."
        10:07  -> ben over sms: returned needles
        12:00  cy acknowledges needles
        until 14:00
        """,
    )


def test_after_an_acknowledgement_the_return_is_told_to_all_also_to_who_acknowledged() -> None:
    story(
        callout_site(),
        "2026-06-01",
        """
        10:00  needles starts
        10:00  -> ada over sms: raised needles
        10:05  -> ben over sms: climbed needles
        10:06  ben acknowledges needles
        10:06  -> ada over sms: taken needles
        11:00  needles returns
        11:00  -> ada over sms: returned needles
        11:00  -> ben over sms: returned needles
        until 14:00
        """,
    )


def test_each_new_start_is_a_new_climb_from_the_first_step() -> None:
    story(
        callout_site(),
        "2026-06-01",
        """
        10:00  needles starts
        10:00  -> ada over sms: raised needles
        10:05  -> ben over sms: climbed needles
        10:07  needles returns
        10:07  -> ada over sms: returned needles
        10:07  -> ben over sms: returned needles
        10:08  needles starts
        10:08  -> ada over sms: raised needles
        10:13  -> ben over sms: climbed needles
        10:14  ada acknowledges needles
        10:14  -> ben over sms: taken needles
        until 14:00
        """,
    )


def test_a_return_before_the_first_step_is_due_tells_nobody_anything() -> None:
    site = callout_site(climb((2, "person:ada")))
    story(
        site,
        "2026-06-01",
        """
        10:00  needles starts
        10:01  needles returns
        until 14:00
        """,
    )


def test_a_return_at_the_very_instant_of_a_step_is_before_it() -> None:
    """Inputs of an instant come before its deadlines: at 10:05 it has returned, so Ben is not told."""
    story(
        callout_site(),
        "2026-06-01",
        """
        10:00  needles starts
        10:00  -> ada over sms: raised needles
        10:05  needles returns
        10:05  -> ada over sms: returned needles
        until 14:00
        """,
    )


def test_acknowledged_and_still_active_after_its_time_it_is_a_new_climb() -> None:
    story(
        callout_site(**RE_ALARM),
        "2026-06-01",
        """
        10:00  needles starts
        10:00  -> ada over sms: raised needles
        10:05  -> ben over sms: climbed needles
        10:06  ben acknowledges needles
        10:06  -> ada over sms: taken needles
        10:36  -> ada over sms: raised needles "It was acknowledged before, and is still active."
        10:41  -> ben over sms: climbed needles
        10:42  needles returns
        10:42  -> ada over sms: returned needles
        10:42  -> ben over sms: returned needles
        until 14:00
        """,
    )


def test_acknowledged_and_over_before_its_time_it_is_not_told_again() -> None:
    story(
        callout_site(climb((0, "person:ada")), **RE_ALARM),
        "2026-06-01",
        """
        10:00  needles starts
        10:00  -> ada over sms: raised needles
        10:06  ada acknowledges needles
        10:20  needles returns
        10:20  -> ada over sms: returned needles
        until 14:00
        """,
    )


def test_what_was_over_when_it_was_found_is_told_once_and_does_not_climb() -> None:
    """A reading of 09:30 comes after that of 09:40: an excursion that is over. Late readings are gathered for 2 s."""
    site = callout_site(climb((0, "person:ada"), (5, "person:ben"), priorities=["high"]))
    story(
        site,
        "2026-06-01",
        """
        09:40  needles counts 0
        10:00  needles counts 90000, ended at 09:30
        10:00:02  -> ada over sms: raised needles/0.5um/action "It was found late."
        until 14:00
        """,
    )


def test_what_was_over_when_it_was_found_calls_nobody_where_the_first_step_waits() -> None:
    site = callout_site(climb((5, "person:ada"), priorities=["high"]))
    story(
        site,
        "2026-06-01",
        """
        09:40  needles counts 0
        10:00  needles counts 90000, ended at 09:30
        until 14:00
        """,
    )
