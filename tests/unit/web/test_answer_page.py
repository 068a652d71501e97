"""The page behind the link: what it shows, what it hands to the engine, and what it gives away to nobody."""

from __future__ import annotations

import logging
import re
import threading
from base64 import b64encode, urlsafe_b64decode, urlsafe_b64encode
from collections.abc import Callable, Iterator
from dataclasses import replace
from hashlib import sha256
from importlib.resources import files
from typing import Any

import httpx
import pytest

from motewatch.alarms.lifecycle import Event, State
from motewatch.engine.records import Act, Answered, LinksGuessed
from support.answering import ALARM, CALL, FACT, FOUR_HOURS_US, MINUTE_US, T0, TEST_CALL, Ground, answering, step
from support.servers import wait_until


@pytest.fixture
def ground() -> Iterator[Ground]:
    with answering() as made:
        yield made


def title(response: httpx.Response) -> str:
    found = re.search(r"<strong>(.*?)</strong>", response.text)
    assert found is not None
    return found[1]


# ---- looking


def test_the_page_says_what_where_since_when_how_much_and_what_to_do(ground: Ground) -> None:
    response = ground.get()
    assert response.status_code == 200
    for words in (
        "Particles ≥ 0.5 µm above the action level",
        "Filling, needle side",
        "Since 22:05, 22 minutes ago",
        "14\u202f210\u202f/m³",
        "limit 3\u202f520\u202f/m³",
        "4 times the limit",
        "Stop filling and close the line.",
        "HIGH PRIORITY",
        "Nobody has taken it yet",
        "For Ada. This link works once, until Fri 02:27",
        "North works, 22:27 CEST",
    ):
        assert words in response.text, words
    assert response.text.count('<button class="go">I take it</button>') == 1
    assert re.findall(r"Shelve for [^<]+", response.text) == [
        "Shelve for 30 minutes",
        "Shelve for 1 hour",
        "Shelve for 4 hours",
    ]


def test_looking_never_changes_anything(ground: Ground) -> None:
    link = f"/{ground.token()}"
    for method in ("GET", "HEAD"):
        for query in ("", "?act=acknowledge", "?act=shelve&minutes=30&comment=because"):
            assert ground.client.request(method, link + query).status_code == 200
    assert ground.client.request("GET", link, content=b"act=acknowledge").status_code == 200
    for method in ("PUT", "DELETE", "PATCH", "OPTIONS"):
        assert ground.client.request(method, link, data={"act": "acknowledge"}).status_code == 405
    assert ground.engine.heard == []


def test_a_proxy_may_pass_on_the_path_of_the_public_address_or_leave_it_out(ground: Ground) -> None:
    token = ground.token()
    assert ground.client.get(f"/a/{token}").status_code == ground.client.get(f"/{token}").status_code == 200
    assert ground.client.get(f"/b/{token}").status_code == 404
    # The form goes to where the page came from, whatever that is.
    assert 'action=""' in ground.client.get(f"/a/{token}").text


def test_somebody_else_has_taken_it(ground: Ground) -> None:
    ground.record.steps.append(
        step(
            Event.ACKNOWLEDGE,
            State.UNACKNOWLEDGED,
            State.ACKNOWLEDGED,
            by="ben",
            comment="on my way",
            found_us=T0 - 3 * MINUTE_US,
        )
    )
    response = ground.get()
    assert title(response) == "Ben took it at 22:24"
    assert "“on my way”" in response.text
    assert "I take it" not in response.text
    assert "Shelve for 1 hour" in response.text


def test_only_what_the_person_may_do_is_offered(ground: Ground) -> None:
    for_ben = replace(CALL, id="call-2", person="ben")
    ground.record.calls[for_ben.id] = for_ben
    text = ground.get(for_ben).text
    assert "I take it" in text
    assert "Shelve" not in text


def test_a_flood_shows_the_alarm_of_the_link_first(ground: Ground) -> None:
    other = replace(FACT, alarm="b", what="Pressure difference too low", where="Filling to corridor")
    many = replace(CALL, id="call-3", facts=(other, FACT), note="12 alarms in 10 minutes")
    ground.record.calls[many.id] = many
    text = ground.get(many).text
    assert re.findall(r"<h1>(.*?)</h1>", text) == [FACT.what]
    assert "Pressure difference too low" in text
    assert "12 alarms in 10 minutes" in text
    assert "takes every one of them that nobody has" in text
    assert "I take it" in text, "the other alarm is not known to stand"


