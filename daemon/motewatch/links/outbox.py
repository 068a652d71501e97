"""The workers that carry outbox rows to their sinks: one thread a sink, one loop that does all the retrying.

Rules:
- Rows go out in the order of the record, and a sink that is away stops its whole queue: were single rows put off, an
  older alarm state or sample revision could overtake a newer one. So a row's `next_try_us` stays 0 (it only keeps its
  place), the pause is the worker's, and its length follows from the attempts of the first row in the queue.
- At least once: a row is marked after the sink took it, and may be sent again after a crash. Keys and retained topics
  make that harmless.
- The link says whether a failure is final. A final one is kept with its error and logged, and holds up nothing.
- A worker that is stuck in a sink is left behind by `stop`, and then never touches the journal again.
- Which sink it is and what a payload says is known by the two workers at the end only. No alarm waits for any of this.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Final, Protocol

from motewatch.journal.errors import JournalUnwritableError
from motewatch.journal.rows import OutboxRow
from motewatch.links.clock import TimeSource
from motewatch.links.connection import Publication
from motewatch.links.errors import BrokerAwayError, LinkError, PointsRefusedError, TimeSeriesAwayError
from motewatch.links.time_series import malformed

log = logging.getLogger(__name__)

COMPLAIN_S: Final = 60.0
"""How often a journal that cannot be written is told of in the log."""

MQTT: Final = "mqtt"
MQTT_ALARMS: Final = "mqtt-alarms"
"""Alarms and answers to people have a queue of their own: thousands of samples that wait must not delay one. Order
holds within a queue, and no topic is written from both."""
TIME_SERIES: Final = "time-series"
CALL: Final = "call/"
"""The sink of the calls over a channel is this and the channel's id."""

FIRST_PAUSE_S: Final = 0.5
LONGEST_PAUSE_S: Final = 30.0
FIRST_IN_LINE: Final = 0
"""The `next_try_us` of every waiting row: always due, so that the queue keeps the order of the ids."""

Report = Callable[[bool, int, str], None]
"""`report(up, since_us, detail)`: the sink went away or came back; called on a change and for the first state known."""


class Rows(Protocol):
    """What a worker needs of the journal; see there."""

    def due(self, sink: str, now_us: int, limit: int) -> list[OutboxRow]: ...
    def delivered(self, ids: Sequence[int], now_us: int) -> None: ...
    def retry(self, ids: Sequence[int], next_try_us: int, error: str) -> None: ...
    def refused(self, ids: Sequence[int], now_us: int, error: str) -> None: ...
    def resend(self, sink: str, since_us: int, now_us: int) -> int: ...


@dataclass(slots=True)
class Outcome:
    """What became of a page. Rows in neither list are to be sent again; `away` says why."""

    taken: list[int] = field(default_factory=list)
    refused: list[tuple[OutboxRow, LinkError]] = field(default_factory=list)
    away: LinkError | None = None


def fresh_row(
    sink: str,
    key: str,
    topic: str,
    payload: bytes,
    retain: bool,
    now_us: int,
    expiry_s: int | None = None,
    place: int = FIRST_IN_LINE,
) -> OutboxRow:
    """A row that has not been tried yet."""
    return OutboxRow(0, sink, key, topic, payload, retain, now_us, 0, place, expiry_s)


def pause_s(attempts: int) -> float:
    """How long to wait after so many failed attempts of the first row: half a second, doubling, up to half a minute."""
    return min(LONGEST_PAUSE_S, FIRST_PAUSE_S * 2.0 ** min(attempts, 16))


