"""Stories of nights, of windows of the week, and of the two nights a year on which the clock is changed."""

from __future__ import annotations

from support.callout_site import callout_site, climb, person, weekly
from support.story import story


def test_the_second_acknowledges_the_second_time_that_the_clock_shows_2_20() -> None:
    """The waits are real time: 45 minutes after 01:58 it is 02:43 for the first time, and 02:20 comes after that."""
    site = callout_site(climb((0, "person:ada"), (45, "person:ben")), callout={"nobody_after_min": 60})
    story(
        site,
        "2026-10-25",
        """
        Sun 01:58       needles starts
        Sun 01:58       -> ada over sms: raised needles
        Sun 02:43 CEST  -> ben over sms: climbed needles "Told before, without acknowledgement: Ada."
        Sun 02:20 CET   ben acknowledges needles: on my way
        Sun 02:20 CET   -> ada over sms: taken needles "Acknowledged by Ben: on my way."
        until 08:00
        """,
    )


def test_when_the_clock_goes_forward_the_wait_is_five_minutes_all_the_same() -> None:
    story(
        callout_site(),
        "2026-03-29",
        """
        Sun 01:58 CET   needles starts
        Sun 01:58 CET   -> ada over sms: raised needles
        Sun 03:03 CEST  -> ben over sms: climbed needles
        Sun 03:05 CEST  ada acknowledges needles
        Sun 03:05 CEST  -> ben over sms: taken needles
        until 08:00
        """,
    )


def test_repeats_go_on_through_the_hour_that_comes_twice() -> None:
    site = callout_site(climb((0, "person:ada"), repeat_min=30), callout={"nobody_after_min": 600})
    story(
        site,
        "2026-10-25",
        """
        Sun 01:40       bench starts
        Sun 01:40       -> ada over sms: raised bench
        Sun 02:10 CEST  -> ada over sms: repeated bench
        Sun 02:40 CEST  -> ada over sms: repeated bench
        Sun 02:10 CET   -> ada over sms: repeated bench
        Sun 02:40 CET   -> ada over sms: repeated bench
        Sun 02:45 CET   ben acknowledges bench
        Sun 02:45 CET   -> ada over sms: taken bench
        until 08:00
        """,
    )


def test_the_night_shift_of_25_hours_is_handed_over_at_eight() -> None:
    """Ada comes on at 08:00 on Saturday and is on for 25 hours: the day has one more."""
    rota = weekly("ada", "ben", rotation={"members": ["ada", "ben"], "first": "2026-10-22", "shift_days": 1})
    story(
        callout_site(climb((0, "rota:tech")), rotas=[rota]),
        "2026-10-24",
        """
        Sat 08:30      scale starts
        Sat 08:30      -> ada over sms: raised scale
        Sun 07:59 CET  bench starts
        Sun 07:59 CET  -> ada over sms: raised bench
        Sun 08:00 CET  -> ben over sms: handed-over scale, bench
        Sun 08:10      ben acknowledges scale
        Sun 08:10      -> ada over sms: taken scale
        Sun 08:11      ben acknowledges bench
        Sun 08:11      -> ada over sms: taken bench
        until 12:00
        """,
    )


def test_at_night_another_escalation_is_taken_and_kept_after_the_night() -> None:
    """The instant of the start decides: what started at night climbs as at night, also when it is day by then."""
    site = callout_site(
        climb((0, "person:ada"), (15, "person:ben"), id="night", during=["Mon-Sun 22:00-06:00"]),
        climb((0, "person:cy"), (15, "person:dot"), id="day"),
        callout={"nobody_after_min": 600},
    )
    story(
        site,
        "2026-06-01",
        """
        Mon 21:59:59  scale starts
        Mon 21:59:59  -> cy over mail: raised scale
        Mon 22:00     bench starts
        Mon 22:00     -> ada over sms: raised bench
        Mon 22:14:59  -> dot over voice: climbed scale
        Mon 22:15     -> ben over sms: climbed bench
        Tue 05:50     needles starts
        Tue 05:50     -> ada over sms: raised needles
        Tue 06:00     stopper starts
        Tue 06:00     -> cy over mail: raised stopper
        Tue 06:05     -> ben over sms: climbed needles
        Tue 06:15     -> dot over voice: climbed stopper
        until 07:00
        """,
    )


def test_in_another_zone_the_night_of_the_clock_is_another() -> None:
    """New York sets back a week after Berlin; windows and local times are the site's."""
    quiet = {"ada": person("ada", "sms", quiet=["Mon-Sun 22:00-06:00"])}
    site = callout_site(climb((0, "person:ada")), zone="America/New_York", persons=quiet)
    story(
        site,
        "2026-10-31",
        """
        Sat 23:00      scale starts
        Sun 06:00 EST  -> ada over sms: raised scale
        until 09:00
        """,
    )
