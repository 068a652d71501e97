"""Stories of hand-over: who comes on duty is told what is open, once; a rota with nobody on it is an alarm."""

from __future__ import annotations

from support.callout_site import callout_site, climb, person, weekly
from support.story import story

# Ada's week begins on Monday 2026-06-08, Ben's on 2026-06-01 and 2026-06-15.
TECH = weekly("ada", "ben")
SILENT = climb((0, "person:cy"), id="rest")


def test_who_comes_on_is_told_what_is_open_and_those_before_stay_told() -> None:
    site = callout_site(climb((0, "rota:tech"), (60, "person:cy")), rotas=[TECH])
    story(
        site,
        "2026-06-08",
        """
        Mon 07:50  bench starts
        Mon 07:50  -> ben over sms: raised bench
        Mon 08:00  -> ada over sms: handed-over bench "You are on call now (Technicians), and this is open."
        Mon 08:10  ada acknowledges bench
        Mon 08:10  -> ben over sms: taken bench
        until 12:00
        """,
    )


def test_what_was_acknowledged_and_is_still_active_is_handed_over_too_in_one_message() -> None:
    site = callout_site(climb((0, "rota:tech"), (60, "person:cy")), rotas=[TECH])
    story(
        site,
        "2026-06-08",
        """
        Mon 07:00  bench starts
        Mon 07:00  -> ben over sms: raised bench
        Mon 07:10  ben acknowledges bench
        Mon 07:50  scale starts
        Mon 07:50  -> ben over sms: raised scale
        Mon 08:00  -> ada over sms: handed-over bench, scale
        Mon 08:30  bench returns
        Mon 08:30  -> ada over sms: returned bench
        Mon 08:30  -> ben over sms: returned bench
        Mon 08:40  ada acknowledges scale
        Mon 08:40  -> ben over sms: taken scale
        until 12:00
        """,
    )


def test_where_nothing_is_open_nobody_is_told_of_the_hand_over() -> None:
    site = callout_site(climb((0, "rota:tech")), rotas=[TECH])
    story(
        site,
        "2026-06-08",
        """
        Mon 07:00  bench starts
        Mon 07:00  -> ben over sms: raised bench
        Mon 07:10  bench returns
        Mon 07:10  -> ben over sms: returned bench
        Mon 09:00  ben acknowledges bench
        until Tue 12:00
        """,
    )


def test_only_alarms_whose_escalation_names_the_rota_are_handed_over() -> None:
    site = callout_site(climb((0, "rota:tech"), priorities=["medium"]), SILENT, rotas=[TECH])
    story(
        site,
        "2026-06-08",
        """
        Mon 07:50  bench starts
        Mon 07:50  -> ben over sms: raised bench
        Mon 07:51  scale starts
        Mon 07:51  -> cy over mail: raised scale
        Mon 08:00  -> ada over sms: handed-over bench
        until 12:00
        """,
    )


def test_who_was_told_by_another_step_already_is_not_told_again() -> None:
    site = callout_site(climb((0, "rota:tech"), (5, "person:ada")), rotas=[TECH])
    story(
        site,
        "2026-06-08",
        """
        Mon 07:50  bench starts
        Mon 07:50  -> ben over sms: raised bench
        Mon 07:55  -> ada over sms: climbed bench
        Mon 08:30  ada acknowledges bench
        Mon 08:30  -> ben over sms: taken bench
        until 12:00
        """,
    )


def test_who_was_told_at_the_hand_over_is_not_told_again_by_a_later_step() -> None:
    """Half past eight is the second step's time, and it names Ada, who knows since 08:00: nobody else is left."""
    site = callout_site(climb((0, "rota:tech"), (40, "person:ada"), (60, "person:cy")), rotas=[TECH])
    story(
        site,
        "2026-06-08",
        """
        Mon 07:50  bench starts
        Mon 07:50  -> ben over sms: raised bench
        Mon 08:00  -> ada over sms: handed-over bench
        Mon 08:50  -> cy over mail: climbed bench
        until 12:00
        """,
    )


