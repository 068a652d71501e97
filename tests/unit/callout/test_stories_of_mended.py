"""Stories of what a review found: each fails on the engine before it was mended."""

from __future__ import annotations

from support.callout_site import callout_site, climb, person
from support.story import story


def test_where_all_who_were_told_are_gone_whoever_the_steps_name_by_now_is_told() -> None:
    def team(*members: str) -> list[dict[str, object]]:
        return [{"id": "leads", "name": "Leads", "members": list(members)}]

    one = climb((0, "team:leads"))
    new = callout_site(one, teams=team("ben"))
    new["persons"] = [each for each in new["persons"] if each["id"] != "ada"]
    story(
        callout_site(one, teams=team("ada")),
        "2026-06-01",
        """
        10:00  bench starts
        10:00  -> ada over sms: raised bench
        10:02  the site file changes: ben
        10:02  -> ben over sms: raised bench
        until 14:00
        """,
        changes={"ben": new},
    )


def test_repeats_that_the_new_file_asks_for_begin_though_all_steps_were_taken() -> None:
    story(
        callout_site(climb((0, "person:ada"))),
        "2026-06-01",
        """
        10:00  bench starts
        10:00  -> ada over sms: raised bench
        10:02  the site file changes: repeat
        10:32  -> ada over sms: repeated bench
        10:33  ada acknowledges bench
        until 14:00
        """,
        changes={"repeat": callout_site(climb((0, "person:ada"), repeat_min=30))},
    )


def test_that_a_call_of_before_fails_says_nothing_of_the_alarm_that_began_anew() -> None:
    story(
        callout_site(climb((0, "person:ben"), (10, "person:cy"))),
        "2026-06-01",
        """
        10:00  bench starts
        10:00  -> ben over sms: raised bench
        10:01  bench returns
        10:01  -> ben over sms: returned bench
        10:02  bench starts
        10:02  -> ben over sms: raised bench
        10:04  sms gives up on ben
        10:12  -> cy over mail: climbed bench
        10:13  cy acknowledges bench
        10:13  -> ben over sms: taken bench
        until 14:00
        """,
    )


def test_whoever_was_called_before_hears_in_a_flood_that_it_was_taken() -> None:
    """The repeat of 10:06 is still being gathered for Ada, who has known of bench since 10:00."""
    story(
        callout_site(
            climb((0, "person:ada"), (1, "person:ben"), repeat_min=5),
            points=2,
            callout={"flood_alarms": 2, "flood_min": 10},
        ),
        "2026-06-01",
        """
        10:00     bench starts
        10:00     -> ada over sms: raised bench
        10:01     -> ben over sms: climbed bench
        10:05:50  p1 starts
        10:05:50  -> ada over sms: raised p1
        10:05:55  p2 starts
        10:06:10  ben acknowledges bench
        10:06:25  -> ada over sms: raised p2
        10:06:40  -> ada over sms: taken bench
        until 10:06:45
        """,
    )


def test_that_it_was_taken_is_told_though_the_file_changes_while_that_is_gathered() -> None:
    """A shelved alarm has no case any more; those who were told of it still hear."""
    site = callout_site(climb((0, "person:ada")), points=2, callout={"flood_alarms": 2, "flood_min": 10})
    story(
        site,
        "2026-06-01",
        """
        10:00     bench starts
        10:00     -> ada over sms: raised bench
        10:01     p1 starts
        10:01     -> ada over sms: raised p1
        10:02     p2 starts
        10:02:10  ben shelves bench until 12:00: work on it
        10:02:20  the site file changes: same
        10:02:30  -> ada over sms: raised p2
        10:02:40  -> ada over sms: taken bench
        until 10:03
        """,
        changes={"same": site},
    )


def test_a_next_way_that_a_new_file_takes_away_while_it_is_gathered_is_not_the_end() -> None:
    """In a flood a call over the second way waits: the way that is left is tried, and then it climbs."""
    flood = {"flood_alarms": 2, "flood_min": 10}
    ladder = climb((0, "person:ada"), (30, "person:ben"))
    new = callout_site(ladder, persons={"ada": person("ada", "voice")}, points=2, callout=flood)
    story(
        callout_site(ladder, points=2, callout=flood),
        "2026-06-01",
        """
        10:00     bench starts
        10:00     p1 starts
        10:00     -> ada over sms: raised bench, p1
        10:00:30  p2 starts
        10:00:35  sms refuses ada
        10:00:40  the site file changes: other
        10:01:00  -> ada over voice: raised p2
        10:01:05  -> ada over voice: many bench, p1
        10:01:10  voice refuses ada
        10:01:20  voice refuses ada
        10:01:40  -> ben over sms: many bench, p1, p2
        until 10:01:45
        """,
        changes={"other": new},
    )