class OutboxWorker:
    """See the module. `step` is the whole work; the thread only calls it."""

    sink = ""

    def __init__(
        self, rows: Rows, clock: TimeSource, report: Report | None = None, *, page: int = 200, idle_s: float = 0.5
    ) -> None:
        self._rows = rows
        self._clock = clock
        self._report = report
        self._page = page
        self._idle_s = idle_s
        self._wake = threading.Event()
        self._hurry = threading.Event()
        self._stopping = threading.Event()
        self._journal_lock = threading.Lock()
        self._abandoned = False
        self._unmarked: tuple[list[OutboxRow], Outcome, int] | None = None
        """A page that the sink has had, while the journal could not be told so: it must not be sent again."""
        self._complained_s: float | None = None
        self._up: bool | None = None
        self._resume_s: float | None = None
        self._thread: threading.Thread | None = None
        self.taken = 0
        self.refused = 0

    # ---- any thread -------------------------------------------------------------------------------------------------

    def start(self) -> None:
        """Begin to deliver, in a thread of its own."""
        if self._thread is not None:
            raise RuntimeError("an outbox worker is started once")
        self._thread = threading.Thread(target=self._run, name=f"outbox-{self.sink}", daemon=True)
        self._thread.start()

    def notify(self) -> None:
        """There are new rows."""
        self._wake.set()

    def try_now(self) -> None:
        """The sink is known to be back: do not wait out the pause."""
        self._resume_s = None
        self._hurry.set()
        self._wake.set()

    def stop(self, timeout_s: float = 2.0) -> bool:
        """Finish the page under way and end. False if the sink holds the thread longer than `timeout_s`: it is left
        behind and its page stays undelivered on record."""
        self._stopping.set()
        self._hurry.set()
        self._wake.set()
        if self._thread is not None:
            self._thread.join(timeout_s)
        # Waits for a journal call under way (they are short), so the caller may close the journal after this.
        with self._journal_lock:
            self._abandoned = True
        return self._thread is None or not self._thread.is_alive()

    # ---- the worker's thread ----------------------------------------------------------------------------------------

    def _run(self) -> None:
        while not self._stopping.is_set():
            resume_s = self._resume_s
            if resume_s is not None:
                # New rows wait as well; only `try_now` and `stop` shorten this.
                self._hurry.wait(max(0.0, resume_s - self._clock.monotonic_s()))
                self._hurry.clear()
            self._wake.clear()
            try:
                more = self.step()
            except JournalUnwritableError as error:
                self._complain(error)
                more = False
                self._resume_s = self._clock.monotonic_s() + pause_s(2)
            except Exception:  # a defect: nothing is lost, rows stay
                log.exception("the outbox worker for '%s' failed; it goes on", self.sink)
                more = False
                self._resume_s = self._clock.monotonic_s() + pause_s(2)
            if not more:
                self._wake.wait(self._idle_s)

    def step(self) -> bool:
        """Deliver one page if it is time to; True when there may be more to do at once."""
        resume_s = self._resume_s
        if resume_s is not None and self._clock.monotonic_s() < resume_s:
            return False
        self._resume_s = None
        if self._unmarked is not None:
            self._record(*self._unmarked)
        if not self.ready():
            return False
        page = self._due()
        if not page:
            return False
        began_us = self._clock.now_us()
        outcome = self.deliver(page)
        now_us = self._clock.now_us()
        self._record(page, outcome, now_us)
        if outcome.away is not None:
            self._resume_s = self._clock.monotonic_s() + pause_s(page[0].attempts)
            self._tell(False, began_us, str(outcome.away))
            return False
        self._tell(True, now_us, "")
        return len(page) == self._page

    def ready(self) -> bool:
        """Whether a try makes sense now; what there is to do beside the rows is done here."""
        return True

    def deliver(self, page: list[OutboxRow]) -> Outcome:
        """Send the page, in order."""
        raise NotImplementedError

    def _due(self) -> list[OutboxRow]:
        with self._journal_lock:
            return [] if self._abandoned else self._rows.due(self.sink, self._clock.now_us(), self._page)

    def _resend(self, since_us: int, why: str) -> None:
        with self._journal_lock:
            count = 0 if self._abandoned else self._rows.resend(self.sink, since_us, FIRST_IN_LINE)
        log.info("%d rows for '%s' are sent once more: %s", count, self.sink, why)

    def _record(self, page: list[OutboxRow], outcome: Outcome, now_us: int) -> None:
        self._unmarked = page, outcome, now_us
        done = {*outcome.taken, *(row.id for row, _ in outcome.refused)}
        again = [row.id for row in page if row.id not in done]
        with self._journal_lock:
            if self._abandoned:
                return
            if outcome.taken:
                self._rows.delivered(outcome.taken, now_us)
            for row, error in outcome.refused:
                self._rows.refused([row.id], now_us, str(error))
            if again:
                self._rows.retry(again, FIRST_IN_LINE, str(outcome.away or "not sent"))
        self._unmarked = None
        for row, error in outcome.refused:
            log.error("'%s' will never take '%s', it is given up: %s", self.sink, row.key, error)
        self.taken += len(outcome.taken)
        self.refused += len(outcome.refused)

    def _complain(self, error: JournalUnwritableError) -> None:
        """Once a minute is enough: the writer says it too."""
        now_s = self._clock.monotonic_s()
        if self._complained_s is None or now_s >= self._complained_s + COMPLAIN_S:
            self._complained_s = now_s
            log.warning("what '%s' was sent cannot be marked: %s", self.sink, error)

    def _tell(self, up: bool, since_us: int, detail: str) -> None:
        if up == self._up:
            return
        self._up = up
        if up:
            log.info("sink '%s' is up", self.sink)
        else:
            log.warning("sink '%s' is away: %s", self.sink, detail)
        if self._report is not None:
            self._report(up, since_us, detail)


class Publisher(Protocol):
    """What the MQTT worker needs of the broker link."""

    @property
    def connected(self) -> bool: ...
    def publish(self, topic: str, payload: bytes, retain: bool, expiry_s: int | None = None) -> Publication: ...


