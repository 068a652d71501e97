"""The answer page in a real browser, at the size of a phone, by day and by night, with scripts switched off."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from urllib.parse import urlsplit

import pytest

from motewatch.alarms.lifecycle import Event, State
from motewatch.callout.records import Told
from motewatch.engine.records import Act
from support.answering import CALL, T0, TEST_CALL, Ground, answering, step
from support.browser import PHONE, Browser, Tab

pytestmark = pytest.mark.browser

FINGER_PX = 60.0
"""Targets of at least so many CSS pixels each way: the gloved hand wants more than WCAG's 44."""


@pytest.fixture
def ground() -> Iterator[Ground]:
    with answering() as made:
        yield made


def link(ground: Ground, call: Told = CALL) -> str:
    return str(ground.client.base_url.join(f"/{ground.token(call)}"))


def only_asked_for_itself(tab: Tab, url: str) -> None:
    here = urlsplit(url).netloc
    asked = [request for request in tab.requests if not request.endswith(" data:,")]
    assert asked
    assert {urlsplit(request.split(" ", 1)[1]).netloc for request in asked} == {here}
    assert tab.complaints == []


def colour(value: str) -> tuple[int, ...]:
    return tuple(int(part) for part in value.removeprefix("rgb(").removesuffix(")").split(","))


def test_it_is_taken_by_one_touch_without_scrolling(ground: Ground, browser: Browser) -> None:
    tab, url = browser.tab(), link(ground)
    tab.open(url)
    left, top, width, height = tab.box("button.go", scroll=False)
    assert width >= 300
    assert height >= 80
    assert left >= 0
    assert left + width <= PHONE[0]
    assert top + height <= PHONE[1]
    # What it is about is above it on the same screen, as far as the measure.
    assert tab.box(".measure", scroll=False)[1] < top
    assert tab.content_width() <= PHONE[0]
    assert ground.engine.heard == []
    tab.press("button.go")
    (heard,) = ground.engine.heard
    assert heard.act is Act.ACKNOWLEDGE
    assert "You have it" in tab.text()
    only_asked_for_itself(tab, url)


def test_it_is_shelved_with_a_reason_and_not_without(ground: Ground, browser: Browser) -> None:
    tab = browser.tab()
    tab.open(link(ground))
    tab.touch("summary")
    tab.browser.until(lambda: "<details open" in tab.text(), "an open drawer")
    for number in (1, 2, 3):
        assert min(tab.box(f"details button:nth-of-type({number})")[2:]) >= FINGER_PX
    # Without a comment the browser itself does not send it: one POST is all there is in the end.
    tab.touch('button[value="60"]')
    tab.write("textarea", "door seal is being replaced")
    tab.press('button[value="60"]')
    (heard,) = ground.engine.heard
    assert (heard.act, heard.minutes, heard.comment) == (Act.SHELVE, 60, "door seal is being replaced")
    assert "Shelved for 1 hour" in tab.text()
    assert [request.split()[0] for request in tab.requests].count("POST") == 1


def test_going_back_and_pressing_again_changes_nothing(ground: Ground, browser: Browser) -> None:
    tab, url = browser.tab(), link(ground)
    tab.open(url)
    tab.press("button.go")
    tab.open(url)
    tab.press("button.go")
    assert "This link has been used already" in tab.text()
    assert len(ground.engine.answers.used) == 1


def test_a_test_call_is_confirmed(ground: Ground, browser: Browser) -> None:
    tab = browser.tab()
    tab.open(link(ground, TEST_CALL))
    tab.press("button.go")
    assert [heard.act for heard in ground.engine.heard] == [Act.CONFIRM]
    assert "Thank you" in tab.text()


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_its_style_is_let_through_by_its_own_policy_by_day_and_by_night(
    ground: Ground, browser: Browser, tmp_path: Path, dark: bool
) -> None:
    tab, url = browser.tab(dark=dark), link(ground)
    tab.open(url)
    paper, ink = colour(tab.style("html", "background-color")), colour(tab.style("html", "color"))
    assert (max(paper) < 40 < 200 < min(ink)) if dark else (max(ink) < 40 < 200 < min(paper))
    assert tab.style("header", "background-color") == ("rgb(90, 23, 16)" if dark else "rgb(142, 27, 16)")
    assert float(tab.style("button.go", "font-size").removesuffix("px")) >= 24
    only_asked_for_itself(tab, url)
    ground.record.steps.append(
        step(Event.ACKNOWLEDGE, State.UNACKNOWLEDGED, State.ACKNOWLEDGED, by="ben", found_us=T0 - 60_000_000)
    )
    tab.open(url)
    # Calm, and said in words: not by colour alone.
    assert tab.style("header", "background-color") == ("rgb(21, 57, 75)" if dark else "rgb(23, 71, 94)")
    assert "Ben took it at 22:26" in tab.text()
    tab.screenshot(tmp_path / "taken.png")
    assert (tmp_path / "taken.png").read_bytes().startswith(b"\x89PNG")
