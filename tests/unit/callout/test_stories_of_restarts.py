"""Stories of a service that was away, and of what it heard late. Nobody is pressed for a call that was never made."""

from __future__ import annotations

from support.callout_site import callout_site, climb, person, weekly
from support.story import story


def test_a_step_that_was_due_while_the_service_was_away_is_taken_on_its_return() -> None:
    """Due at 10:05; away from 10:03 to 11:00. The third step was ten minutes after the second, and so it stays."""
    story(
        callout_site(),
        "2026-06-01",
        """
        10:00  needles starts
        10:00  -> ada over sms: raised needles
        11:00  the service is back, away since 10:03
        11:00  -> ben over sms: climbed needles
        11:10  -> cy over mail: climbed needles
        11:10  -> dot over voice: climbed needles
        11:11  dot acknowledges needles
        11:11  -> ada over sms: taken needles
        11:11  -> ben over sms: taken needles
        11:11  -> cy over mail: taken needles
        until 14:00
        """,
    )


def test_what_began_while_the_service_was_away_is_told_on_its_return_and_climbs_from_there() -> None:
    story(
        callout_site(),
        "2026-06-01",
        """
        11:00  the service is back, away since 10:00, and hears: needles starts at 10:20
        11:00  -> ada over sms: raised needles
        11:05  -> ben over sms: climbed needles
        11:06  ben acknowledges needles
        11:06  -> ada over sms: taken needles
        until 14:00
        """,
    )


def test_what_began_and_ended_while_the_service_was_away_is_told_once_on_its_return() -> None:
    story(
        callout_site(),
        "2026-06-01",
        """
        11:00  the service is back, away since 10:00, and hears: needles starts at 10:20, needles returns at 10:40
        11:00  -> ada over sms: raised needles
        until 14:00
        """,
    )


def test_what_began_before_and_ended_while_the_service_was_away_has_returned() -> None:
    story(
        callout_site(),
        "2026-06-01",
        """
        09:58  needles starts
        09:58  -> ada over sms: raised needles
        11:00  the service is back, away since 10:00, and hears: needles returns at 10:40
        11:00  -> ada over sms: returned needles
        until 14:00
        """,
    )


def test_a_short_pause_in_which_nothing_was_due_changes_nothing() -> None:
    story(
        callout_site(),
        "2026-06-01",
        """
        10:00  needles starts
        10:00  -> ada over sms: raised needles
        10:04  the service is back, away since 10:01
        10:05  -> ben over sms: climbed needles
        10:06  ben acknowledges needles
        10:06  -> ada over sms: taken needles
        until 14:00
        """,
    )


def test_the_time_to_answer_the_last_step_begins_with_the_return_too() -> None:
    """Nobody reached was due at 10:20; on the return at 12:00 fifteen minutes are given once more."""
    few = {"ada": person("ada", "sms"), "ben": person("ben", "sms"), "cy": person("cy"), "dot": person("dot")}
    site = callout_site(climb((0, "person:ada"), (5, "person:ben")), persons=few)
    story(
        site,
        "2026-06-01",
        """
        10:00  needles starts
        10:00  -> ada over sms: raised needles
        10:05  -> ben over sms: climbed needles
        12:00  the service is back, away since 10:06
        12:15  ** nobody-reached starts
        12:15  -> ada over sms: nobody-reached needles
        12:15  -> ben over sms: nobody-reached needles
        12:16  ada acknowledges needles
        12:16  ** nobody-reached returns
        12:16  -> ben over sms: taken needles
        until 14:00
        """,
    )


def test_repeats_that_were_missed_are_made_up_by_one() -> None:
    site = callout_site(climb((0, "person:ada"), repeat_min=10))
    story(
        site,
        "2026-06-01",
        """
        10:00  bench starts
        10:00  -> ada over sms: raised bench
        10:10  -> ada over sms: repeated bench
        12:00  the service is back, away since 10:11
        12:00  -> ada over sms: repeated bench
        12:10  -> ada over sms: repeated bench
        12:11  ada acknowledges bench
        until 14:00
        """,
    )


def test_a_hand_over_that_was_missed_is_made_up_on_the_return() -> None:
    site = callout_site(climb((0, "rota:tech")), rotas=[weekly("ada", "ben")])
    story(
        site,
        "2026-06-08",
        """
        Mon 07:50  bench starts
        Mon 07:50  -> ben over sms: raised bench
        Mon 09:00  the service is back, away since 07:55
        Mon 09:00  -> ada over sms: handed-over bench
        Mon 09:01  ada acknowledges bench
        Mon 09:01  -> ben over sms: taken bench
        until 14:00
        """,
    )


def test_an_alarm_that_was_heard_late_climbs_from_when_it_was_known() -> None:
    """The fault is of 09:50, and known at 10:00: who is told at 10:05 has had five minutes, not none."""
    story(
        callout_site(),
        "2026-06-01",
        """
        10:00  needles starts, seen at 09:50
        10:00  -> ada over sms: raised needles
        10:05  -> ben over sms: climbed needles
        10:06  ada acknowledges needles
        10:06  -> ben over sms: taken needles
        until 14:00
        """,
    )