def test_everything_from_outside_is_escaped(ground: Ground) -> None:
    evil = "<script>alert(1)</script>\"'&"
    nasty = replace(CALL, id="call-4", note=evil, facts=(replace(FACT, what=evil, where=evil, action=evil, unit=evil),))
    ground.record.calls[nasty.id] = nasty
    ground.record.steps.append(step(Event.ACKNOWLEDGE, State.UNACKNOWLEDGED, State.ACKNOWLEDGED, by=evil, comment=evil))
    ground.engine.refuse = evil
    shown = ground.get(nasty).text + ground.press("shelve", nasty, minutes="30", comment=f"why: {evil}").text
    assert "&lt;script&gt;" in shown
    assert "<script" not in shown


# ---- acting


def test_a_press_is_a_command_to_the_engine_and_its_reply_is_shown(ground: Ground) -> None:
    response = ground.press()
    assert (response.status_code, title(response)) == (200, "You have it")
    (heard,) = ground.engine.heard
    assert heard == Answered(heard.id, CALL.id, T0 + FOUR_HOURS_US, "ada", Act.ACKNOWLEDGE, ALARM)
    assert re.fullmatch(r"answer-[0-9a-f]{24}", heard.id)
    # What to do is still there, and nothing to press.
    assert "Stop filling" in response.text
    assert "<button" not in response.text


def test_a_link_is_used_once_and_says_so_politely(ground: Ground) -> None:
    assert ground.press().status_code == 200
    for again in (ground.press(), ground.press("shelve", minutes="30", comment="valve")):
        assert again.status_code == 409
        assert "This link has been used already" in again.text
        assert "nothing was changed now" in again.text
        assert "<button" not in again.text
    # Each press is a command of its own, so that the engine and not an old reply decides.
    assert len({heard.id for heard in ground.engine.heard}) == 3


def test_shelving_needs_a_length_that_is_offered_and_a_reason(ground: Ground) -> None:
    for comment in ("", "  ", "no", "\x00\x01\x02\x03", "x" * 301):
        response = ground.press("shelve", minutes="60", comment=comment)
        assert response.status_code == 422
        assert "write in a few words why" in response.text
        assert "<details open>" in response.text
    ground.clock.go(60)
    for minutes in ("61", "", "-30", "030", "1e9", "60 "):
        assert ground.press("shelve", minutes=minutes, comment="door seal").status_code == 400
    assert ground.press("shelve", comment="door seal").status_code == 400
    assert ground.engine.heard == []
    ground.clock.go(60)
    response = ground.press("shelve", minutes="60", comment=" door seal,\r\nreplaced \x1b[31m now ")
    assert (response.status_code, title(response)) == (200, "Shelved for 1 hour")
    (heard,) = ground.engine.heard
    assert (heard.act, heard.minutes, heard.comment) == (Act.SHELVE, 60, "door seal, replaced [31m now")


def test_what_the_engine_refuses_is_said_and_what_was_written_is_kept(ground: Ground) -> None:
    ground.engine.refuse = "Ada may not shelve"
    response = ground.press("shelve", minutes="60", comment="door <seal>")
    assert response.status_code == 409
    assert "Not done: Ada may not shelve." in response.text
    assert ">door &lt;seal&gt;</textarea>" in response.text
    # Refused is not used: the other button still works.
    ground.engine.refuse = ""
    assert ground.press().status_code == 200


def test_a_test_call_has_one_button(ground: Ground) -> None:
    response = ground.get(TEST_CALL)
    assert title(response) == "Did this call reach you?"
    assert re.findall(r"<button[^>]*>(.*?)</button>", response.text) == ["Yes, it reached me"]
    assert ground.press("acknowledge", TEST_CALL).status_code == 400
    assert ground.press("confirm", CALL).status_code == 400
    assert ground.engine.heard == []
    response = ground.press("confirm", TEST_CALL)
    assert (response.status_code, title(response)) == (200, "Thank you")
    (heard,) = ground.engine.heard
    assert (heard.act, heard.subject, heard.told) == (Act.CONFIRM, "k7m2qx4c", "test-1")


@pytest.mark.parametrize(
    ("body", "kind", "status"),
    [
        (b"act=acknowledge", "text/plain", 400),
        (b'{"act": "acknowledge"}', "application/json", 400),
        (b"act=acknowledge", "", 400),
        (b"", "application/x-www-form-urlencoded", 400),
        (b"act=explode", "application/x-www-form-urlencoded", 400),
        (b"act=acknowledge&act=shelve", "application/x-www-form-urlencoded", 400),
        (b"act=%ff%fe", "application/x-www-form-urlencoded", 400),
        (b"act=\xff", "application/x-www-form-urlencoded", 400),
        (b"&".join(b"f%d=1" % n for n in range(200)) + b"&act=acknowledge", "application/x-www-form-urlencoded", 400),
        (b"act=acknowledge&comment=" + b"x" * 9_000, "application/x-www-form-urlencoded", 413),
    ],
)
def test_a_body_that_is_no_form_of_ours_does_nothing(ground: Ground, body: bytes, kind: str, status: int) -> None:
    headers = {"content-type": kind} if kind else {}
    response = ground.client.post(f"/{ground.token()}", content=body, headers=headers)
    assert response.status_code == status
    assert ground.engine.heard == []


