"""The worker that carries the calls of one channel to people: one thread a lane, one loop that does the retrying.

Rules:
- Calls are not in line like publications: one that failed waits by itself (by the monotonic clock, in this process),
  the others go on. First those of high priority, then those that are not overdue, then those not tried yet, then the
  oldest: `call_lanes`, so that this holds among any number. Urgent calls and others go out beside each other.
- Every call is tried at least once, however late it is. After `give_up_min` the last try is made; a receiver that asks
  for a longer wait has given up for us.
- No more tries than `per_minute` in any minute, of both lanes.
- A try is made in a thread that is left behind when it takes longer than `timeout_s`: no channel can hold up another,
  nor the end of the service.
- What became of a call is an input of the engine. Its row is marked only when that input is committed, so a crash in
  between repeats the call, under the same id. The next try waits for the mark (not for ever, if the writer is busy), so
  that a crash repeats one call on a lane, not several. A call that may have arrived before says so: its row was
  there when the service started, or an earlier try ended without an answer.
- A defect, here or in a channel, ends a try or a round, never the worker.

Must not know kinds of channels, or what a call is about. No secret and no link is in a log line.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass
from queue import Empty, SimpleQueue
from typing import Final, Protocol

from motewatch.callout.records import Delivered, Outcome, Told
from motewatch.engine.codec import output_from
from motewatch.engine.records import Entered, Output
from motewatch.journal.errors import JournalUnwritableError
from motewatch.journal.rows import OutboxRow
from motewatch.links.attempts import Attempts, StopWaitingError
from motewatch.links.call_lanes import MINUTE_S, OVERDUE, TRIED, Lane, Window, place_in_line
from motewatch.links.call_message import CallMessage
from motewatch.links.channels import Channel
from motewatch.links.clock import TimeSource
from motewatch.links.errors import ChannelError, ChannelRefusedError
from motewatch.links.one_try import one_try
from motewatch.links.outbox import CALL, COMPLAIN_S, pause_s
from motewatch.site.people import ChannelBase

log = logging.getLogger(__name__)

IDLE_S: Final = 1.0
PAGE: Final = 1_000
FINISH_S: Final = 0.3
"""What a try under way may still take when the service stops: an answer that comes now spares a repeat."""

SETTLE_S: Final = 5.0
"""How long the next try waits for the commit of what became of the one before, usually some hundredths of a second."""

LONGEST_DETAIL: Final = 300


class Rows(Protocol):
    """What a worker needs of the journal; see there."""

    def due(self, sink: str, now_us: int, limit: int, from_us: int = 0) -> list[OutboxRow]: ...
    def move(self, ids: Sequence[int], next_try_us: int) -> None: ...
    def delivered(self, ids: Sequence[int], now_us: int) -> None: ...
    def retry(self, ids: Sequence[int], next_try_us: int, error: str) -> None: ...
    def refused(self, ids: Sequence[int], now_us: int, error: str) -> None: ...


class Poster(Protocol):
    """`Service.post`."""

    def __call__(self, what: Delivered | Entered, done: Callable[[Sequence[Output]], object] | None = None) -> None: ...


Words = Callable[[Told, bool], CallMessage]
"""(call, whether it may be a repeat) -> what is sent"""


@dataclass(slots=True)
class _Waiting:
    """A call that is not over, in this process."""

    told: Told | None
    """None where the row cannot be read."""
    give_up_s: float
    """On the monotonic clock."""
    resume_s: float
    doubtful: bool
    """It may have arrived already."""
    posted_s: float | None = None
    """When its outcome was posted, on the monotonic clock, while that is not known to be committed."""

    @property
    def settling(self) -> bool:
        """It is over, but the row is not marked yet."""
        return self.posted_s is not None


@dataclass(frozen=True, slots=True)
class _Settled:
    row: int
    outcome: Outcome
    detail: str


@dataclass(slots=True)
class Figures:
    """What a worker has done since it started; for tests and the log."""

    tries: int = 0
    delivered: int = 0
    refused: int = 0
    given_up: int = 0
    repeats: int = 0
    """Tries that said that they may be one."""


class CallWorker:
    """See the module. `step` is the whole work; the thread only calls it."""

    def __init__(
        self,
        settings: ChannelBase,
        channel: Channel,
        rows: Rows,
        post: Poster,
        words: Words,
        clock: TimeSource,
        *,
        left_over: Collection[int] = (),
        lane: Lane = Lane.ALL,
        window: Window | None = None,
        idle_s: float = IDLE_S,
    ) -> None:
        """`left_over`: ids of the rows of this sink that were there when the service started. The workers of a
        channel's lanes share its `window`."""
        self.sink = f"{CALL}{settings.id}"
        self._settings = settings
        self._channel = channel
        self._rows = rows
        self._post = post
        self._words = words
        self._clock = clock
        self._left_over = frozenset(left_over)
        self._idle_s = idle_s
        self._attempts = Attempts(f"call-{settings.id}", clock)
        self._lane = lane
        self._window = Window(settings.per_minute) if window is None else window
        self._waiting: dict[int, _Waiting] = {}
        self._settled: SimpleQueue[_Settled] = SimpleQueue()
        self._wake = threading.Event()
        self._stopping = threading.Event()
        self._stop_s = 0.0
        self._journal_lock = threading.Lock()
        self._abandoned = False
        self._complained_s: float | None = None
        self._thread: threading.Thread | None = None
        self.figures = Figures()

    # ---- any thread -------------------------------------------------------------------------------------------------

    def start(self) -> None:
        """Begin to deliver, in a thread of its own."""
        if self._thread is not None:
            raise RuntimeError("a call worker is started once")
        self._thread = threading.Thread(target=self._run, name=self.sink, daemon=True)
        self._thread.start()

    def notify(self) -> None:
        """There are new rows."""
        self._wake.set()

    def ask_to_stop(self) -> None:
        """Begin nothing any more. `stop` waits for the end."""
        if self._stopping.is_set():
            return
        self._stop_s = self._clock.monotonic_s()
        self._stopping.set()
        self._wake.set()

    def stop(self, timeout_s: float = 1.0) -> bool:
        """End; a try under way may end within a moment. What is not settled by then stays on record as undelivered.

        False if the thread did not end: it is left behind and does not touch the journal any more.
        """
        self.ask_to_stop()
        if self._thread is not None:
            self._thread.join(timeout_s)
        with self._journal_lock:
            self._abandoned = True
        return self._thread is None or not self._thread.is_alive()

    # ---- the worker's thread ----------------------------------------------------------------------------------------

    def _run(self) -> None:
        failures = 0
        while not self._stopping.is_set():
            self._wake.clear()
            try:
                wait_s = self.step()
                failures = 0
            except JournalUnwritableError as error:  # nothing is lost, rows stay
                self._complain(error)
                wait_s = pause_s(failures)
                failures += 1
            except Exception:  # a defect: nothing is lost, rows stay
                log.exception("the worker of the calls over '%s' failed; it goes on", self._settings.id)
                wait_s = pause_s(failures)
                failures += 1
            if wait_s > 0:
                self._wake.wait(wait_s)
        self._finish()

    def _complain(self, error: JournalUnwritableError) -> None:
        """Once a minute is enough: the writer says it too."""
        now_s = self._clock.monotonic_s()
        if self._complained_s is None or now_s >= self._complained_s + COMPLAIN_S:
            self._complained_s = now_s
            log.warning("what became of calls over '%s' cannot be marked: %s", self._settings.id, error)

    def step(self) -> float:
        """Mark what is settled and make one try, if it is time to. Seconds until there may be more to do."""
        self._mark_settled()
        now_s = self._clock.monotonic_s()
        posted_s = max((each.posted_s for each in self._waiting.values() if each.posted_s is not None), default=None)
        if posted_s is not None and now_s < posted_s + SETTLE_S:
            return min(posted_s + SETTLE_S - now_s, self._idle_s)
        rows = self._due()
        ready = self._ready(rows, now_s)
        if self._put_right(rows, now_s):
            return 0.0
        if not ready:
            return self._until_next_s(rows, now_s)
        row = min(ready, key=lambda each: self._place(each, now_s))
        told = self._waiting[row.id].told
        free_in_s = self._window.take(now_s, urgent=told is not None and told.urgent)
        if free_in_s > 0:
            return min(free_in_s, self._idle_s)
        self._serve(row, self._waiting[row.id])
        return 0.0

    def _ready(self, rows: list[OutboxRow], now_s: float) -> list[OutboxRow]:
        """The rows that may be tried now. Each row is known in `_waiting` from here on."""
        for row in rows:
            if row.id not in self._waiting:
                self._waiting[row.id] = self._meet(row, now_s)
        return [
            row
            for row in rows
            if not self._waiting[row.id].settling and self._waiting[row.id].resume_s <= now_s
        ]  # fmt: skip

    def _put_right(self, rows: list[OutboxRow], now_s: float) -> bool:
        """Move what stands in the wrong place: in the other lane (a row of an older version), or overdue before what
        cannot be seen behind a whole page of it."""
        moves: dict[int, list[int]] = {}
        for row in rows:
            waiting = self._waiting[row.id]
            if waiting.told is None or waiting.settling:
                continue
            urgent = waiting.told.urgent
            overdue = len(rows) >= PAGE and waiting.give_up_s <= now_s
            place = place_in_line(urgent, OVERDUE) if overdue else row.next_try_us
            if not self._lane.takes(urgent):
                place = place_in_line(urgent)
            if place != row.next_try_us:
                moves.setdefault(place, []).append(row.id)
        with self._journal_lock:
            if self._abandoned:
                return False
            for place, ids in moves.items():
                self._rows.move(ids, place)
        for row in rows:
            if row.id in self._waiting:
                told = self._waiting[row.id].told
                if told is not None and not self._lane.takes(told.urgent):
                    del self._waiting[row.id]
        return bool(moves)

    def _meet(self, row: OutboxRow, now_s: float) -> _Waiting:
        age_s = max(0.0, (self._clock.now_us() - row.created_us) / 1_000_000)
        give_up_s = now_s + self._settings.give_up_min * MINUTE_S - age_s
        try:
            told = output_from("told", row.payload.decode())
        except Exception:  # of whatever kind: one row that cannot be read must not hold up the others
            told = None
        return _Waiting(told if isinstance(told, Told) else None, give_up_s, now_s, row.id in self._left_over)

    def _place(self, row: OutboxRow, now_s: float) -> tuple[bool, bool, bool, int]:
        """Sorts the next one to the front."""
        waiting = self._waiting[row.id]
        urgent = waiting.told is not None and waiting.told.urgent
        return not urgent, waiting.give_up_s <= now_s, row.attempts > 0, row.id

    def _until_next_s(self, rows: list[OutboxRow], now_s: float) -> float:
        pauses = [self._waiting[row.id].resume_s - now_s for row in rows if not self._waiting[row.id].settling]
        return max(0.0, min([self._idle_s, *pauses]))

    def _serve(self, row: OutboxRow, waiting: _Waiting) -> None:
        """One try, and what follows from it."""
        told = waiting.told
        if told is None:
            self._settle(row, waiting, Outcome.REFUSED, "what is on record of the call cannot be read")
            return
        try:
            message = self._words(told, waiting.doubtful)
        except Exception as error:
            # The next way would fail like this one; but then it is told that nobody could be reached.
            log.exception("call '%s' cannot be put into words", told.id)
            self._settle(row, waiting, Outcome.REFUSED, f"a defect: {_named(error)} while putting it into words")
            return
        self.figures.tries += 1
        self.figures.repeats += waiting.doubtful
        try:
            self._try(message)
        except StopWaitingError:
            return  # the row stays, and is one that may have arrived after the next start
        except ChannelRefusedError as error:
            self._settle(row, waiting, Outcome.REFUSED, str(error))
        except ChannelError as error:
            self._again(row, waiting, error)
        else:
            self._settle(row, waiting, Outcome.DELIVERED, "")

    def _try(self, message: CallMessage) -> None:
        """Raises `ChannelError`, or `StopWaitingError` when the service stops."""
        one_try(self._channel, self._settings, message, self._attempts, self._give_way)

    def _give_way(self) -> bool:
        return self._stopping.is_set() and self._clock.monotonic_s() - self._stop_s > FINISH_S

    def _again(self, row: OutboxRow, waiting: _Waiting, error: ChannelError) -> None:
        """Another try may help, if there is time for one."""
        waiting.doubtful |= error.may_have_arrived
        now_s = self._clock.monotonic_s()
        asked_s = getattr(error, "retry_after_s", None) or 0.0
        if now_s >= waiting.give_up_s or now_s + asked_s > waiting.give_up_s:
            self._settle(row, waiting, Outcome.GIVEN_UP, str(error))
            return
        # The last try is made when the time is over, not before.
        waiting.resume_s = min(now_s + max(pause_s(row.attempts), asked_s), waiting.give_up_s)
        log.warning(
            "call not delivered yet",
            extra={"call": row.key, "channel": self._settings.id, "tries": row.attempts + 1, "detail": str(error)},
        )
        with self._journal_lock:
            if not self._abandoned:
                urgent = waiting.told is not None and waiting.told.urgent
                self._rows.retry([row.id], max(row.next_try_us, place_in_line(urgent, TRIED)), str(error))

    # What became of a call

    def _settle(self, row: OutboxRow, waiting: _Waiting, outcome: Outcome, detail: str) -> None:
        """Tell the engine; the row is marked when that is committed."""
        waiting.posted_s = self._clock.monotonic_s()
        kept = _Settled(row.id, outcome, detail[:LONGEST_DETAIL])
        said = Delivered(row.key, outcome, self._clock.now_us(), row.attempts + 1, kept.detail)
        with self._journal_lock:
            if not self._abandoned:
                self._post(said, lambda _: self._committed(kept))
        log.log(
            logging.INFO if outcome is Outcome.DELIVERED else logging.ERROR,
            "call %s",
            outcome.value,
            extra={"call": row.key, "channel": self._settings.id, "tries": said.attempts, "detail": kept.detail},
        )

    def _committed(self, settled: _Settled) -> None:
        """In the writer's thread."""
        self._settled.put(settled)
        self._wake.set()

    def _mark_settled(self) -> None:
        while True:
            try:
                settled = self._settled.get_nowait()
            except Empty:
                return
            try:
                self._mark(settled)
            except BaseException:
                self._settled.put(settled)
                raise

    def _mark(self, settled: _Settled) -> None:
        now_us = self._clock.now_us()
        with self._journal_lock:
            if self._abandoned:
                return
            if settled.outcome is Outcome.DELIVERED:
                self._rows.delivered([settled.row], now_us)
            else:
                self._rows.refused([settled.row], now_us, settled.detail)
        self._waiting.pop(settled.row, None)
        self.figures.delivered += settled.outcome is Outcome.DELIVERED
        self.figures.refused += settled.outcome is Outcome.REFUSED
        self.figures.given_up += settled.outcome is Outcome.GIVEN_UP

    def _finish(self) -> None:
        """The writer still runs: what was delivered just now is committed within a moment, and need not be repeated."""
        deadline_s = self._clock.monotonic_s() + FINISH_S
        try:
            while any(each.settling for each in self._waiting.values()):
                left_s = deadline_s - self._clock.monotonic_s()
                if left_s <= 0:
                    return
                self._wake.wait(left_s)
                self._wake.clear()
                self._mark_settled()
        except Exception:
            log.exception("the worker of the calls over '%s' could not mark its last calls", self._settings.id)

    def _due(self) -> list[OutboxRow]:
        with self._journal_lock:
            first, last = self._lane.value
            return [] if self._abandoned else self._rows.due(self.sink, last, PAGE, first)


def _named(error: Exception) -> str:
    return type(error).__name__