def test_cover_in_the_middle_of_a_shift_is_a_hand_over_and_so_is_its_end() -> None:
    """Cy covers for Ben from 12:00 to 14:00. Ben, who comes back, was told before and is not told again."""
    cover = [{"person": "cy", "instead_of": "ben", "start": "2026-06-02T12:00:00", "end": "2026-06-02T14:00:00"}]
    site = callout_site(climb((0, "rota:tech")), rotas=[TECH | {"cover": cover}])
    story(
        site,
        "2026-06-02",
        """
        11:50  bench starts
        11:50  -> ben over sms: raised bench
        12:00  -> cy over mail: handed-over bench
        12:30  scale starts
        12:30  -> cy over mail: raised scale
        14:00  -> ben over sms: handed-over scale
        until 20:00
        """,
    )


def test_nobody_on_call_is_an_alarm_from_that_instant_and_is_told_to_whom_its_own_escalation_names() -> None:
    """The rota has nobody until 08:00; a gap is of medium priority, so Cy hears of it and nobody of needles."""
    begin = weekly("ada", rotation={"members": ["ada"], "first": "2026-06-01"})
    site = callout_site(climb((0, "rota:tech"), (5, "person:dot"), priorities=["high"]), SILENT, rotas=[begin])
    story(
        site,
        "2026-06-01",
        """
        Mon 00:00  ** gap/tech starts
        Mon 00:00  -> cy over mail: raised gap/tech
        Mon 08:00  ** gap/tech returns
        Mon 08:00  -> cy over mail: returned gap/tech
        until 12:00
        """,
    )


def test_who_comes_on_after_a_gap_is_handed_what_is_open() -> None:
    begin = weekly("ada", rotation={"members": ["ada"], "first": "2026-06-01"})
    site = callout_site(climb((0, "rota:tech"), (5, "person:dot"), priorities=["high"]), rotas=[begin])
    story(
        site,
        "2026-06-01",
        """
        Mon 00:00  ** gap/tech starts
        Mon 07:50  needles starts
        Mon 07:50  -> dot over voice: climbed needles
        Mon 07:55  dot acknowledges needles
        Mon 08:00  ** gap/tech returns
        Mon 08:00  -> ada over sms: handed-over needles
        until 12:00
        """,
    )


def test_a_rota_that_no_escalation_names_may_have_nobody() -> None:
    begin = weekly("ada", rotation={"members": ["ada"], "first": "2026-06-01"})
    site = callout_site(climb((0, "person:ben")), rotas=[begin])
    story(
        site,
        "2026-06-01",
        """
        Mon 07:50  bench starts
        Mon 07:50  -> ben over sms: raised bench
        until 12:00
        """,
    )


def test_a_hand_over_in_quiet_hours_waits_for_their_end() -> None:
    """Ada comes on at 08:00 and is quiet until 09:00; the alarm is of medium priority."""
    quiet = {"ada": person("ada", "sms", quiet=["Mon-Sun 22:00-09:00"])}
    site = callout_site(climb((0, "rota:tech")), rotas=[TECH], persons=quiet)
    story(
        site,
        "2026-06-08",
        """
        Mon 07:50  bench starts
        Mon 07:50  -> ben over sms: raised bench
        Mon 09:00  -> ada over sms: handed-over bench "You are on call now (Technicians), and this is open."
        until 12:00
        """,
    )


def test_the_gap_that_ends_by_the_hand_over_is_not_handed_over() -> None:
    """Cy was told of the gap by the second step, the first having nobody; Ada comes on, and by that it is over."""
    begin = weekly("ada", rotation={"members": ["ada"], "first": "2026-06-01"})
    site = callout_site(climb((0, "rota:tech"), (5, "person:cy")), rotas=[begin])
    story(
        site,
        "2026-06-01",
        """
        Mon 00:00  ** gap/tech starts
        Mon 00:00  -> cy over mail: climbed gap/tech
        Mon 07:50  bench starts
        Mon 07:50  -> cy over mail: climbed bench
        Mon 08:00  ** gap/tech returns
        Mon 08:00  -> ada over sms: handed-over bench
        Mon 08:00  -> cy over mail: returned gap/tech
        Mon 08:05  ada acknowledges bench
        Mon 08:05  -> cy over mail: taken bench
        until 12:00
        """,
    )
