"""The one thread that owns engine and journal: batches in, one transaction, acknowledgements, outbox.

Order is everything here (design: what happens to one message). A batch of deliveries goes through the engine; inputs,
outputs and the outbox rows they cause are committed in one transaction; then, and only then, the broker is told that
the messages were taken. When the store cannot take it (full, failing, held by another program), the batch is kept and
tried again (`store_watch`): nothing is acknowledged meanwhile, nothing else taken in, and afterwards the engine's time
is held until the backlog of that time is drained. When a commit fails otherwise, the engine is ahead of the record
for good, so the program stops with the messages unacknowledged: they come again after the restart.

The engine's time is held (`EngineClock`) from the moment the broker is away until its backlog is drained, but not
longer than the hold limit: then the loss of the broker is an alarm, and periods close as missing.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from queue import Empty, SimpleQueue
from typing import Protocol

from motewatch.callout.outlook import CaseNow
from motewatch.engine import Engine
from motewatch.engine.codec import Internal, encode_internal, internal_kind
from motewatch.engine.desk import BROKER_ALARM
from motewatch.engine.records import (
    ClockStepped,
    Commanded,
    Heard,
    Input,
    Link,
    LinkChanged,
    Output,
    RecordHeldUp,
    Refused,
    Repeated,
    Resumed,
    SampleTaken,
    SessionLost,
    SessionTaken,
    Turned,
    What,
)
from motewatch.engine.service_alarms import MARKER_ALARM
from motewatch.journal.errors import JournalUnwritableError
from motewatch.journal.history import JournalHistory
from motewatch.journal.inputs import MESSAGE, REFUSED, encode_refusal, what_of
from motewatch.journal.journal import Journal
from motewatch.journal.rows import Batch, DeadLetter, InputRow, OutboxRow
from motewatch.links.broker import BrokerEvent, Delivery
from motewatch.links.clock import StepWatch, TimeSource
from motewatch.links.steady_clock import SteadyClock
from motewatch.service.engine_clock import EngineClock
from motewatch.service.letter_budget import Keep, LetterBudget
from motewatch.service.refusals import refusal_of
from motewatch.service.replay import snapshot_row
from motewatch.service.store_watch import StoreWatch
from motewatch.web.pulse import CommitTimes, Pulse
from motewatch.wire.records import MINUTE_US, SECOND_US, Refusal
from motewatch.wire.topics import Topics

_log = logging.getLogger("motewatch.writer")

BATCH = 400
BATCH_S = 0.02
"""A commit group: up to 400 messages or 20 ms, whichever comes first. In larger groups each message costs less: every
sensor touches a page of its own in the index, once a commit."""

IDLE_S = 0.25
"""How often the writer looks at its clocks when nothing comes."""

CASES_S = 0.25
"""How often at most a picture of the cases is made for those who look at it."""

CATCH_UP_US = 10 * MINUTE_US
"""Long stretches of time are worked off in pieces, so that no single transaction holds a day of missing samples."""

SNAPSHOT_S = 300.0
SNAPSHOT_INPUTS = 100_000
SNAPSHOT_REPLAYED = 5_000
"""A start that had to work through so many inputs leaves a snapshot behind at once: a service that is killed again and
again would else need longer for each start, and in the end longer than it lives."""
STALL_S = 1.0
"""A turn of the loop that took longer: the program stood, or its disk did, and readings may wait to be read."""

STOOD_STILL_US = 5 * SECOND_US
"""A shorter stop of the engine's time takes nothing from the time that people have to answer."""


@dataclass(frozen=True, slots=True)
class Posted:
    """An input that the service makes itself: a link changed, a new configuration, an answer from the page.

    `done` is called with what the engine said to it, after the commit and in the writer's thread, so it must be quick
    and must not raise. A service that stops before has not called it: the input was not taken.
    """

    what: Internal
    done: Callable[[Sequence[Output]], object] | None = None


