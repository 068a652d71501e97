"""Whatever people wrote into names, places and comments: a call keeps its shape, and none of it becomes ours."""

from __future__ import annotations

from dataclasses import replace
from html.parser import HTMLParser
from zoneinfo import ZoneInfo

from hypothesis import given
from hypothesis import strategies as st

from motewatch.callout.records import Cause, Fact, Told
from motewatch.links.call_message import Names, one_line
from motewatch.links.call_short import LONGEST, places
from motewatch.links.call_text import render
from support.calls import CALL

LINK = "https://air.example.org/a/AQabcdEfGhIjKlMnOpQrStUvWxYz0123456789"
# All of Unicode, half letters included, and what would break headers, lines and tags.
NASTY = st.sampled_from(
    ["\r\nBcc: x@example.org", "</div><img src=https://x.example/>", "=?utf-8?q?=0ABcc:?=", "\u2028"]
)
WORDS = st.lists(st.one_of(st.text(st.characters(codec=None), max_size=40), NASTY), max_size=4).map("".join)
FIGURES = st.none() | st.floats()
FACTS = st.builds(
    Fact,
    alarm=st.sampled_from(["location/a/0.5um/action", "sensor/b/silent"]),
    priority=st.sampled_from(["low", "medium", "high", ""]),
    state=st.sampled_from(["unacknowledged", "normal", "a-state-of-tomorrow"]),
    what=WORDS,
    where=WORDS,
    since_us=st.integers(0, 4_102_444_800_000_000),
    value=FIGURES,
    limit=FIGURES,
    unit=st.sampled_from(["/m3", "Pa", "%", ""]),
    action=WORDS,
)
CALLS = st.builds(
    lambda cause, facts, note, urgent, answer: replace(
        CALL, cause=cause, facts=tuple(facts), note=note, urgent=urgent, answer=answer
    ),
    st.sampled_from(Cause),
    st.lists(FACTS, max_size=4),
    WORDS,
    st.booleans(),
    st.sampled_from(["", "location/a/0.5um/action", "test/k7m2"]),
)
ZONES = st.sampled_from(["Europe/Berlin", "America/Sao_Paulo", "Asia/Kathmandu", "UTC"]).map(ZoneInfo)


def letter(text: str) -> str:
    """One letter where there is something to say."""
    return "x" if one_line(text) else ""


class Tags(HTMLParser):
    """The tags of a page, where they point, and the text between them."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.targets: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.targets += [value or "" for name, value in attrs if name in ("href", "src", "background", "action")]


@given(CALLS, WORDS, WORDS, st.sampled_from([None, LINK]), ZONES)
def test_a_call_keeps_its_shape(told: Told, person: str, site: str, link: str | None, zone: ZoneInfo) -> None:
    message = render(told, Names("hall-3", site, {"ada": person}), link, zone)
    for line in (message.subject, message.short, message.name, message.note, message.site_name):
        assert len(line.splitlines()) <= 1
        assert all(char.isprintable() or char in "\u202f\u00a0\u2009" or char > "\x9f" for char in line)
    assert places(message.short) <= LONGEST
    message.text.encode()
    # No line came from a line break that somebody wrote: there are as many as with one letter in its place.
    assert len(message.text.splitlines()) == message.text.count("\n")
    calm = replace(
        told,
        note=letter(told.note),
        facts=tuple(
            replace(each, what=letter(each.what), where=letter(each.where), action=letter(each.action))
            for each in told.facts
        ),
    )
    plain = render(calm, Names("hall-3", "x", {"ada": "x"}), link, zone)
    assert message.text.count("\n") == plain.text.count("\n")
    assert message.html is not None
    page = Tags()
    page.feed(message.html)
    assert not {"img", "script", "link", "iframe", "form", "object"} & {*page.tags}
    assert page.targets == ([LINK] if link and told.answer else [])
    assert message.html.count("url(") == message.html.count("@import") == 0
    assert message == render(told, Names("hall-3", site, {"ada": person}), link, zone)
