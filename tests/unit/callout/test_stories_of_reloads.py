"""Stories of a site file that changes while somebody is being called: the climb goes on by the new one."""

from __future__ import annotations

from support.callout_site import callout_site, climb, weekly
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