@dataclass(frozen=True, slots=True)
class Stop:
    """Finish what is there and end."""


Item = Delivery | BrokerEvent | SessionTaken | Posted | Stop


class Acknowledger(Protocol):
    """What the writer needs of the broker link."""

    def acknowledge(self, deliveries: Iterable[Delivery]) -> object:
        """Tell the broker that these were taken."""
        ...

    def find_end_again(self) -> object:
        """Look once more for the end of what the broker holds for us: the event `drained` tells it."""
        ...


RowsAgain = Callable[[int], list[OutboxRow]]
"""(now in microseconds) -> rows that say the present states once more"""

RowsOf = Callable[[Sequence[Output], int, Mapping[str, str]], list[OutboxRow]]
"""(outputs, now in microseconds, response topics by command id) -> outbox rows"""


@dataclass(slots=True)
class _Pending:
    """What one transaction will hold."""

    inputs: list[InputRow] = field(default_factory=list)
    outputs: list[tuple[int, Output]] = field(default_factory=list)
    dead_letters: list[DeadLetter] = field(default_factory=list)
    deliveries: list[Delivery] = field(default_factory=list)
    response_topics: dict[str, str] = field(default_factory=dict)
    done: list[tuple[Callable[[Sequence[Output]], object], Sequence[Output]]] = field(default_factory=list)
    say_again: bool = False


@dataclass(slots=True)
class Figures:
    """What the writer has done since it started; for the log and for tests."""

    messages: int = 0
    repeats: int = 0
    dead_letters: int = 0
    samples: int = 0
    commits: int = 0


