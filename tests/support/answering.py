"""The answer page for tests: on a free port, its record in memory, its engine remembers which links are used."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from typing import Any
from zoneinfo import ZoneInfo

import httpx

from motewatch.alarms.lifecycle import Event, State
from motewatch.callout.answers import Keys, sign
from motewatch.callout.records import Cause, Told
from motewatch.engine.answers import Answers
from motewatch.engine.records import AlarmChanged, Answered, Priority, Replied
from motewatch.web.answer_page import AnswerPage
from motewatch.web.server import PageServer
from motewatch.web.sheet import Place
from support import calls
from support.links_fakes import FakeClock

KEY = b"0123456789abcdef" * 2
ALARM = calls.ALARM
T0 = calls.T0
MINUTE_US = calls.MINUTE_US
FACT = calls.FACT
CALL = calls.CALL
FOUR_HOURS_US = 240 * MINUTE_US
TEST_CALL = replace(CALL, id="test-1", cause=Cause.TEST, facts=(), answer="test/k7m2qx4c")
PLACE = Place(
    name="North works",
    zone=ZoneInfo("Europe/Berlin"),
    names={"ada": "Ada", "ben": "Ben"},
    may={"ada": ("acknowledge", "shelve"), "ben": ("acknowledge",)},
    shelve_min=(30, 60, 240),
)


def step(event: Event, before: State, after: State, **changes: Any) -> AlarmChanged:
    """One step of the alarm, 22 minutes ago unless said otherwise."""
    made = AlarmChanged(
        alarm=ALARM,
        kind="count-action",
        priority=Priority.HIGH,
        event=event,
        before=before,
        after=after,
        at_us=T0 - 22 * MINUTE_US,
        found_us=T0 - 22 * MINUTE_US,
        text="above the action level",
    )
    return replace(made, **changes)


STARTED = step(Event.STARTS, State.NORMAL, State.UNACKNOWLEDGED)


@dataclass
class MemoryRecord:
    """Calls and steps of alarms."""

    calls: dict[str, Told] = field(default_factory=lambda: {CALL.id: CALL, TEST_CALL.id: TEST_CALL})
    steps: list[AlarmChanged] = field(default_factory=lambda: [STARTED])
    broken: bool = False

    def told(self, call: str) -> Told | None:
        if self.broken:
            raise OSError("the disk is gone")
        return self.calls.get(call)

    def query_alarm_events(self, alarm: str | None = None, *, limit: int = 1000) -> list[AlarmChanged]:
        return [each for each in self.steps if each.alarm == alarm][-limit:]


@dataclass
class RememberingEngine:
    """Accepts everything once, by the engine's own rule for links; `refuse` is what it says no with."""

    clock: FakeClock
    heard: list[Answered] = field(default_factory=list)
    answers: Answers = field(default_factory=Answers)
    refuse: str = ""
    silent: bool = False
    asked: threading.Event = field(default_factory=threading.Event)

    def post(self, answered: Answered, done: Callable[[Replied], None]) -> None:
        self.heard.append(answered)
        self.asked.set()
        if self.silent:
            return
        now_us = self.clock.now_us()
        refusal = self.answers.refusal(answered, now_us) or self.refuse
        text = refusal or f"'{answered.subject}' is now done with"
        if not refusal:
            self.answers.accepted(answered, text, now_us)
        done(Replied(answered.id, not refusal, text))


@dataclass
class Ground:
    """The page, and a browser of sorts for it."""

    clock: FakeClock
    record: MemoryRecord
    engine: RememberingEngine
    page: AnswerPage
    client: httpx.Client

    def token(self, call: Told = CALL, until_us: int = T0 + FOUR_HOURS_US, key: bytes = KEY) -> str:
        return sign(key, call.id, call.person, call.answer, until_us)

    def get(self, call: Told = CALL) -> httpx.Response:
        return self.client.get(f"/{self.token(call)}")

    def press(self, act: str = "acknowledge", call: Told = CALL, **fields: str) -> httpx.Response:
        return self.client.post(f"/{self.token(call)}", data={"act": act, **fields})


@contextmanager
def answering(place: Place = PLACE, reply_s: float = 8.0) -> Iterator[Ground]:
    """The page on a free port."""
    clock = FakeClock(T0)
    record, engine = MemoryRecord(), RememberingEngine(clock)
    page = AnswerPage(
        Keys((KEY,)), record, engine.post, lambda: place, clock, "https://air.example.org/a/", reply_s=reply_s
    )
    server = PageServer(page.app, "127.0.0.1", 0)
    server.start()
    try:
        with httpx.Client(base_url=f"http://127.0.0.1:{server.port}", timeout=20, trust_env=False) as client:
            yield Ground(clock, record, engine, page, client)
    finally:
        page.stop()
        assert server.stop(3.0)
