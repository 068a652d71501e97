"""Calls while the record cannot be written: straight to the channels, since no row can be made for them.

`trouble` is looked at once a second. When it has said something for `after_s`, those on call are told over every way,
and again every `every_min` while it lasts. When it has been silent for as long, they are told that it is over. What
was said is posted for the audit trail as soon as something can be written again: one entry for each person and channel.

Rules: needs no disk and asks no journal. Each channel has a lane of its own, a thread that begins with the first such
call, so that none holds up another; a later call to a person over a way takes the place of an earlier one that has not
got through. The channel's `per_minute` does not count here: these calls are few. What a process that ends meanwhile has
said stands in its log alone. Must not know why nothing can be written, or kinds of channels.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Final

from motewatch.callout.records import Cause, Told
from motewatch.callout.unrecorded import ALARM, BACK, OnDuty, note
from motewatch.engine.records import Entered
from motewatch.links.attempts import Attempts, StopWaitingError
from motewatch.links.call_worker import Poster, Words
from motewatch.links.channels import Channel
from motewatch.links.clock import TimeSource
from motewatch.links.errors import ChannelError, ChannelRefusedError
from motewatch.links.one_try import one_try
from motewatch.links.outbox import pause_s
from motewatch.site.instants import instant
from motewatch.site.people import ChannelBase, Unrecorded

log = logging.getLogger(__name__)

LOOK_S: Final = 1.0
MINUTE_S: Final = 60.0
ACTION: Final = "called-unrecorded"
"""The action on the audit trail."""
LONGEST_DETAIL: Final = 200


@dataclass(slots=True)
class Said:
    """What one person was told over one channel, and not put on record yet."""

    first_us: int = 0
    last_us: int = 0
    delivered: int = 0
    failed: int = 0
    """Calls that never got through."""
    why_failed: str = ""

    def sentence(self, name: str, channel: str, what: str) -> str:
        """For the audit trail."""
        parts = []
        if self.delivered:
            last = f", last at {_stamp(self.last_us)}" if self.delivered > 1 else ""
            times = f"{self.delivered} times, first" if self.delivered > 1 else "once,"
            parts.append(f"told {times} at {_stamp(self.first_us)}{last}")
        if self.failed:
            parts.append(f"{self.failed} calls did not get through, last: {self.why_failed}")
        return f"{name} over {channel}: {'; '.join(parts)}. {what}"


def _stamp(us: int) -> str:
    return f"{instant(us):%Y-%m-%d %H:%M:%S} UTC"


@dataclass(slots=True)
class _Waiting:
    told: Told
    until_s: float
    resume_s: float
    tries: int = 0
    doubtful: bool = False
    why: str = ""
    """What the last try ended in."""


class Lane:
    """One channel: sends what it is handed, again and again until it gets through. `step` is the whole work."""

    def __init__(self, settings: ChannelBase, channel: Channel, words: Words, clock: TimeSource) -> None:
        self._settings = settings
        self._channel = channel
        self._words = words
        self._clock = clock
        self._attempts = Attempts(f"unrecorded-{settings.id}", clock)
        self._lock = threading.Lock()
        self._waiting: dict[tuple[str, str], _Waiting] = {}
        self._said: dict[str, Said] = {}
        self._reached: dict[tuple[str, str], None] = {}
        self._wake = threading.Event()
        self._stopping = threading.Event()
        self._thread: threading.Thread | None = None
        self.held = False
        """While it may be over, what has not got through waits."""

    def put(self, told: Told) -> None:
        """Begin to send it, instead of what has not got through to this person over this way."""
        now_s = self._clock.monotonic_s()
        way = (told.person, told.address)
        with self._lock:
            before = self._waiting.pop(way, None)
            if before is not None and before.tries:
                self._fails(before)
            self._waiting[way] = _Waiting(told, now_s + self._settings.give_up_min * MINUTE_S, now_s)
        self._wake.set()

    def reached(self) -> set[tuple[str, str]]:
        """Person and address of those who were told, or may have been."""
        with self._lock:
            return set(self._reached)

    def forget(self) -> None:
        """It is over: what has not got through is sent no more."""
        with self._lock:
            for waiting in self._waiting.values():
                if waiting.tries:
                    self._fails(waiting)
            self._waiting.clear()
            self._reached.clear()
        self.held = False

    def take_said(self) -> dict[str, Said]:
        """What was said since the last time, by person."""
        with self._lock:
            said, self._said = self._said, {}
            return said

    def start(self) -> None:
        """Begin to send, in a thread of its own."""
        self._thread = threading.Thread(target=self._run, name=f"unrecorded-{self._settings.id}", daemon=True)
        self._thread.start()

    def ask_to_stop(self) -> None:
        """Begin nothing any more."""
        self._stopping.set()
        self._wake.set()

    def stop(self, timeout_s: float) -> bool:
        """End; False where a try holds the thread, which is left behind."""
        self.ask_to_stop()
        if self._thread is not None:
            self._thread.join(timeout_s)
        return self._thread is None or not self._thread.is_alive()

    def _run(self) -> None:
        while not self._stopping.is_set():
            self._wake.clear()
            try:
                wait_s = self.step()
            except Exception:
                log.exception("unrecorded calls over '%s' failed; they go on", self._settings.id)
                wait_s = LOOK_S
            if wait_s > 0:
                self._wake.wait(wait_s)

    def step(self) -> float:
        """One try, if it is time to. Seconds until there may be more to do."""
        now_s = self._clock.monotonic_s()
        with self._lock:
            waiting = min(self._waiting.values(), key=lambda each: (each.resume_s, each.tries), default=None)
        if waiting is None or self.held:
            return LOOK_S
        if waiting.resume_s > now_s:
            return min(waiting.resume_s - now_s, LOOK_S)
        try:
            message = self._words(waiting.told, waiting.doubtful)
            one_try(self._channel, self._settings, message, self._attempts, self._stopping.is_set)
        except StopWaitingError:
            return 0.0
        except ChannelError as error:
            self._failed(waiting, error)
        else:
            self._got_through(waiting)
        return 0.0

    def _got_through(self, waiting: _Waiting) -> None:
        told, now_us = waiting.told, self._clock.now_us()
        log.info("unrecorded call delivered", extra={"call": told.id, "channel": self._settings.id})
        with self._lock:
            said = self._said.setdefault(told.person, Said(now_us))
            said.first_us = said.first_us if said.delivered else now_us
            said.last_us, said.delivered = now_us, said.delivered + 1
            self._reached[(told.person, told.address)] = None
            self._drop(waiting)

    def _failed(self, waiting: _Waiting, error: ChannelError) -> None:
        now_s = self._clock.monotonic_s()
        final = isinstance(error, ChannelRefusedError) or now_s >= waiting.until_s
        log.log(
            logging.ERROR if final else logging.WARNING,
            "unrecorded call not delivered",
            extra={"call": waiting.told.id, "channel": self._settings.id, "detail": str(error)},
        )
        with self._lock:
            if error.may_have_arrived:
                waiting.doubtful = True
                self._reached[(waiting.told.person, waiting.told.address)] = None
            waiting.resume_s = now_s + max(pause_s(waiting.tries), getattr(error, "retry_after_s", None) or 0.0)
            waiting.tries, waiting.why = waiting.tries + 1, str(error)[:LONGEST_DETAIL]
            if final:
                self._fails(waiting)
                self._drop(waiting)

    def _fails(self, waiting: _Waiting) -> None:
        said = self._said.setdefault(waiting.told.person, Said())
        said.failed += 1
        said.why_failed = waiting.why

    def _drop(self, waiting: _Waiting) -> None:
        """It may have been replaced meanwhile."""
        way = (waiting.told.person, waiting.told.address)
        if self._waiting.get(way) is waiting:
            del self._waiting[way]


@dataclass(slots=True)
class _Trouble:
    """One stretch without a record, as it is told."""

    since_us: int
    since_s: float
    what: str
    rounds: int = 0
    next_s: float = 0.0
    """When it is told again."""
    well_s: float | None = None
    """Since when it is over, on the monotonic clock."""


@dataclass(slots=True)
class UnrecordedCalls:
    """See the module. `look` is the whole work; the thread only calls it."""

    channels: Mapping[str, tuple[ChannelBase, Channel]]
    """Those that are served, by id."""
    words: Words
    trouble: Callable[[], str]
    post: Poster
    clock: TimeSource
    on_duty: OnDuty
    settings: Unrecorded
    threads: bool = True
    """False: whoever made it steps the lanes."""
    lanes: dict[str, Lane] = field(default_factory=dict)
    _now: _Trouble | None = None
    _stopping: threading.Event = field(default_factory=threading.Event)
    _thread: threading.Thread | None = None

    def know(self, on_duty: OnDuty, settings: Unrecorded) -> None:
        """The site file was read again."""
        self.on_duty, self.settings = on_duty, settings

    def start(self) -> None:
        """Begin to look."""
        self._thread = threading.Thread(target=self._run, name="unrecorded", daemon=True)
        self._thread.start()

    def stop(self, timeout_s: float = 0.4) -> bool:
        """End, and put on record what was said, where that can be. False if a thread was left behind."""
        self._stopping.set()
        deadline_s = self.clock.monotonic_s() + timeout_s
        ended = True
        if self._thread is not None:
            self._thread.join(timeout_s)
            ended = not self._thread.is_alive()
        lanes = list(self.lanes.values())
        for lane in lanes:
            lane.ask_to_stop()
        for lane in lanes:
            ended &= lane.stop(max(0.0, deadline_s - self.clock.monotonic_s()))
        if not self.trouble():
            self._put_on_record()
        return ended

    def _run(self) -> None:
        while not self._stopping.wait(LOOK_S):
            try:
                self.look()
            except Exception:
                log.exception("looking for what cannot be recorded failed; it goes on")

    def look(self) -> None:
        """Is there something to be told?"""
        why, now_s, now = self.trouble(), self.clock.monotonic_s(), self._now
        if why:
            if now is None:
                now = self._now = _Trouble(self.clock.now_us(), now_s, why)
            now.what, now.well_s = why, None
            self._hold(False)
            if now_s - now.since_s >= self.settings.after_s and now_s >= now.next_s:
                self._tell(now, now_s)
            return
        self._put_on_record()
        if now is None:
            return
        if not now.rounds:
            self._now = None
            return
        if now.well_s is None:
            now.well_s = now_s
            self._hold(True)
        if now_s - now.well_s >= self.settings.after_s:
            self._tell_over(now)
            self._now = None

    def _hold(self, held: bool) -> None:
        for lane in self.lanes.values():
            lane.held = held

    def _tell(self, now: _Trouble, now_s: float) -> None:
        every_s = self.settings.every_min * MINUTE_S
        waited_s = now_s - now.since_s - self.settings.after_s
        now.next_s = now_s + every_s
        now.rounds += 1
        at_us = self.clock.now_us()
        persons = self.on_duty.persons(round(waited_s * 1_000_000), at_us)
        fact = self.on_duty.fact(now.what, now.since_us)
        log.error("people are told beside the record", extra={"persons": len(persons), "round": now.rounds})
        for told in self.on_duty.calls(persons, fact, Cause.UNRECORDED, note(every_s), at_us, now.rounds):
            self._hand_over(told)

    def _tell_over(self, now: _Trouble) -> None:
        """To whom the trouble was told, over each way that worked."""
        at_us = self.clock.now_us()
        reached = {id_: lane.reached() for id_, lane in self.lanes.items()}
        for lane in self.lanes.values():
            lane.forget()
        persons = sorted({person for ways in reached.values() for person, _ in ways})
        fact = self.on_duty.fact(now.what, now.since_us, over=True)
        for told in self.on_duty.calls(persons, fact, Cause.RETURNED, BACK, at_us, now.rounds + 1):
            if (told.person, told.address) in reached.get(told.channel, ()):
                self._hand_over(told)

    def _hand_over(self, told: Told) -> None:
        served = self.channels.get(told.channel)
        if served is None:
            return
        lane = self.lanes.get(told.channel)
        if lane is None:
            lane = self.lanes[told.channel] = Lane(*served, self.words, self.clock)
            if self.threads:
                lane.start()
        lane.put(told)

    def _put_on_record(self) -> None:
        what = f"Said: {'the record is written again' if self._now is None else self._now.what}"
        for channel, lane in self.lanes.items():
            for person, said in sorted(lane.take_said().items()):
                detail = said.sentence(person, channel, what)
                self.post(Entered("service", ACTION, ALARM, detail))
