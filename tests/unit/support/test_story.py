"""The harness of the stories must notice what it promises to notice, and say it legibly."""

from __future__ import annotations

import pytest

from support.callout_site import callout_site, climb
from support.story import story

SITE = callout_site(climb((0, "person:ada"), (5, "person:ben")))


def test_a_story_that_goes_another_way_fails_with_both_timelines() -> None:
    with pytest.raises(AssertionError) as caught:
        story(
            SITE,
            "2026-06-01",
            """
            10:00  needles starts
            10:00  -> ada over mail: raised needles
            10:05  -> ben over sms: climbed needles
            10:06  ben acknowledges needles
            until 10:10
            """,
        )
    lines = [line.rstrip() for line in str(caught.value).splitlines() if " | " in line]
    assert lines[1:] == [
        "  Mon 10:00 CEST  needles starts                   | Mon 10:00 CEST  needles starts",
        "> Mon 10:00 CEST  -> ada over mail: raised needles | Mon 10:00 CEST  -> ada over sms: raised needles",
        "  Mon 10:05 CEST  -> ben over sms: climbed needles | Mon 10:05 CEST  -> ben over sms: climbed needles",
        "  Mon 10:06 CEST  ben acknowledges needles         | Mon 10:06 CEST  ben acknowledges needles",
        ">                                                  | Mon 10:06 CEST  -> ada over sms: taken needles",
    ]


def test_a_sentence_is_compared_where_the_story_gives_one() -> None:
    with pytest.raises(AssertionError, match=r'taken needles "Acknowledged by Ben\."'):
        story(
            SITE,
            "2026-06-01",
            """
            10:00  needles starts
            10:00  -> ada over sms: raised needles
            10:01  ben acknowledges needles
            10:01  -> ada over sms: taken needles "Acknowledged by Cy."
            until 10:10
            """,
        )


@pytest.mark.parametrize(
    ("day", "line", "message"),
    [
        ("2026-10-25", "02:30 needles starts", "comes twice on 2026-10-25"),
        ("2026-03-29", "02:30 needles starts", "does not exist on 2026-03-29"),
        ("2026-10-25", "12:00 CEST needles starts", "does not exist on 2026-10-25"),
        ("2026-06-01", "needles starts", "no local time at the begin"),
        ("2026-06-01", "10:00 needles explodes", "nothing like this can happen"),
        ("2026-06-01", "10:00 sms refuses ada", "no call to ada over sms waits"),
    ],
)
def test_what_is_no_story_is_said(day: str, line: str, message: str) -> None:
    with pytest.raises(AssertionError, match=message):
        story(SITE, day, f"{line}\nuntil 23:00")


def test_a_story_has_an_end_and_runs_forward() -> None:
    with pytest.raises(AssertionError, match="ends with"):
        story(SITE, "2026-06-01", "10:00 needles starts")
    with pytest.raises(AssertionError, match="earlier than the line before"):
        story(SITE, "2026-06-01", "10:00 needles starts\n09:00 bench starts\nuntil 11:00")