def after_asking(ground: Ground, act: Callable[[], None]) -> threading.Thread:
    """A thread that acts once the engine has been asked."""

    def run() -> None:
        if ground.engine.asked.wait(20):
            act()

    thread = threading.Thread(target=run)
    thread.start()
    return thread


def test_a_reply_that_does_not_come_is_not_waited_for_for_ever() -> None:
    with answering(reply_s=0.2) as ground:
        ground.engine.silent = True
        # The page's clock must pass by itself here: it is moved once the engine has been asked.
        mover = after_asking(ground, lambda: ground.clock.go(1))
        response = ground.press()
        mover.join()
        assert response.status_code == 202
        assert title(response) == "Sent, but not yet confirmed"
        assert "<button" not in response.text


def test_a_stop_does_not_wait_for_the_engine() -> None:
    with answering() as ground:
        ground.engine.silent = True
        stopper = after_asking(ground, ground.page.stop)
        assert ground.press().status_code == 202
        stopper.join()


# ---- those who have no genuine link


def same_but_the_date(response: httpx.Response) -> tuple[int, str, dict[str, str]]:
    return response.status_code, response.text, {k: v for k, v in response.headers.items() if k != "date"}


def test_unknown_forged_and_malformed_are_one_and_the_same(ground: Ground) -> None:
    good = ground.token()
    wrong = {
        "unknown call": ground.token(replace(CALL, id="call-9")),
        "another person": ground.token(replace(CALL, person="ben")),
        "another key": ground.token(key=b"fedcba9876543210" * 2),
        "cut": good[:-2],
        "nonsense": "wp-login.php",
        "expired and forged": ground.token(replace(CALL, person="ben"), until_us=T0),
    }
    answers = {}
    for name, token in wrong.items():
        ground.clock.go(4_000)  # the back-off has its own test
        shown = same_but_the_date(ground.client.get(f"/{token}"))
        posted = same_but_the_date(ground.client.post(f"/{token}", data={"act": "acknowledge"}))
        assert shown == posted, name
        answers[name] = shown
    assert len({str(answer) for answer in answers.values()}) == 1
    status, text, _ = answers["unknown call"]
    assert status == 404
    assert "Filling" not in text
    assert "Ada" not in text
    assert "<form" not in text
    assert ground.engine.heard == []


def test_every_byte_of_a_link_counts(ground: Ground) -> None:
    good = ground.token()
    body = bytearray(urlsafe_b64decode(good + "=" * (-len(good) % 4)))
    for place in range(len(body)):
        changed = bytearray(body)
        changed[place] ^= 0x04
        response = ground.client.post(
            f"/{urlsafe_b64encode(changed).rstrip(b'=').decode()}", data={"act": "acknowledge"}
        )
        assert response.status_code in (404, 429), place
    assert ground.engine.heard == []


def test_it_expires_at_the_very_instant(ground: Ground) -> None:
    ground.clock.wall_us = T0 + FOUR_HOURS_US - 1
    assert ground.get().status_code == 200
    ground.clock.wall_us = T0 + FOUR_HOURS_US
    for response in (ground.get(), ground.press()):
        assert (response.status_code, title(response)) == (410, "This link has expired")
        assert "Filling" not in response.text
    assert ground.engine.heard == []
    # Genuine, so it is no guess.
    assert ground.page.guessed() is None


def test_guessing_becomes_slow_is_counted_and_locks_nobody_out(ground: Ground) -> None:
    def guess() -> httpx.Response:
        return ground.client.get("/AQAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA")

    assert [guess().status_code for _ in range(6)] == [404] * 6
    slowed = guess()
    assert slowed.status_code == 429
    assert int(slowed.headers["retry-after"]) >= 1
    ground.clock.go(1)
    assert guess().status_code == 429
    # The person on call sits behind the same address.
    assert ground.get().status_code == 200
    assert ground.press().status_code == 200
    assert ground.page.guessed() == LinksGuessed(count=8, addresses=1, since_us=T0)
    assert ground.page.guessed() is None


def test_behind_a_proxy_on_this_machine_the_address_is_the_one_it_names(ground: Ground) -> None:
    for number in range(12):
        response = ground.client.get("/AQAA", headers={"x-forwarded-for": f"198.51.100.{number}"})
        assert response.status_code == 404
    assert ground.page.guessed() == LinksGuessed(count=12, addresses=12, since_us=T0)


def test_one_link_is_not_pressed_a_hundred_times_a_minute(ground: Ground) -> None:
    ground.engine.refuse = "no"
    statuses = [ground.press().status_code for _ in range(12)]
    assert statuses == [409] * 10 + [429] * 2
    assert len(ground.engine.heard) == 10
    ground.clock.go(60)
    assert ground.press().status_code == 409