class MqttWorker(OutboxWorker):
    """Publishes pages pipelined: all sent, then all acknowledgements awaited for at most `timeout_s`.

    From the first row that failed and may be tried again on, the rest of the page counts as not sent, though some of
    it may have arrived: sent again in order, the last state on each topic is the right one.
    """

    sink = MQTT

    def __init__(
        self,
        rows: Rows,
        clock: TimeSource,
        publisher: Publisher,
        report: Report | None = None,
        *,
        timeout_s: float = 10.0,
        page: int = 200,
        idle_s: float = 0.2,
    ) -> None:
        super().__init__(rows, clock, report, page=page, idle_s=idle_s)
        self._publisher = publisher
        self._timeout_s = timeout_s

    def ready(self) -> bool:
        """While the broker is away nothing is tried and no attempt is counted."""
        return self._publisher.connected

    def deliver(self, page: list[OutboxRow]) -> Outcome:
        """See `OutboxWorker`."""
        now_us = self._clock.now_us()
        outcome = Outcome()
        sent: list[tuple[OutboxRow, Publication | None]] = []
        for row in page:
            left_s = None if row.expiry_s is None else row.expiry_s - (now_us - row.created_us) // 1_000_000
            if left_s is not None and left_s <= 0:
                sent.append((row, None))  # worthless by now: done without sending
            else:
                sent.append((row, self._publisher.publish(row.topic, row.payload, row.retain, left_s)))
        deadline_s = self._clock.monotonic_s() + self._timeout_s
        for row, publication in sent:
            if publication is not None and not self._settles(publication, deadline_s):
                outcome.away = BrokerAwayError(f"the broker did not acknowledge '{row.topic}' in time")
                break
            error = None if publication is None else publication.error
            if error is None:
                outcome.taken.append(row.id)
            elif error.final:
                outcome.refused.append((row, error))
            else:
                outcome.away = error
                break
        return outcome

    def _settles(self, publication: Publication, deadline_s: float) -> bool:
        while not publication.settles_within(0.1):
            if self._stopping.is_set() or self._clock.monotonic_s() >= deadline_s:
                return publication.settled
        return True


class AlarmWorker(MqttWorker):
    """The same for the queue of alarms and answers."""

    sink = MQTT_ALARMS


class Sink(Protocol):
    """What the time-series worker needs of its link."""

    def write(self, lines: str) -> None: ...
    def started_at(self) -> float | None: ...


class TimeSeriesWorker(OutboxWorker):
    """Writes a page as one body; a refused body is halved until the row at fault stands alone.

    A server may lose what it acknowledged in its last seconds. So delivered rows are sent again, those of the last
    `resend_s` before it was last known to live: when it comes back, when its process turns out to be another one,
    and on the first contact. `last_taken_us` is when it last took something, from the journal; not when this service
    last ran, which may have been long after the server went away.
    """

    sink = TIME_SERIES

    def __init__(
        self,
        rows: Rows,
        clock: TimeSource,
        link: Sink,
        report: Report | None = None,
        *,
        resend_s: float = 30.0,
        check_s: float = 5.0,
        last_taken_us: int | None = None,
        page: int = 500,
        idle_s: float = 0.5,
    ) -> None:
        super().__init__(rows, clock, report, page=page, idle_s=idle_s)
        self._link = link
        self._resend_us = round(resend_s * 1_000_000)
        self._check_s = check_s
        self._alive_us = last_taken_us
        """When the server, the process that holds our latest points, was last known to live."""
        self._in_doubt = last_taken_us is not None
        self._started: float | None = None
        self._next_check_s = 0.0

    def ready(self) -> bool:
        """Looks now and then whether the server is still the same process."""
        if self._clock.monotonic_s() >= self._next_check_s:
            self._check()
        return True

    def _check(self) -> None:
        self._next_check_s = self._clock.monotonic_s() + self._check_s
        now_us = self._clock.now_us()
        started = self._link.started_at()
        if started is None:
            return
        if self._in_doubt or self._started not in (None, started):
            self._again("it is another process, or may be")
        self._started = started
        self._alive_us = now_us

    def _again(self, why: str) -> None:
        self._in_doubt = False
        if self._alive_us is not None and self._resend_us:
            self._resend(self._alive_us - self._resend_us, why)

    def deliver(self, page: list[OutboxRow]) -> Outcome:
        """See `OutboxWorker`."""
        outcome = Outcome()
        good = []
        for row in page:
            bad = malformed(row.payload)
            if bad is None:
                good.append(row)
            else:
                outcome.refused.append((row, PointsRefusedError(0, bad)))
        began_us = self._clock.now_us()
        try:
            self._write(good, outcome)
        except TimeSeriesAwayError as error:
            outcome.away = error
            self._in_doubt = True
            return outcome
        if self._in_doubt:
            self._check()
        if self._in_doubt:  # it does not say when it started
            self._again("it was away")
        if self._started is None:
            self._alive_us = began_us
        return outcome

    def _write(self, rows: list[OutboxRow], outcome: Outcome) -> None:
        if not rows:
            return
        try:
            self._link.write("\n".join(row.payload.decode() for row in rows))
        except PointsRefusedError as error:
            if len(rows) == 1:
                outcome.refused.append((rows[0], error))
                return
            middle = len(rows) // 2
            self._write(rows[:middle], outcome)
            self._write(rows[middle:], outcome)
        else:
            outcome.taken += [row.id for row in rows]
