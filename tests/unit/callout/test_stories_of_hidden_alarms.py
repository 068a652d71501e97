"""Stories of alarms that are shelved, suppressed, out of service or latched while somebody is being called for them."""

from __future__ import annotations

from typing import Any

from support.callout_site import callout_site, person
from support.story import story

AS_BUILT: dict[str, Any] = {
    "suppressions": [
        {
            "id": "building",
            "reason": "The room is being rebuilt",
            "hides": ["sensor-laser"],
            "rooms": ["fill"],
            "occupancy": ["as-built"],
        }
    ]
}
LATCHED: dict[str, Any] = {"alarm_rules": [{"kinds": ["sensor-laser"], "latched": True}]}


def test_shelving_stops_the_climb_and_its_end_is_a_new_climb_from_the_first_step() -> None:
    story(
        callout_site(),
        "2026-06-01",
        """
        10:00  bench starts
        10:00  -> ada over sms: raised bench
        10:05  -> ben over sms: climbed bench
        10:06  ben shelves bench until 11:00: filter change
        10:06  -> ada over sms: taken bench "Shelved by Ben until 2026-06-01 11:00 CEST: filter change."
        11:00  -> ada over sms: raised bench "Its shelving is over, and it is still active."
        11:05  -> ben over sms: climbed bench
        11:06  ada acknowledges bench
        11:06  -> ben over sms: taken bench
        until 14:00
        """,
    )


def test_what_returned_while_it_was_shelved_calls_nobody() -> None:
    story(
        callout_site(),
        "2026-06-01",
        """
        10:00  bench starts
        10:00  -> ada over sms: raised bench
        10:01  ada shelves bench until 11:00: filter change
        10:30  bench returns
        until 14:00
        """,
    )


def test_an_alarm_that_is_suppressed_by_design_calls_nobody_until_the_suppression_ends() -> None:
    story(
        callout_site(**AS_BUILT),
        "2026-06-01",
        """
        09:00  cy sets fill as-built
        10:00  needles starts
        11:00  cy sets fill operational
        11:00  -> ada over sms: raised needles "What suppressed it is over, and it is still active."
        11:01  ada acknowledges needles
        until 14:00
        """,
    )


def test_a_suppression_that_begins_stops_the_climb_and_says_why() -> None:
    story(
        callout_site(**AS_BUILT),
        "2026-06-01",
        """
        10:00  needles starts
        10:00  -> ada over sms: raised needles
        10:03  cy sets fill as-built
        10:03  -> ada over sms: taken needles "Suppressed by design: The room is being rebuilt."
        until 14:00
        """,
    )


def test_out_of_service_stops_the_climb_and_back_in_service_it_begins_anew() -> None:
    may = ["acknowledge", "remove-from-service"]
    site = callout_site(persons={"dot": person("dot", "voice", may=may)})
    story(
        site,
        "2026-06-01",
        """
        10:00  needles starts
        10:00  -> ada over sms: raised needles
        10:02  dot takes needles out of service: WP-17
        10:02  -> ada over sms: taken needles "Taken out of service by Dot under permit WP-17."
        15:00  dot returns needles to service
        15:00  -> ada over sms: raised needles "It is in service again, and active."
        15:01  ada acknowledges needles
        until 18:00
        """,
    )


def test_a_latched_alarm_has_returned_for_those_who_were_told_and_nothing_follows() -> None:
    reset = {"cy": person("cy", "mail", may=["acknowledge", "reset"])}
    story(
        callout_site(persons=reset, **LATCHED),
        "2026-06-01",
        """
        10:00  needles starts
        10:00  -> ada over sms: raised needles
        10:03  needles returns
        10:03  -> ada over sms: returned needles "It latches: it has to be reset."
        10:30  ada acknowledges needles
        10:31  cy resets needles
        until 14:00
        """,
    )


def test_a_latched_alarm_that_starts_again_is_a_new_climb() -> None:
    story(
        callout_site(**LATCHED),
        "2026-06-01",
        """
        10:00  needles starts
        10:00  -> ada over sms: raised needles
        10:01  ada acknowledges needles
        10:03  needles returns
        10:03  -> ada over sms: returned needles
        10:40  needles starts
        10:40  -> ada over sms: raised needles
        10:45  -> ben over sms: climbed needles
        10:46  ben acknowledges needles
        10:46  -> ada over sms: taken needles
        until 14:00
        """,
    )


def test_shelving_what_was_acknowledged_is_no_news_to_those_who_were_told_twice() -> None:
    """They know that somebody has taken it; when it comes back unacknowledged, they are called again."""
    story(
        callout_site(),
        "2026-06-01",
        """
        10:00  bench starts
        10:00  -> ada over sms: raised bench
        10:01  ben acknowledges bench
        10:01  -> ada over sms: taken bench
        10:02  ben shelves bench until 10:30: filter change
        10:30  -> ada over sms: raised bench
        10:31  ada acknowledges bench
        until 14:00
        """,
    )
