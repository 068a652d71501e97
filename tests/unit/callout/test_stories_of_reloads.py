"""Stories of a site file that changes while somebody is being called: the climb goes on by the new one."""

from __future__ import annotations

from typing import Any

from support.callout_site import callout_site, climb, person, weekly
from support.story import story


def test_who_is_on_a_later_step_by_the_new_file_is_told() -> None:
    site = callout_site(climb((0, "person:ada"), (5, "person:ben")))
    story(
        site,
        "2026-06-01",
        """
        10:00  bench starts
        10:00  -> ada over sms: raised bench
        10:02  the site file changes: cy for ben
        10:05  -> cy over mail: climbed bench
        10:06  cy acknowledges bench
        10:06  -> ada over sms: taken bench
        until 14:00
        """,
        changes={"cy for ben": callout_site(climb((0, "person:ada"), (5, "person:cy")))},
    )


def test_a_shorter_wait_that_has_passed_already_is_due_at_once() -> None:
    site = callout_site(climb((0, "person:ada"), (60, "person:ben")))
    story(
        site,
        "2026-06-01",
        """
        10:00  bench starts
        10:00  -> ada over sms: raised bench
        10:20  the site file changes: faster
        10:20  -> ben over sms: climbed bench
        until 14:00
        """,
        changes={"faster": callout_site(climb((0, "person:ada"), (5, "person:ben")))},
    )


def test_without_escalations_nobody_is_called_any_more() -> None:
    story(
        callout_site(),
        "2026-06-01",
        """
        10:00  needles starts
        10:00  -> ada over sms: raised needles
        10:02  the site file changes: nobody
        10:30  stopper starts
        until 14:00
        """,
        changes={"nobody": callout_site(escalations=[])},
    )


def test_with_the_first_escalation_what_stands_unacknowledged_is_told() -> None:
    """bench was acknowledged before, and needles was not."""
    story(
        callout_site(escalations=[]),
        "2026-06-01",
        """
        10:00  needles starts
        10:01  bench starts
        10:02  ada acknowledges bench
        10:30  the site file changes: usual
        10:30  -> ada over sms: raised needles
        10:35  -> ben over sms: climbed needles
        10:36  ada acknowledges needles
        10:36  -> ben over sms: taken needles
        until 14:00
        """,
        changes={"usual": callout_site()},
    )


def test_the_same_file_once_more_tells_nobody_anything_twice() -> None:
    story(
        callout_site(),
        "2026-06-01",
        """
        10:00  needles starts
        10:00  -> ada over sms: raised needles
        10:02  the site file changes: same
        10:05  -> ben over sms: climbed needles
        10:06  the site file changes: same
        10:07  ada acknowledges needles
        10:07  -> ben over sms: taken needles
        10:08  the site file changes: same
        until 14:00
        """,
        changes={"same": callout_site()},
    )


def test_a_place_that_is_no_longer_in_the_file_has_returned() -> None:
    without = callout_site()
    for table, key in (("sensors", "id"), ("locations", "id"), ("rationalisation", "location")):
        without[table] = [each for each in without[table] if each[key] != "needles"]
    story(
        callout_site(),
        "2026-06-01",
        """
        10:00  needles starts
        10:00  -> ada over sms: raised needles
        10:02  the site file changes: without needles
        10:02  -> ada over sms: returned needles
        until 14:00
        """,
        changes={"without needles": without},
    )


def test_somebody_else_put_on_the_rota_by_the_new_file_is_handed_what_is_open() -> None:
    site = callout_site(climb((0, "rota:tech")), rotas=[weekly("ben")])
    story(
        site,
        "2026-06-01",
        """
        10:00  bench starts
        10:00  -> ben over sms: raised bench
        10:02  the site file changes: ada
        10:02  -> ada over sms: handed-over bench
        10:03  ada acknowledges bench
        10:03  -> ben over sms: taken bench
        until 14:00
        """,
        changes={"ada": callout_site(climb((0, "rota:tech")), rotas=[weekly("ada")])},
    )


def test_who_is_no_longer_in_the_file_is_not_told_that_it_was_taken() -> None:
    without = callout_site(climb((0, "person:ada"), (15, "team:leads")))
    without["persons"] = [each for each in without["persons"] if each["id"] != "ben"]
    story(
        callout_site(),
        "2026-06-01",
        """
        10:00  bench starts
        10:00  -> ada over sms: raised bench
        10:05  -> ben over sms: climbed bench
        10:06  the site file changes: without ben
        10:15  -> cy over mail: climbed bench
        10:15  -> dot over voice: climbed bench
        10:16  dot acknowledges bench
        10:16  -> ada over sms: taken bench
        10:16  -> cy over mail: taken bench
        until 14:00
        """,
        changes={"without ben": without},
    )


