"""Stories of nobody: what happens when all steps were taken, or there was nobody to take them with."""

from __future__ import annotations

from support.callout_site import callout_site, climb, person, weekly
from support.story import story


def test_fifteen_minutes_after_the_last_step_everybody_is_told_over_every_way() -> None:
    site = callout_site(climb((0, "person:ada"), (5, "person:ben")))
    story(
        site,
        "2026-06-01",
        """
        10:00  needles starts
        10:00  -> ada over sms: raised needles
        10:05  -> ben over sms: climbed needles
        10:20  ** nobody-reached starts
        10:20  -> ada over sms: nobody-reached needles
        10:20  -> ada over mail: nobody-reached needles
        10:20  -> ben over sms: nobody-reached needles
        10:20  -> cy over mail: nobody-reached needles
        10:20  -> dot over voice: nobody-reached needles
        10:20  -> dot over mail: nobody-reached needles
        10:25  cy acknowledges needles
        10:25  ** nobody-reached returns
        10:25  -> ada over sms: taken needles
        10:25  -> ada over mail: taken needles
        10:25  -> ben over sms: taken needles
        10:25  -> dot over voice: taken needles
        10:25  -> dot over mail: taken needles
        until 20:00
        """,
    )


def test_where_everyone_failed_nobody_is_waited_for() -> None:
    site = callout_site(
        climb((0, "person:ben"), (30, "person:cy")), persons={"ada": person("ada"), "dot": person("dot")}
    )
    story(
        site,
        "2026-06-01",
        """
        10:00     needles starts
        10:00     -> ben over sms: raised needles
        10:00:10  sms refuses ben
        10:00:10  -> cy over mail: climbed needles
        10:00:20  mail refuses cy
        10:00:20  ** nobody-reached starts
        10:00:20  -> ben over sms: nobody-reached needles
        10:00:20  -> cy over mail: nobody-reached needles
        10:10     needles returns
        10:10     ** nobody-reached returns
        10:10     -> ben over sms: returned needles
        10:10     -> cy over mail: returned needles
        until 20:00
        """,
    )


def test_everybody_means_also_those_in_their_quiet_hours() -> None:
    quiet = {"cy": person("cy", "mail", quiet=["Mon-Sun 20:00-06:00"]), "ada": person("ada"), "dot": person("dot")}
    site = callout_site(climb((0, "person:ben")), persons=quiet)
    story(
        site,
        "2026-06-01",
        """
        23:00     needles starts
        23:00     -> ben over sms: raised needles
        23:00:10  sms refuses ben
        23:00:10  ** nobody-reached starts
        23:00:10  -> ben over sms: nobody-reached needles
        23:00:10  -> cy over mail: nobody-reached needles
        23:05     cy acknowledges needles
        23:05     ** nobody-reached returns
        23:05     -> ben over sms: taken needles
        until Tue 20:00
        """,
    )


def test_silence_about_what_is_not_urgent_is_not_nobody_reached() -> None:
    """Only an alarm of high priority that nobody answers wakes the house; bench stands until somebody looks."""
    site = callout_site(climb((0, "person:ada"), (5, "person:ben")))
    story(
        site,
        "2026-06-01",
        """
        23:00  bench starts
        23:00  -> ada over sms: raised bench
        23:05  -> ben over sms: climbed bench
        Tue 08:00  ben acknowledges bench
        Tue 08:00  -> ada over sms: taken bench
        until Tue 20:00
        """,
    )


def test_cases_that_join_are_told_together_a_quarter_of_an_hour_later() -> None:
    few = {"ada": person("ada"), "ben": person("ben", "sms"), "cy": person("cy", "mail"), "dot": person("dot")}
    site = callout_site(climb((0, "person:ben")), persons=few)
    story(
        site,
        "2026-06-01",
        """
        10:00  needles starts
        10:00  -> ben over sms: raised needles
        10:15  ** nobody-reached starts
        10:15  -> ben over sms: nobody-reached needles
        10:15  -> cy over mail: nobody-reached needles
        10:16  stopper starts
        10:16  -> ben over sms: raised stopper
        10:17  sms refuses ben
        10:18  sms refuses ben
        10:19  sms refuses ben
        10:34  -> ben over sms: nobody-reached needles, stopper
        10:34  -> cy over mail: nobody-reached needles, stopper
        10:40  cy acknowledges needles
        10:40  -> ben over sms: taken needles
        10:41  cy acknowledges stopper
        10:41  ** nobody-reached returns
        10:41  -> ben over sms: taken stopper
        until 20:00
        """,
    )


def test_it_is_over_when_the_last_such_alarm_is_and_begins_anew_with_the_next() -> None:
    few = {"ada": person("ada"), "ben": person("ben", "sms"), "cy": person("cy"), "dot": person("dot")}
    site = callout_site(climb((0, "person:ben")), persons=few)
    story(
        site,
        "2026-06-01",
        """
        10:00  needles starts
        10:00  -> ben over sms: raised needles
        10:15  ** nobody-reached starts
        10:15  -> ben over sms: nobody-reached needles
        10:20  needles returns
        10:20  ** nobody-reached returns
        10:20  -> ben over sms: returned needles
        11:00  needles starts
        11:00  -> ben over sms: raised needles
        11:15  ** nobody-reached starts
        11:15  -> ben over sms: nobody-reached needles
        11:16  ben acknowledges needles
        11:16  ** nobody-reached returns
        until 20:00
        """,
    )