class Writer:
    """Runs the batch loop. `run` returns when stopped; what it raises ends the program."""

    def __init__(
        self,
        journal: Journal,
        engine: Engine,
        history: JournalHistory,
        inbox: SimpleQueue[Item],
        topics: Topics,
        rows_of: RowsOf,
        rows_again: RowsAgain,
        notify: Callable[[], None],
        clock: TimeSource,
        hold_limit_s: float,
        known_before: bool,
        tell_trouble: Callable[[str], object] = lambda trouble: None,
        stall_s: float = STALL_S,
        replayed: int = 0,
        letters: LetterBudget | None = None,
    ) -> None:
        """`tell_trouble` is called with why the record cannot be written, again and again while it cannot, and with
        nothing when it can; in the writer's thread. `replayed`: so many inputs the engine worked through before."""
        self._journal = journal
        self._engine = engine
        self._history = history
        self._inbox = inbox
        self._topics = topics
        self._rows_of = rows_of
        self._rows_again = rows_again
        self._notify = notify
        self._clock = clock
        self._hold_limit_s = hold_limit_s
        self._known_before = known_before
        self._link: Acknowledger | None = None
        self._engine_clock = EngineClock(clock, engine.passed_us)
        self._steady = clock if isinstance(clock, SteadyClock) else None
        self._steps = self._steady or StepWatch(clock)
        self._connected = False
        # An earlier run may have told of it; nobody else would take it back.
        known = {change.alarm for change in journal.last_alarm_events() if change.holds}
        self._broker_alarm = BROKER_ALARM in known
        self._marker_alarm = MARKER_ALARM in known
        self._down_since_us = clock.now_us()
        self._down_detail = ""
        self._down_since_s = clock.monotonic_s()
        self._held_since_s = clock.monotonic_s()
        self._end_sought_s = clock.monotonic_s()
        self.turned_s = clock.monotonic_s()
        """When the loop last turned or committed, on the monotonic clock. Not renewed once a commit has failed; see
        `lives_s`."""
        self.cases: tuple[CaseNow, ...] = ()
        """How the calls for each alarm stood lately: frozen, to be looked at from any thread."""
        self._cases_s = clock.monotonic_s() - CASES_S
        self._snapshot_s = clock.monotonic_s()
        self._snapshot_inputs = replayed
        self._replayed_much = replayed >= SNAPSHOT_REPLAYED
        self._step_checked_s = clock.monotonic_s()
        self._stopping = threading.Event()
        self._store = StoreWatch(journal, clock, self._stopping, tell_trouble)
        self._looping = False
        self._letters = letters
        """How much of what cannot be used is kept; None: all of it."""
        self._stall_s = stall_s
        self._looked_s, self._looked_us = clock.monotonic_s(), clock.now_us()
        self._to_tell: list[RecordHeldUp | LinkChanged] = []
        """What the engine is told once its time has caught up: stretches without a record, and what ended since."""
        self._broker_back: LinkChanged | None = None
        """The same of a broker that is away by the record of an earlier run, and is back."""
        self.figures = Figures()
        self.commit_times = CommitTimes()
        self.drained = threading.Event()

    def attach(self, link: Acknowledger) -> None:
        """Give the link whose deliveries are acknowledged. Before `run`."""
        self._link = link

    def run(self) -> None:
        """The loop. Returns after a `Stop`, or soon after `stop`."""
        running = self._looping = True
        self._looked_s, self._looked_us = self._clock.monotonic_s(), self._clock.now_us()
        while running:
            items = self._collect()
            self._notice_stall()
            self._batch(items)
            self.turned_s = self._clock.monotonic_s()
            self._show_cases()
            running = not self._stopping.is_set() and not any(isinstance(item, Stop) for item in items)
        rest = _Pending()
        self._tell_of_letters(rest, everything=True)
        self._commit(rest, force=True)
        self._try_snapshot()

    @property
    def trouble(self) -> str:
        """Why the record cannot be written just now; empty where it can. From any thread."""
        return self._store.trouble

    def pulse(self) -> Pulse:
        """What it has done and how it stands. From any thread."""
        done, times = self.figures, self.commit_times
        lag_us = self._clock.now_us() - max(self._engine.passed_us, self._engine.time_us)
        return Pulse(
            messages=done.messages,
            repeats=done.repeats,
            dead_letters=done.dead_letters,
            samples=done.samples,
            commit_counts=tuple(times.counts),
            commit_total_s=times.total_s,
            lag_s=max(0, lag_us) / SECOND_US,
            connected=self._connected,
            writable=not self.trouble,
        )

    @property
    def lives_s(self) -> float:
        """When the loop last turned, committed or tried in vain to: it hangs when that is long ago. From any thread."""
        return max(self.turned_s, self._store.tried_s)

    @property
    def untold_loss_s(self) -> float:
        """For how many seconds the broker has been away without an alarm that tells it. From any thread."""
        told = self._connected or self._broker_alarm
        return 0.0 if told else self._clock.monotonic_s() - self._down_since_s

    @property
    def untold_hold_s(self) -> float:
        """For how many seconds the end of what waited at the broker has been looked for. Until it is found nothing is
        judged, so no alarm can tell of that. From any thread."""
        seeks = self._connected and self._engine_clock.held
        return self._clock.monotonic_s() - self._end_sought_s if seeks else 0.0

    def stop(self) -> None:
        """End the loop after the transaction at hand. From any thread; what still waits stays with the broker."""
        self._stopping.set()
        self._inbox.put(Stop())

    def post_first(self, what: Internal) -> None:
        """Apply one internal input now, before the loop runs: the first configuration, a replay difference."""
        pending = _Pending()
        self._apply_internal(pending, what)
        if self._engine.passed_us < 0:
            # A new engine lives from its first configuration on: that is where its held time stands.
            self._advance(pending, self._engine.time_us)
        self._commit(pending)

    def save_snapshot(self) -> None:
        """Write the engine's state, so that the next start replays only what came later."""
        self._journal.save_snapshot(snapshot_row(self._engine, self._journal))
        self._snapshot_s = self._clock.monotonic_s()
        self._snapshot_inputs = 0

    def _show_cases(self) -> None:
        """After the commit: what is shown is on record."""
        if self.turned_s - self._cases_s >= CASES_S:
            self._cases_s = self.turned_s
            self.cases = self._engine.cases()

    # Collecting

    def _collect(self) -> list[Item]:
        """One commit group: wait for the first item, then a little for more."""
        items: list[Item] = []
        try:
            items.append(self._inbox.get(timeout=self._patience_s()))
        except Empty:
            return items
        deadline_s = self._clock.monotonic_s() + BATCH_S
        while len(items) < BATCH and not isinstance(items[-1], Stop):
            if self._inbox.qsize():
                # What is there already is taken without a look at the clock.
                items.append(self._inbox.get_nowait())
                continue
            left_s = deadline_s - self._clock.monotonic_s()
            try:
                items.append(self._inbox.get(timeout=left_s) if left_s > 0 else self._inbox.get_nowait())
            except Empty:
                break
        return items

    def _patience_s(self) -> float:
        due_us = self._engine.next_due_us
        if due_us is None or self._engine_clock.held:
            return IDLE_S
        return min(IDLE_S, max(0.0, (due_us - self._clock.now_us()) / 1_000_000))

    # One batch

    def _batch(self, items: list[Item]) -> None:
        pending, behind = self._catch_up(_Pending())
        for item in items:
            if behind:
                break
            if isinstance(item, Delivery):
                self._apply_delivery(pending, item)
            elif isinstance(item, BrokerEvent):
                self._broker_event(pending, item)
                # The hold may have ended: what lies before the next input is worked off before it.
                pending, behind = self._catch_up(pending)
            elif isinstance(item, SessionTaken):
                self._apply_internal(pending, item)
            elif isinstance(item, Posted):
                outputs = self._apply_internal(pending, item.what)
                if item.done is not None:
                    pending.done.append((item.done, outputs))
        if not behind and self._hold_is_over(pending):
            pending, behind = self._catch_up(pending)
        if not behind:
            self._tell_later(pending)
            self._tell_of_clocks(pending)
            self._tell_of_letters(pending)
            self._advance(pending, self._engine_clock.advance_us(self._engine.passed_us))
        self._commit(pending)
        self._maybe_snapshot()

    def _catch_up(self, pending: _Pending) -> tuple[_Pending, bool]:
        """Work off a long stretch of time in transactions of its own. Returns what is still to be committed, and
        whether a stop broke it off: the rest is then worked off after the next start, at the same instants."""
        target_us = self._engine_clock.advance_us(self._engine.passed_us)
        while target_us - self._engine.passed_us > CATCH_UP_US:
            self._advance(pending, self._engine.passed_us + CATCH_UP_US)
            self._commit(pending)
            pending = _Pending()
            if self._stopping.is_set():
                return pending, True
        return pending, False

    def _advance(self, pending: _Pending, to_us: int) -> None:
        pending.outputs += [(-1, output) for output in self._engine.advance(to_us)]

    def _apply_delivery(self, pending: _Pending, delivery: Delivery) -> None:
        pending.deliveries.append(delivery)
        self.figures.messages += 1
        what = what_of(self._topics, delivery.topic, delivery.payload)
        if what is None:
            return
        if self._steady is not None and self._steady.doubted and isinstance(what, Heard):
            self._steady.heard(what.reading.sensor, what.reading.end_us)
        received_us = delivery.received_us
        if isinstance(what, Heard):
            self._apply(pending, MESSAGE, delivery.topic, delivery.payload, received_us, what, delivery)
            return
        if isinstance(what, Refused):
            keep, refusal = self._kept(delivery, what.refusal)
            if keep is Keep.COUNT:
                self.figures.dead_letters += 1
                return
            what, whole = Refused(refusal), keep is Keep.WHOLE
            outputs = self._apply(pending, REFUSED, "", encode_refusal(refusal), received_us, what, delivery, whole)
        else:
            outputs = self._apply(pending, MESSAGE, delivery.topic, delivery.payload, received_us, what, delivery)
        asked = _command_id(what)
        if asked is not None and delivery.response_topic and self._may_answer(delivery.response_topic):
            pending.response_topics[asked] = delivery.response_topic
        self._note_refusal(pending, what, outputs)

    def _may_answer(self, topic: str) -> bool:
        """A response topic is the sender's choice; it must not make us write among our own publications."""
        topics = self._topics
        return not topic.startswith(f"{topics.root}/") or topic.startswith(topics.reply(""))

    def _apply_internal(self, pending: _Pending, what: Internal) -> Sequence[Output]:
        kind, payload = internal_kind(what), encode_internal(what)
        outputs = self._apply(pending, kind, "", payload, self._clock.now_us(), what, None)
        self._note_refusal(pending, what, outputs)
        return outputs

    def _note_refusal(self, pending: _Pending, what: What, outputs: Sequence[Output]) -> None:
        """Who was refused what is on the audit trail, by an input of its own."""
        refused = refusal_of(what, outputs, self._engine.named)
        if refused is not None:
            self._apply_internal(pending, refused)

    def _apply(
        self,
        pending: _Pending,
        kind: str,
        topic: str,
        payload: bytes,
        received_us: int,
        what: What,
        delivery: Delivery | None,
        whole: bool = True,
    ) -> Sequence[Output]:
        engine = self._engine
        applied_us = self._engine_clock.input_us(engine.passed_us, engine.time_us)
        outputs = engine.apply(Input(received_us, applied_us, what))
        kept = True
        refusal = what.refusal if isinstance(what, Refused) else None
        index = len(pending.inputs)
        for output in outputs:
            if isinstance(output, Repeated):
                kept = False
                self.figures.repeats += 1
            elif isinstance(output, Turned):
                refusal = output.refusal
                # The body of a message that could be read is among the inputs in any case.
                if self._letters is not None:
                    whole = self._letters.whole(topic, refusal, len(payload), self._clock.now_us())
                pending.outputs.append((index, output))
            else:
                if isinstance(output, SampleTaken):
                    self.figures.samples += 1
                pending.outputs.append((index, output))
        if not kept:
            # What the engine said before it saw the repeat was due by time, and belongs to no input.
            pending.outputs = [(-1, out) if at == index else (at, out) for at, out in pending.outputs]
            return outputs
        if isinstance(what, Heard) and refusal is None:
            # Under the key that may stand in the journal only once.
            key = what.reading
            row = InputRow(
                0, kind, received_us, applied_us, topic, payload, key.sensor, key.boot, key.seq, key.start_us
            )
        else:
            row = InputRow(0, kind, received_us, applied_us, topic, payload)
        pending.inputs.append(row)
        if refusal is not None:
            self._keep_dead_letter(pending, refusal, row, delivery, whole)
        return outputs

    def _keep_dead_letter(
        self, pending: _Pending, refusal: Refusal, row: InputRow, delivery: Delivery | None, whole: bool
    ) -> None:
        self.figures.dead_letters += 1
        topic = row.topic if delivery is None else delivery.topic
        payload = row.payload if delivery is None else delivery.payload
        _log.warning(
            "dead letter",
            extra={"topic": topic, "reason": refusal.reason.value, "detail": refusal.detail, "bytes": len(payload)},
        )
        body = payload if whole else b""
        pending.dead_letters.append(
            DeadLetter(row.received_us, topic, body, refusal.reason.value, refusal.detail, refusal.sensor)
        )

    def _kept(self, delivery: Delivery, refusal: Refusal) -> tuple[Keep, Refusal]:
        """What to keep of a message that cannot be used, and its refusal with what it also stands for."""
        if self._letters is None:
            return Keep.WHOLE, refusal
        keep, untold = self._letters.judge(delivery.topic, refusal, len(delivery.payload), self._clock.now_us())
        return keep, refusal if untold is None else replace(refusal, detail=f"{refusal.detail}; {untold.words}")

    def _tell_of_letters(self, pending: _Pending, everything: bool = False) -> None:
        """Messages that were only counted, once no other of their source has come to stand for them."""
        if self._letters is None:
            return
        now_us = self._clock.now_us()
        for each in self._letters.due(now_us, everything):
            said = each.refusal
            pending.dead_letters.append(DeadLetter(now_us, each.topic, b"", said.reason.value, each.words, said.sensor))

    def _commit(self, pending: _Pending, force: bool = False) -> None:
        """One transaction for all of it; then the broker is told."""
        outputs = [output for _, output in pending.outputs]
        if pending.inputs or outputs or pending.dead_letters or pending.say_again or force:
            now_us = self._clock.now_us()
            # The states on record first, so that what this batch changes comes after them.
            outbox = self._rows_again(now_us) if pending.say_again else []
            outbox += self._rows_of(outputs, now_us, pending.response_topics)
            began_s = self._clock.monotonic_s()
            self._write(Batch(pending.inputs, pending.outputs, pending.dead_letters, outbox, self._engine.passed_us))
            self._history.committed()
            self.turned_s = self._clock.monotonic_s()
            self.commit_times.took(self.turned_s - began_s)
            self._snapshot_inputs += len(pending.inputs)
            self.figures.commits += 1
            if outbox:
                self._notify()
        if pending.deliveries and self._link is not None:
            self._link.acknowledge(pending.deliveries)
        for done, said in pending.done:
            done(said)

    def _write(self, batch: Batch) -> None:
        if not self._looping:
            # At the start nothing waits for us yet, and whoever starts us is told why it cannot be.
            self._journal.commit(batch)
            return
        held_up = self._store.commit(batch)
        if held_up is None:
            return
        self._to_tell.append(held_up)
        self._wait_for_what_waits()

    def _notice_stall(self) -> None:
        """Was the whole program held up (a stopped process, a machine that was moved or asleep, a disk that took its
        time)? Its host's clock went on meanwhile; one of the two clocks does not count a machine's sleep."""
        now_s, now_us = self._clock.monotonic_s(), self._clock.now_us()
        stood_s = max(now_s - self._looked_s, (now_us - self._looked_us) / SECOND_US)
        self._looked_s, self._looked_us = now_s, now_us
        if stood_s >= self._stall_s and not self._engine_clock.held and self._wait_for_what_waits():
            _log.warning("held up; first comes what came meanwhile", extra={"stood_s": round(stood_s, 1)})

    def _wait_for_what_waits(self) -> bool:
        """What was sent meanwhile waits with the broker, or unread: no period may close before it is here."""
        if not self._connected or self._link is None:
            return False
        self._engine_clock.held = True
        self._held_since_s = self._end_sought_s = self._clock.monotonic_s()
        self._link.find_end_again()
        return True

    def _tell_later(self, pending: _Pending) -> None:
        """Once the engine's time has caught up: told earlier it would be found before it was, and what happened
        meanwhile judged as if it had been so already."""
        if self._engine_clock.held:
            return
        for told in self._to_tell:
            self._apply_internal(pending, told)
        self._to_tell.clear()
        if self._broker_back is not None:
            self._apply_internal(pending, self._broker_back)
            self._broker_back, self._broker_alarm = None, False

    def _try_snapshot(self) -> None:
        """A snapshot only saves time: without room for one all goes on."""
        try:
            self.save_snapshot()
        except JournalUnwritableError as error:
            _log.warning("no snapshot of the engine could be kept", extra={"detail": str(error)})
            self._snapshot_s = self._clock.monotonic_s()
            self._snapshot_inputs = 0

    def _maybe_snapshot(self) -> None:
        elapsed_s = self._clock.monotonic_s() - self._snapshot_s
        many = self._snapshot_inputs >= SNAPSHOT_INPUTS or self._replayed_much
        if many or (elapsed_s >= SNAPSHOT_S and self._snapshot_inputs):
            self._replayed_much = False
            self._try_snapshot()

    # Broker and clocks

    def _broker_event(self, pending: _Pending, event: BrokerEvent) -> None:
        _log.info("broker", extra={"event": event.kind, "detail": event.detail})
        if event.kind == "up":
            # A broker that comes back may have lost retained states that it had acknowledged.
            pending.say_again = True
            self._connected = True
            self._held_since_s = self._end_sought_s = self._clock.monotonic_s()
            if self._broker_alarm:
                self._broker_back = LinkChanged(Link.BROKER, True, event.at_us)
                self._tell_later(pending)
            self._engine_clock.held = True
        elif event.kind == "down":
            self._down_detail = event.detail
            if self._connected or not self._engine_clock.held:
                self._down_since_us = event.at_us
                self._down_since_s = self._clock.monotonic_s()
                self._held_since_s = self._clock.monotonic_s()
                self._engine_clock.held = not self._broker_alarm
            self._connected, self._broker_back = False, None
        elif event.kind == "session-lost":
            if self._known_before:
                self._apply_internal(pending, SessionLost(max(0, self._engine.passed_us)))
            self._known_before = True
        elif event.kind == "drained":
            self._known_before = True
            self._go_on(pending)
            if self._marker_alarm and not event.detail:
                self._marker_alarm = False
                self._to_tell.append(LinkChanged(Link.MARKER, True, self._clock.now_us()))
            self.drained.set()
            figures = self.figures
            _log.info("backlog drained", extra={"messages": figures.messages, "repeats": figures.repeats})
        elif event.kind == "marker-lost" and not self._marker_alarm:
            self._marker_alarm = True
            self._to_tell.append(LinkChanged(Link.MARKER, False, self._clock.now_us(), event.detail))

    def _tell_of_clocks(self, pending: _Pending) -> None:
        now_s = self._clock.monotonic_s()
        if now_s - self._step_checked_s >= 1.0:
            self._step_checked_s = now_s
            step_us = self._steps.step_us()
            if step_us is not None:
                self._apply_internal(pending, ClockStepped(step_us))

    def _hold_is_over(self, pending: _Pending) -> bool:
        """Let time go on when the hold limit is reached; the loss of the broker is then an alarm."""
        if not self._engine_clock.held:
            return False
        now_s = self._clock.monotonic_s()
        if pending.deliveries:
            # A backlog that is being drained is not a broker that is away.
            self._held_since_s = now_s
            return False
        if now_s - self._held_since_s <= self._hold_limit_s:
            return False
        if self._connected:
            _log.warning("no end of the backlog was seen; going on", extra={"waited_s": self._hold_limit_s})
        else:
            self._broker_alarm = True
            # Before time goes on, so that the engine knows why nobody was heard when it looks for silence; and dated
            # not after the engine's own time, which stood still when the service was away before the broker was.
            since_us = min(self._down_since_us, max(self._engine.passed_us, self._engine.time_us))
            self._apply_internal(pending, LinkChanged(Link.BROKER, False, since_us, self._down_detail))
        self._go_on(pending)
        return True

    def _go_on(self, pending: _Pending) -> None:
        """The engine's time goes on. While it stood still nobody was called: an escalation does not count that time."""
        now_us = self._clock.now_us()
        stood_us = now_us - max(self._engine.passed_us, self._engine.time_us)
        if self._engine_clock.held and self._engine.calls_somebody and stood_us > STOOD_STILL_US:
            self._apply_internal(pending, Resumed(now_us))
        self._engine_clock.held = False


def _command_id(what: What) -> str | None:
    """The id of a command, well formed or not, whose sender waits for an answer."""
    if isinstance(what, Commanded):
        return what.command.id
    return what.refusal.command_id if isinstance(what, Refused) else None
