"""Every page of the console in a real browser: axe finds nothing, nothing is asked for elsewhere, a keyboard is enough.

New pages are covered by themselves (`support.proof`). Screenshots stay in the folder that the last line of each test's
output names (`pytest -s`), or in MOTEWATCH_SCREENSHOTS.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path
from typing import Any, Final
from urllib.parse import urlsplit

import pytest

from motewatch.web.access.roles import Role
from motewatch.web.console.app import ROUTES
from support.browser import Browser, Tab
from support.proof import NOT_PAGES, Ground, proof_ground

pytestmark = [pytest.mark.browser, pytest.mark.broker]

SIZES: Final = {"phone": (360, 740), "desk": (1366, 768), "wall": (3840, 2160)}

AXE: Final = (files("axe_playwright_python") / "axe.min.js").read_text("utf-8")

LOOK: Final = """axe.run(document, %s).then((found) => found.violations.map((one) =>
  one.id + ": " + one.help + " | " + one.nodes.slice(0, 3).map((node) => node.html.slice(0, 200)).join(" | ")))"""

STOPS: Final = """(() => { const all = [...document.querySelectorAll(
    "a[href], button, input:not([type=hidden]), select, textarea, summary, [tabindex='0']")]
  .filter((e) => !e.disabled && e.checkVisibility({visibilityProperty: true}))
  .filter((e) => e.type !== "radio" || e === e.form.querySelector(`[name="${e.name}"]:checked`)
    || (!e.form.querySelector(`[name="${e.name}"]:checked`) && e === e.form.querySelector(`[name="${e.name}"]`)));
  all.forEach((e, i) => { e.dataset.stop = String(i); }); return all.length; })()"""
"""How many places a keyboard has to reach; each is given its number."""

SEEN: Final = """(() => { const e = document.activeElement, s = getComputedStyle(e);
  return [e.dataset.stop ?? "", s.outlineStyle !== "none" && parseFloat(s.outlineWidth) >= 2]; })()"""

MOST_STOPS: Final = 60


@pytest.fixture(scope="module")
def ground(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Ground]:
    with proof_ground(tmp_path_factory.mktemp("proof")) as made:
        yield made


@pytest.fixture(scope="module")
def shots(tmp_path_factory: pytest.TempPathFactory) -> Path:
    named = os.environ.get("MOTEWATCH_SCREENSHOTS")
    folder = Path(named) if named else tmp_path_factory.mktemp("screenshots")
    folder.mkdir(parents=True, exist_ok=True)
    return folder


def pages(ground: Ground) -> list[tuple[str, str, Role]]:
    """(name for a file, address, who asks) of everything that answers a GET with a page."""
    found = [("sign-in", "/sign-in", Role.VIEWER)]
    for rule in ROUTES:
        person = ground.asker(rule)
        if "GET" not in rule.methods or rule.path in NOT_PAGES or person is None:
            continue
        role = next(role for role, each in ground.people.items() if each is person)
        for number, address in enumerate(ground.addresses(rule.path)):
            answer = person.http.get(address)
            assert answer.status_code < 500, address
            if answer.status_code < 400 and answer.headers["content-type"].startswith("text/html"):
                name = re.sub(r"\W+", "-", rule.path).strip("-") or "now"
                found.append((f"{name}-{number}" if number else name, address, role))
    return found


def shown(tab: Tab, ground: Ground, address: str, role: Role) -> None:
    """Open the page as this user."""
    tab.call("Network.clearBrowserCookies", {})
    if address != "/sign-in":
        tab.call("Network.setCookie", ground.cookie(ground.people[role]))
    tab.requests.clear()
    tab.complaints.clear()
    tab.open(f"{ground.url}{address}")


def dark(tab: Tab, wanted: bool) -> None:
    value = "dark" if wanted else "light"
    tab.call("Emulation.setEmulatedMedia", {"features": [{"name": "prefers-color-scheme", "value": value}]})


@pytest.mark.parametrize("size", SIZES)
def test_no_page_has_a_fault_that_axe_finds_and_none_asks_elsewhere(
    ground: Ground, browser: Browser, shots: Path, size: str
) -> None:
    faults: list[str] = []
    tab = browser.tab(size=SIZES[size], scripts=True)
    if size == "phone":
        tab.call("Emulation.setTouchEmulationEnabled", {"enabled": True})
    for name, address, role in pages(ground):
        dark(tab, False)
        shown(tab, ground, address, role)
        said = [f"{size} {address}: {one}" for one in tab.complaints]
        elsewhere = {urlsplit(request.split(" ", 1)[1]).netloc for request in tab.requests} - {
            urlsplit(ground.url).netloc
        }
        said += [f"{size} {address}: asks {one}" for one in elsewhere if one]
        if tab.evaluate("document.getElementById('injected') !== null"):
            said.append(f"{size} {address}: a name became markup")
        width: Any = tab.evaluate("innerWidth")
        if tab.content_width() > width + 1:
            said.append(f"{size} {address}: {tab.content_width():g} wide")
        tab.screenshot(shots / f"{name}-{size}-light.png")
        tab.evaluate(AXE + ";1")
        said += [f"{size} {address}: {one}" for one in tab.evaluate(LOOK % "{}")]
        dark(tab, True)
        tab.screenshot(shots / f"{name}-{size}-dark.png")
        contrast = LOOK % "{runOnly: {type: 'rule', values: ['color-contrast']}}"
        said += [f"{size} dark {address}: {one}" for one in tab.evaluate(contrast)]
        faults += said
    print(f"\nscreenshots: {shots}")
    tab.call("Network.clearBrowserCookies", {})
    assert not faults, "\n".join(faults)


def test_a_keyboard_reaches_everything_on_every_page_and_shows_where_it_is(ground: Ground, browser: Browser) -> None:
    faults: list[str] = []
    tab = browser.tab(size=SIZES["desk"], scripts=True)
    for _, address, role in pages(ground):
        shown(tab, ground, address, role)
        stops = tab.evaluate(STOPS)
        reached: set[str] = set()
        # Fields of dates have several stops of their own, and a page may begin in the middle (autofocus).
        for _ in range(4 * min(stops, MOST_STOPS) + 20):
            if len(reached - {""}) == stops:
                break
            tab.keys("Tab")
            number, seen = tab.evaluate(SEEN)
            if number and not seen:
                html = tab.evaluate("document.activeElement.outerHTML.slice(0, 160)")
                faults.append(f"{address}: does not show that it is in focus: {html}")
            reached.add(number)
        missed = {str(number) for number in range(stops)} - reached
        if stops <= MOST_STOPS and missed:
            html = tab.evaluate(f"document.querySelector('[data-stop=\"{min(missed)}\"]').outerHTML.slice(0, 160)")
            faults.append(f"{address}: {len(missed)} of {stops} not reached, such as {html}")
    tab.call("Network.clearBrowserCookies", {})
    assert not faults, "\n".join(faults)