def test_a_step_that_names_nobody_does_not_wait() -> None:
    """The rota begins next year: nobody is on call, so the second step is taken at once."""
    later = weekly("ada", rotation={"members": ["ada"], "first": "2027-01-04"})
    site = callout_site(
        climb((0, "rota:tech"), (30, "person:ben"), id="high", priorities=["high"]), rotas=[later], persons={}
    )
    story(
        site,
        "2026-06-01",
        """
        00:00  ** gap/tech starts
        10:00  needles starts
        10:00  -> ben over sms: climbed needles
        10:05  ben acknowledges needles
        until 20:00
        """,
    )


def test_a_gap_in_every_step_is_nobody_at_once() -> None:
    few = {"ada": person("ada", "sms"), "ben": person("ben"), "cy": person("cy"), "dot": person("dot")}
    later = weekly("ada", rotation={"members": ["ada"], "first": "2027-01-04"})
    site = callout_site(climb((5, "rota:tech"), id="high", priorities=["high"]), rotas=[later], persons=few)
    story(
        site,
        "2026-06-01",
        """
        00:00  ** gap/tech starts
        10:00  needles starts
        10:05  ** nobody-reached starts
        10:05  -> ada over sms: nobody-reached needles
        10:06  ada acknowledges needles
        10:06  ** nobody-reached returns
        until 20:00
        """,
    )


def test_repeats_go_on_beside_it_until_somebody_acknowledges() -> None:
    few = {"ada": person("ada", "sms"), "ben": person("ben"), "cy": person("cy", "mail"), "dot": person("dot")}
    site = callout_site(climb((0, "person:ada"), repeat_min=10), persons=few)
    story(
        site,
        "2026-06-01",
        """
        10:00  needles starts
        10:00  -> ada over sms: raised needles
        10:10  -> ada over sms: repeated needles
        10:15  ** nobody-reached starts
        10:15  -> ada over sms: nobody-reached needles
        10:15  -> cy over mail: nobody-reached needles
        10:20  -> ada over sms: repeated needles
        10:20  -> cy over mail: repeated needles
        10:25  cy acknowledges needles
        10:25  ** nobody-reached returns
        10:25  -> ada over sms: taken needles
        until 20:00
        """,
    )


def test_the_alarm_that_nobody_was_reached_is_not_escalated_and_may_be_acknowledged_by_itself() -> None:
    few = {"ada": person("ada", "sms"), "ben": person("ben"), "cy": person("cy"), "dot": person("dot")}
    site = callout_site(climb((0, "person:ada")), persons=few)
    story(
        site,
        "2026-06-01",
        """
        10:00  needles starts
        10:00  -> ada over sms: raised needles
        10:15  ** nobody-reached starts
        10:15  -> ada over sms: nobody-reached needles
        10:16  ada acknowledges nobody-reached
        10:16  ** nobody-reached acknowledge
        10:20  ada acknowledges needles
        10:20  ** nobody-reached returns
        until 20:00
        """,
    )


def test_that_it_is_over_is_told_over_each_way_over_which_a_person_was_told_and_that_did_not_fail() -> None:
    """Whatever a call has opened somewhere, such as a ticket, is closed there."""
    persons = {"ben": person("ben", "voice"), "cy": person("cy"), "dot": person("dot")}
    story(
        callout_site(climb((0, "person:ada")), persons=persons),
        "2026-06-01",
        """
        10:00  needles starts
        10:00  -> ada over sms: raised needles
        10:15  ** nobody-reached starts
        10:15  -> ada over sms: nobody-reached needles
        10:15  -> ada over mail: nobody-reached needles
        10:15  -> ben over voice: nobody-reached needles
        10:16  sms reaches ada
        10:16  mail gives up on ada
        10:16  voice refuses ben
        10:20  needles returns
        10:20  ** nobody-reached returns
        10:20  -> ada over sms: returned needles
        10:20  -> ben over voice: returned needles
        until 12:00
        """,
    )


def test_a_repeat_at_the_instant_at_which_nobody_was_reached_is_one_message_with_that() -> None:
    persons = {"ada": person("ada", "sms"), "cy": person("cy"), "dot": person("dot")}
    story(
        callout_site(climb((0, "person:ada"), repeat_min=5), persons=persons),
        "2026-06-01",
        """
        10:00  needles starts
        10:00  -> ada over sms: raised needles
        10:05  -> ada over sms: repeated needles
        10:10  -> ada over sms: repeated needles
        10:15  ** nobody-reached starts
        10:15  -> ada over sms: nobody-reached needles
        10:15  -> ben over sms: nobody-reached needles
        10:20  -> ada over sms: repeated needles
        10:20  -> ben over sms: repeated needles
        10:21  ada acknowledges needles
        10:21  ** nobody-reached returns
        10:21  -> ben over sms: taken needles
        until 12:00
        """,
    )


def test_a_repeat_that_is_still_gathered_is_not_told_after_nobody_was_reached() -> None:
    persons = {"ada": person("ada", "sms"), "ben": person("ben"), "cy": person("cy"), "dot": person("dot")}
    story(
        callout_site(
            climb((0, "person:ada"), repeat_min=15),
            persons=persons,
            points=2,
            callout={"flood_alarms": 2, "flood_min": 10, "nobody_after_min": 15},
        ),
        "2026-06-01",
        """
        10:00     needles starts
        10:00     -> ada over sms: raised needles
        10:14     p1 starts
        10:14     -> ada over sms: raised p1
        10:14:50  p2 starts
        10:14:50  -> ada over sms: raised p2
        10:14:52  stopper starts
        10:15     ** nobody-reached starts
        10:15     -> ada over sms: nobody-reached needles
        10:15:22  -> ada over sms: raised stopper
        until 10:16
        """,
    )
