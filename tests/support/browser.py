"""Chromium without a screen, spoken to over a pair of pipes by its DevTools protocol: no driver, no library.

Scripts are off in every tab unless asked for, so a test that passes shows a page that works without them. A tab is as
large as a phone, touches as a finger does, and remembers every request it made.
"""

from __future__ import annotations

import base64
import fcntl
import json
import os
import select
import subprocess
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from support.missing import find_program

FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-extensions",
    "--hide-scrollbars",
    "--no-proxy-server",
    "--remote-debugging-pipe",
)
PHONE = (390, 844)
WAIT_S = 30.0


class Browser:
    """One Chromium; leave the `with` block to end it."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._program = find_program("chromium", "chromium-browser")
        self._number = 0
        self._rest = b""
        self._tabs: dict[str, Tab] = {}
        self._replies: dict[int, dict[str, Any]] = {}

    def __enter__(self) -> Browser:
        theirs_in, self._to = os.pipe()
        self._from, theirs_out = os.pipe()

        def pipes() -> None:
            # The protocol is on descriptors 3 and 4. First out of their way: 3 may be one of ours.
            high_in, high_out = (fcntl.fcntl(each, fcntl.F_DUPFD, 10) for each in (theirs_in, theirs_out))
            os.dup2(high_in, 3)
            os.dup2(high_out, 4)

        with (self._folder / "chromium.log").open("wb") as log:
            self._process = subprocess.Popen(
                [self._program, *FLAGS, f"--user-data-dir={self._folder / 'profile'}", "about:blank"],
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=log,
                preexec_fn=pipes,
                close_fds=False,
            )
        os.close(theirs_in)
        os.close(theirs_out)
        return self

    def __exit__(self, *_: object) -> None:
        self._process.kill()
        self._process.wait(20)
        os.close(self._to)
        os.close(self._from)

    def tab(self, *, dark: bool = False, size: tuple[int, int] = PHONE, scripts: bool = False) -> Tab:
        """A new tab of a phone's size unless said otherwise, by day or by night."""
        target = self.call("Target.createTarget", {"url": "about:blank"})["targetId"]
        session = self.call("Target.attachToTarget", {"targetId": target, "flatten": True})["sessionId"]
        tab = self._tabs[session] = Tab(self, session)
        width, height = size
        for method, params in (
            ("Page.enable", {}),
            ("Network.enable", {}),
            ("Log.enable", {}),
            ("Emulation.setScriptExecutionDisabled", {"value": not scripts}),
            ("Emulation.setTouchEmulationEnabled", {"enabled": size == PHONE}),
            (
                "Emulation.setDeviceMetricsOverride",
                {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": size == PHONE},
            ),
            (
                "Emulation.setEmulatedMedia",
                {"features": [{"name": "prefers-color-scheme", "value": "dark" if dark else "light"}]},
            ),
        ):
            tab.call(method, params)
        return tab

    def call(self, method: str, params: dict[str, Any], session: str | None = None) -> dict[str, Any]:
        """One call of the protocol; its result."""
        self._number += 1
        number = self._number
        message: dict[str, Any] = {"id": number, "method": method, "params": params}
        if session is not None:
            message["sessionId"] = session
        os.write(self._to, json.dumps(message).encode() + b"\0")
        self.until(lambda: number in self._replies, method)
        reply = self._replies.pop(number)
        assert "error" not in reply, f"{method}: {reply['error']}"
        result: dict[str, Any] = reply["result"]
        return result

    def until(self, condition: Callable[[], bool], what: str) -> None:
        """Take in what comes until the condition holds."""
        deadline = time.monotonic() + WAIT_S
        while not condition():
            left_s = deadline - time.monotonic()
            if left_s <= 0 or not select.select([self._from], [], [], left_s)[0]:
                raise AssertionError(f"the browser did not come to: {what}\n{self._log()}")
            chunk = os.read(self._from, 1 << 16)
            assert chunk, f"the browser ended:\n{self._log()}"
            *messages, self._rest = (self._rest + chunk).split(b"\0")
            for text in messages:
                self._take(json.loads(text))

    def _take(self, message: dict[str, Any]) -> None:
        if "id" in message:
            self._replies[message["id"]] = message
        elif message.get("sessionId") in self._tabs:
            self._tabs[message["sessionId"]].happened(message["method"], message["params"])

    def _log(self) -> str:
        return (self._folder / "chromium.log").read_text(errors="replace")[-2_000:]


@dataclass
class Tab:
    """One page."""

    browser: Browser
    session: str
    requests: list[str] = field(default_factory=list)
    complaints: list[str] = field(default_factory=list)
    """What the browser has to say against the page: policies, missing files."""
    loads: int = 0

    def call(self, method: str, params: dict[str, Any]) -> dict[str, Any]:
        """One call about this tab."""
        return self.browser.call(method, params, self.session)

    def happened(self, method: str, params: dict[str, Any]) -> None:
        """An event of this tab."""
        if method == "Network.requestWillBeSent":
            self.requests.append(f"{params['request']['method']} {params['request']['url']}")
        elif method == "Log.entryAdded":
            # Said where a test is quicker at the keyboard than the page is at its autofocus.
            if not params["entry"]["text"].startswith("Autofocus processing was blocked"):
                self.complaints.append(params["entry"]["text"])
        elif method == "Page.loadEventFired":
            self.loads += 1

    def open(self, url: str) -> None:
        """Go there, and wait until it is shown."""
        self._and_loaded(lambda: self.call("Page.navigate", {"url": url}))

    def touch(self, selector: str) -> None:
        """Touch the middle of the element, scrolled to if needed. Does not wait for what comes of it."""
        x, y, width, height = self.box(selector)
        point = {"x": x + width / 2, "y": y + height / 2}
        self.call("Input.dispatchTouchEvent", {"type": "touchStart", "touchPoints": [point]})
        self.call("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})

    def press(self, selector: str) -> None:
        """Touch a button, and wait for the page that answers."""
        self._and_loaded(lambda: self.touch(selector))

    def write(self, selector: str, text: str) -> None:
        """Write into a field."""
        self.call("DOM.focus", {"nodeId": self._node(selector)})
        self.call("Input.insertText", {"text": text})

    def keys(self, *names: str) -> None:
        """Press these keys of the keyboard, one after the other: `Tab`, `Enter` or a character."""
        codes = {"Tab": 9, "Enter": 13}
        for name in names:
            text = "\r" if name == "Enter" else "" if name in codes else name
            key = {"key": name, "windowsVirtualKeyCode": codes.get(name, ord(name[0].upper())), "text": text}
            self.call("Input.dispatchKeyEvent", {"type": "keyDown", **key})
            self.call("Input.dispatchKeyEvent", {"type": "keyUp", **key})

    def enter(self) -> None:
        """Press Enter, and wait for the page that answers."""
        self._and_loaded(lambda: self.keys("Enter"))

    def evaluate(self, expression: str) -> Any:
        """The value of a script's expression, in a tab with scripts."""
        params = {"expression": expression, "returnByValue": True, "awaitPromise": True}
        found = self.call("Runtime.evaluate", params)
        assert "exceptionDetails" not in found, found
        return found["result"].get("value")

    def box(self, selector: str, *, scroll: bool = True) -> tuple[float, float, float, float]:
        """Where the element is in the window: left, top, width, height in CSS pixels."""
        node = self._node(selector)
        if scroll:
            self.call("DOM.scrollIntoViewIfNeeded", {"nodeId": node})
        quad = self.call("DOM.getBoxModel", {"nodeId": node})["model"]["border"]
        return quad[0], quad[1], quad[2] - quad[0], quad[5] - quad[1]

    def text(self) -> str:
        """The source of the page as the browser has it."""
        node = self.call("DOM.getDocument", {"depth": 0})["root"]["nodeId"]
        html: str = self.call("DOM.getOuterHTML", {"nodeId": node})["outerHTML"]
        return html

    def style(self, selector: str, name: str) -> str:
        """The computed value of one style property."""
        self.call("DOM.enable", {})
        self.call("CSS.enable", {})
        found = self.call("CSS.getComputedStyleForNode", {"nodeId": self._node(selector)})["computedStyle"]
        value: str = next(each["value"] for each in found if each["name"] == name)
        return value

    def content_width(self) -> float:
        """How wide the content is: more than the window means scrolling sideways."""
        width: float = self.call("Page.getLayoutMetrics", {})["cssContentSize"]["width"]
        return width

    def screenshot(self, path: Path) -> None:
        """What is in the window, as PNG."""
        path.write_bytes(base64.b64decode(self.call("Page.captureScreenshot", {"format": "png"})["data"]))

    def _node(self, selector: str) -> int:
        root = self.call("DOM.getDocument", {"depth": 0})["root"]["nodeId"]
        node: int = self.call("DOM.querySelector", {"nodeId": root, "selector": selector})["nodeId"]
        assert node, f"nothing on the page is '{selector}'"
        return node

    def _and_loaded(self, act: Callable[[], object]) -> None:
        loads = self.loads
        act()
        self.browser.until(lambda: self.loads > loads, "a loaded page")
