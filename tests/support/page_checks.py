"""What every page of the console must pass in a real browser, and signing in there by keyboard."""

from __future__ import annotations

from typing import Any
from urllib.parse import urlsplit

from support.browser import Tab
from support.console import OWN
from support.servers import wait_until

CONTRAST = """(() => {
  const parse = (c) => { const m = c.match(/[\\d.]+/g).map(Number); return m.length < 4 ? [...m, 1] : m; };
  const over = (a, b) => [0, 1, 2].map((i) => a[i] * a[3] + b[i] * (1 - a[3])).concat(1);
  const light = (c) => { const [r, g, b] = c.slice(0, 3).map((v) => { v /= 255;
    return v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4; }); return 0.2126 * r + 0.7152 * g + 0.0722 * b; };
  const low = [];
  for (const e of document.body.querySelectorAll("*")) {
    const own = [...e.childNodes].some((n) => n.nodeType === 3 && n.textContent.trim());
    if (!own || !e.getClientRects().length || e.closest(".unseen")) continue;
    let back = [0, 0, 0, 0];
    for (let at = e; at; at = at.parentElement) {
      if (back[3] < 1) back = over(back, parse(getComputedStyle(at).backgroundColor)).slice(0, 3)
        .concat(back[3] || parse(getComputedStyle(at).backgroundColor)[3] ? 1 : 0);
    }
    const s = getComputedStyle(e), a = light(parse(s.color)), b = light(back);
    const ratio = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05), px = parseFloat(s.fontSize);
    const large = px >= 24 || (px >= 18.66 && Number(s.fontWeight) >= 700);
    if (ratio < (large ? 3 : 4.5)) low.push([e.tagName, e.className, e.textContent.trim().slice(0, 40), ratio]);
  }
  return low;
})()"""
"""Texts whose contrast is less than WCAG 2.2 AA asks (success criterion 1.4.3)."""

NAMELESS = """[...document.querySelectorAll("input:not([type=hidden]):not([hidden]), select, textarea")]
  .filter((e) => !e.labels || !e.labels.length).map((e) => e.outerHTML)
  .concat([...document.querySelectorAll("a, button")].filter((e) => !e.textContent.trim()).map((e) => e.outerHTML))
  .concat(Object.entries([...document.querySelectorAll("[id]")].reduce((all, e) => {
    all[e.id] = (all[e.id] || 0) + 1; return all; }, {})).filter(([, n]) => n > 1).map(([id]) => "twice: " + id))
  .concat(document.documentElement.lang ? [] : ["no language"])
  .concat(["main", "h1"].filter((name) => document.querySelectorAll(name).length !== 1))"""
"""What a screen reader could not name, and other faults of structure."""


def sign_in(tab: Tab, url: str, name: str = "mira") -> None:
    """By keyboard."""
    tab.open(f"{url}/sign-in")
    tab.write("#user", name)
    tab.keys("Tab", *OWN)
    tab.enter()


def sound(tab: Tab, url: str) -> None:
    """Nothing asked for elsewhere, no complaint of the browser's, nothing wider than the window."""
    # Without its style sheet, which may still be under way, a page has no colours of ours.
    wait_until(lambda: tab.evaluate("document.readyState") == "complete", "the whole page")
    # Signs of the browser's own fields are data, and no request.
    asked = [urlsplit(request.split(" ", 1)[1]) for request in tab.requests]
    assert {each.netloc for each in asked if each.scheme != "data"} == {urlsplit(url).netloc}
    assert tab.complaints == [], tab.complaints
    width: Any = tab.evaluate("innerWidth")
    assert tab.content_width() <= width
    assert tab.evaluate(CONTRAST) == []
    assert tab.evaluate(NAMELESS) == []
