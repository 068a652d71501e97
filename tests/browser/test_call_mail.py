"""The page of a call's mail in a real browser: at a phone's width, by day and by night, asking for nothing outside."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from motewatch.callout.records import Cause, Told
from support.browser import PHONE, Browser, Tab
from support.calls import CALL, FACT, message

pytestmark = pytest.mark.browser

LONG = replace(
    FACT,
    alarm="location/" + "x" * 60 + "/0.5um/action",
    what="Ä" * 120,
    where="W" * 90,
    action="Stop filling, close the line and call the shift lead. " * 8,
)


def opened(browser: Browser, folder: Path, told: Told, *, dark: bool = False) -> Tab:
    html = message(**{name: getattr(told, name) for name in ("cause", "facts", "note", "answer", "urgent")}).html
    path = folder / "call.html"
    path.write_text(str(html), encoding="utf-8")
    tab = browser.tab(dark=dark)
    tab.open(path.as_uri())
    return tab


def luminance(value: str) -> float:
    """Of a computed colour, after WCAG 2."""
    parts = [int(part) / 255 for part in value.split("(")[1].rstrip(")").split(",")[:3]]
    red, green, blue = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(tab: Tab, words: str, ground: str) -> float:
    """Of the words of one element on the ground of another."""
    first, second = luminance(tab.style(words, "color")), luminance(tab.style(ground, "background-color"))
    return (max(first, second) + 0.05) / (min(first, second) + 0.05)


@pytest.mark.parametrize("dark", [False, True], ids=["day", "night"])
def test_it_is_read_at_arms_length_by_day_and_by_night(browser: Browser, tmp_path: Path, dark: bool) -> None:
    tab = opened(browser, tmp_path, replace(CALL, cause=Cause.CLIMBED), dark=dark)
    assert (luminance(tab.style("body", "background-color")) < 0.1) == dark
    for words, ground in (
        ("h1", "body"), (".where", "body"), (".value", "body"), (".soft", "body"), (".foot", "body"),
        (".band", ".band"), (".card h2", ".card"), (".card p", ".card"), ("code", ".card"), (".go", ".go"),
    ):  # fmt: skip
        assert contrast(tab, words, ground) >= 4.5, (words, ground)
    left, top, width, height = tab.box(".go", scroll=False)
    assert width >= 300
    assert height >= 60
    assert left >= 0
    assert left + width <= PHONE[0]
    # All that matters is on the first screen.
    assert top + height <= PHONE[1]


@pytest.mark.parametrize("cause", [Cause.RAISED, Cause.MANY, Cause.TAKEN, Cause.TEST])
def test_it_loads_nothing_and_never_scrolls_sideways(browser: Browser, tmp_path: Path, cause: Cause) -> None:
    facts = () if cause is Cause.TEST else (LONG, *(replace(LONG, alarm=f"{LONG.alarm}/{n}") for n in range(30)))
    tab = opened(browser, tmp_path, replace(CALL, cause=cause, facts=facts, note="N" * 300))
    assert tab.content_width() <= PHONE[0]
    assert tab.requests == [f"GET {(tmp_path / 'call.html').as_uri()}"]
    assert tab.complaints == []