def test_where_its_escalation_is_gone_another_one_that_fits_is_climbed_from_the_first_step() -> None:
    """Ada was told already and is not told again; the waits count from the change."""
    story(
        callout_site(),
        "2026-06-01",
        """
        10:00  bench starts
        10:00  -> ada over sms: raised bench
        10:02  the site file changes: other
        10:02  -> cy over mail: raised bench
        10:12  -> dot over voice: climbed bench
        10:13  dot acknowledges bench
        10:13  -> ada over sms: taken bench
        10:13  -> cy over mail: taken bench
        until 14:00
        """,
        changes={"other": callout_site(climb((0, "person:ada person:cy"), (10, "person:dot"), id="other"))},
    )


def test_another_way_to_a_person_is_used_from_then_on() -> None:
    story(
        callout_site(),
        "2026-06-01",
        """
        10:00  bench starts
        10:00  -> ada over sms: raised bench
        10:02  the site file changes: voice
        10:05  -> ben over voice: climbed bench
        10:06  ben acknowledges bench
        10:06  -> ada over voice: taken bench
        until 14:00
        """,
        changes={"voice": callout_site(persons={"ada": person("ada", "voice"), "ben": person("ben", "voice")})},
    )


def test_a_quiet_hour_that_the_new_file_ends_earlier_ends_earlier() -> None:
    def quiet(until: str) -> dict[str, Any]:
        return {"ada": person("ada", "sms", quiet=[f"Mon-Sun 22:00-{until}"])}

    one = climb((0, "person:ada"))
    story(
        callout_site(one, persons=quiet("08:00")),
        "2026-06-01",
        """
        Mon 23:00  bench starts
        Tue 01:00  the site file changes: until six
        Tue 06:00  -> ada over sms: raised bench
        until 14:00
        """,
        changes={"until six": callout_site(one, persons=quiet("06:00"))},
    )


def test_quiet_hours_that_the_new_file_no_longer_has_are_over() -> None:
    one = climb((0, "person:ada"))
    story(
        callout_site(one, persons={"ada": person("ada", "sms", quiet=["Mon-Sun 22:00-06:00"])}),
        "2026-06-01",
        """
        Mon 23:00  bench starts
        Tue 01:00  the site file changes: never quiet
        Tue 01:00  -> ada over sms: raised bench
        until 14:00
        """,
        changes={"never quiet": callout_site(one)},
    )


def test_a_step_put_in_before_those_that_were_taken_is_taken_and_tells_whom_it_names() -> None:
    """At 10:07 the second step names Cy; the third, of 10:15, tells nobody before its time."""
    story(
        callout_site(climb((0, "person:ada"), (5, "person:ben"), (15, "person:dot"))),
        "2026-06-01",
        """
        10:00  bench starts
        10:00  -> ada over sms: raised bench
        10:05  -> ben over sms: climbed bench
        10:07  the site file changes: cy too
        10:07  -> cy over mail: climbed bench
        10:15  -> dot over voice: climbed bench
        until 14:00
        """,
        changes={
            "cy too": callout_site(
                climb((0, "person:ada"), (2, "person:cy"), (5, "person:ben"), (15, "person:dot")),
            )
        },
    )


def test_an_alarm_that_is_over_is_not_climbed_by_a_new_file() -> None:
    story(
        callout_site(climb((0, "person:ada"), priorities=["high"])),
        "2026-06-01",
        """
        09:40     needles counts 0
        10:00     needles counts 90000, ended at 09:30
        10:00:02  -> ada over sms: raised needles/0.5um/action
        10:10     the site file changes: ben
        until 14:00
        """,
        changes={"ben": callout_site(climb((0, "person:ben"), id="other", priorities=["high"]))},
    )


def test_when_nobody_was_reached_counts_from_the_last_step_of_the_new_file() -> None:
    """By the old file it would have been at 10:15."""
    few = {"ada": person("ada", "sms"), "ben": person("ben", "sms"), "cy": person("cy"), "dot": person("dot")}
    story(
        callout_site(climb((0, "person:ada")), persons=few),
        "2026-06-01",
        """
        10:00  needles starts
        10:00  -> ada over sms: raised needles
        10:10  the site file changes: ben too
        10:20  -> ben over sms: climbed needles
        10:35  ** nobody-reached starts
        10:35  -> ada over sms: nobody-reached needles
        10:35  -> ben over sms: nobody-reached needles
        10:36  ben acknowledges needles
        10:36  ** nobody-reached returns
        10:36  -> ada over sms: taken needles
        until 14:00
        """,
        changes={"ben too": callout_site(climb((0, "person:ada"), (20, "person:ben")), persons=few)},
    )