def test_our_own_mishap_is_a_page_that_says_where_else_to_go(ground: Ground, caplog: pytest.LogCaptureFixture) -> None:
    ground.record.broken = True
    response = ground.get()
    assert response.status_code == 500
    assert title(response) == "Something went wrong here"
    assert "at the monitoring station" in response.text
    assert "the disk is gone" not in response.text
    wait_until(lambda: "the disk is gone" in caplog.text, "the trace in the log")


# ---- what travels with every answer


def test_no_link_is_ever_logged(ground: Ground, caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.DEBUG)
    ours = logging.getLogger("httpx").level
    logging.getLogger("httpx").setLevel(logging.WARNING)  # the client's own log is not the page's
    logging.getLogger("httpcore").setLevel(logging.WARNING)
    try:
        tokens = [ground.token(), ground.token(key=b"fedcba9876543210" * 2)]
        for token in tokens:
            ground.client.get(f"/{token}")
            ground.client.post(f"/{token}", data={"act": "acknowledge"})
    finally:
        logging.getLogger("httpx").setLevel(ours)
    for record in caplog.records:
        said = record.getMessage() + str(record.__dict__)
        assert not any(token in said for token in tokens)
    assert any("a wrong link was tried" in record.getMessage() for record in caplog.records)


def test_every_answer_carries_the_headers_of_a_careful_page(ground: Ground) -> None:
    ok = ground.get()
    problems = [
        ground.client.get("/nothing"),
        ground.client.get("/"),
        ground.client.put("/nothing"),
        ground.client.get("/robots.txt"),
        ground.client.post(f"/{ground.token()}", data={"act": "acknowledge", "x": "x" * 10_000}),
    ]
    assert [one.status_code for one in problems] == [404, 404, 405, 200, 413]
    for response in (ok, *problems):
        headers = response.headers
        policy = headers["content-security-policy"]
        assert policy.startswith("default-src 'none'; style-src 'sha256-")
        assert "unsafe" not in policy
        assert "http" not in policy
        assert "form-action 'self'" in policy
        assert "frame-ancestors 'none'" in policy
        assert headers["cache-control"] == "no-store"
        assert headers["referrer-policy"] == "no-referrer"
        assert headers["x-content-type-options"] == "nosniff"
        assert "noindex" in headers["x-robots-tag"]
        assert "server" not in headers
    assert problems[3].text == "User-agent: *\nDisallow: /\n"


def test_the_page_asks_for_nothing_and_its_style_is_the_one_that_is_allowed(ground: Ground) -> None:
    response = ground.get()
    (style,) = re.findall(r"<style>(.*?)</style>", response.text, re.DOTALL)
    digest = b64encode(sha256(style.encode()).digest()).decode()
    assert f"style-src 'sha256-{digest}'" in response.headers["content-security-policy"]
    assert (
        re.findall(r"https?:|//|@import|url\(|<script|<img|<iframe|javascript:| style=| on[a-z]+=", response.text) == []
    )
    assert re.findall(r'href="([^"]*)"', response.text) == ["data:,"]


# ---- can it be read?


def luminance(colour: str) -> float:
    """Relative luminance of `#rrggbb` (WCAG 2.2)."""
    parts = [int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5)]
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    """Contrast ratio of two colours (WCAG 2.2)."""
    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_the_arithmetic_of_contrast() -> None:
    assert contrast("#ffffff", "#000000") == pytest.approx(21.0)
    # From the standard's own understanding pages: this grey on white is just enough.
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.01)


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_contrast_is_enough_by_day_and_by_night(dark: bool) -> None:
    """WCAG 2.2 AA: 4.5 for text, 3 for the parts of controls and figures. (The mark on the bar is edged in paper.)"""
    css = (files("motewatch.web") / "templates" / "style.css").read_text("utf-8")
    blocks = re.findall(r":root \{(.*?)\}", css, re.DOTALL)
    assert len(blocks) == 2
    colours: dict[str, Any] = dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6});", blocks[1 if dark else 0]))
    texts = [
        ("ink", "paper"), ("soft", "paper"), ("ink", "card"), ("soft", "card"), ("alarm-ink", "alarm"),
        ("calm-ink", "calm"), ("go-ink", "go"), ("aside-ink", "aside"),
    ]  # fmt: skip
    parts = [("line", "paper"), ("go", "paper"), ("over", "paper"), ("over", "track"), ("under", "track"),
             ("ink", "track"), ("ink", "paper")]  # fmt: skip
    poor = [
        f"{a} on {b}: {contrast(colours[a], colours[b]):.2f}"
        for pairs, enough in ((texts, 4.5), (parts, 3.0))
        for a, b in pairs
        if contrast(colours[a], colours[b]) < enough
    ]
    assert poor == []
