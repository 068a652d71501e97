"""The writer with everything around it in memory but the journal, and a script instead of an inbox.

A script is a list of items (deliveries, broker events, internal inputs) and of functions. Items in a row are one
group; a function ends the group before it, is called once that group is committed (it moves the clock, or breaks
something), and then the writer finds an empty inbox once. When the script is over, the writer is stopped.
`run_script` returns when the writer does, in the calling thread.
"""

from __future__ import annotations

import json
import math
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from queue import Empty, SimpleQueue
from typing import Any

from motewatch.engine import Engine
from motewatch.engine.records import Configured, Output, SampleTaken
from motewatch.journal.history import JournalHistory
from motewatch.journal.journal import Journal
from motewatch.journal.rows import Batch, InputRow, OutboxRow, SnapshotRow
from motewatch.links.broker import BrokerEvent, Delivery
from motewatch.links.publications import Directory, Publications, iso
from motewatch.measure.samples import Sample
from motewatch.service.letter_budget import LetterBudget
from motewatch.service.replay import restore
from motewatch.service.writer import Item, Stop, Writer
from motewatch.site.models import Site
from motewatch.wire.topics import Topics
from support.facility import T0, configured, site_dict
from support.links_fakes import FakeClock

TOPICS = Topics("motewatch/v1", "testing")

Step = Item | Callable[[], object]


class Script(SimpleQueue[Item]):
    """An inbox that plays its steps, and then `Stop`."""

    def __init__(self, steps: Iterable[Step] = ()) -> None:
        super().__init__()
        self.steps: list[Step] = list(steps)
        self._in_group = False

    def get(self, block: bool = True, timeout: float | None = None) -> Item:
        if not self.steps:
            return Stop()
        step = self.steps[0]
        if callable(step):
            if not self._in_group:
                self.steps.pop(0)
                step()
            self._in_group = False
            raise Empty
        self._in_group = True
        del self.steps[0]
        return step

    def get_nowait(self) -> Item:
        return self.get(False)


class RecordingJournal(Journal):
    """A real journal that notes its commits in `order`, and fails them while `failure` is set.

    `failing` is called at each commit that fails: it may end the failure, or stop the writer.
    """

    def __init__(self, path: Path, order: list[tuple[str, Any]]) -> None:
        super().__init__(path)
        self.order = order
        self.failure: Exception | None = None
        self.failing: Callable[[], object] = lambda: None

    def commit(self, batch: Batch) -> list[int]:
        if self.failure is not None:
            failure = self.failure
            self.failing()
            raise failure
        ids = super().commit(batch)
        self.order.append(("commit", batch))
        return ids

    def save_snapshot(self, snapshot: SnapshotRow) -> None:
        """As ever, and noted."""
        super().save_snapshot(snapshot)
        self.order.append(("snapshot", snapshot.engine_us))


@dataclass
class RecordingLink:
    """Notes what is acknowledged in the same `order`."""

    order: list[tuple[str, Any]]

    def acknowledge(self, deliveries: Iterable[Delivery]) -> int:
        mids = [delivery.mid for delivery in deliveries]
        self.order.append(("acknowledge", mids))
        return len(mids)

    def find_end_again(self) -> None:
        self.order.append(("find end", None))


@dataclass
class Bench:
    """A writer on a journal at `path`, on the site of `support.facility`."""

    path: Path
    clock: FakeClock = field(default_factory=lambda: FakeClock(T0))
    site: dict[str, Any] = field(default_factory=site_dict)
    hold_limit_s: float = 30.0
    known_before: bool = False
    letters: LetterBudget | None = None
    replayed: int = 0
    again: bool = False
    """A second service on a journal that another bench has left: the engine as it was, configured already."""
    stall_s: float = math.inf
    """Scripts let minutes pass in one step; to the writer that would be a program that stood."""

    def __post_init__(self) -> None:
        self.order: list[tuple[str, Any]] = []
        self.troubles: list[str] = []
        self.journal = RecordingJournal(self.path, self.order)
        self.history = JournalHistory(self.journal)
        self.engine = restore(self.journal, self.history, TOPICS).engine if self.again else Engine(self.history)
        self.inbox = Script()
        self.notified = 0
        publications = Publications(TOPICS, Directory.of(Site.model_validate(self.site)), time_series=False)
        self.outbox: list[OutboxRow] = []

        def rows_of(outputs: Sequence[Output], now_us: int, responses: Mapping[str, str]) -> list[OutboxRow]:
            rows = publications.rows(outputs, now_us, responses)
            self.outbox += rows
            return rows

        self.writer = Writer(
            journal=self.journal,
            engine=self.engine,
            history=self.history,
            inbox=self.inbox,
            topics=TOPICS,
            rows_of=rows_of,
            rows_again=lambda now_us: [],
            notify=self._notify,
            clock=self.clock,
            hold_limit_s=self.hold_limit_s,
            known_before=self.known_before,
            tell_trouble=self.troubles.append,
            stall_s=self.stall_s,
            letters=self.letters,
            replayed=self.replayed,
        )
        self.writer.attach(RecordingLink(self.order))
        first: Configured = configured(self.site)
        if not self.again:
            self.writer.post_first(first)

    def __enter__(self) -> Bench:
        return self

    def __exit__(self, *_: object) -> None:
        self.journal.close()

    def run_script(self, *steps: Step) -> None:
        """Play the steps through the writer's loop, to its end."""
        self.inbox.steps += steps
        self.writer.run()

    def commits(self) -> list[Batch]:
        """What was committed, in order."""
        return [what for word, what in self.order if word == "commit"]

    def inputs(self) -> list[InputRow]:
        """The inputs on record after the first configuration."""
        return self.journal.inputs_after(1)

    def samples(self) -> list[Sample]:
        """The samples committed, in order."""
        return [
            output.sample for batch in self.commits() for _, output in batch.outputs if isinstance(output, SampleTaken)
        ]

    def _notify(self) -> None:
        self.notified += 1


@contextmanager
def tamper(path: Path) -> Iterator[sqlite3.Connection]:
    """The journal's file as someone with a database tool would write in it: without its guards, past our code."""
    connection = sqlite3.connect(path)
    try:
        for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            connection.execute(f"DROP TRIGGER {name}")
        yield connection
        connection.commit()
    finally:
        connection.close()


def count_payload(
    sensor: str, seq: int, end_us: int, counts: tuple[int, int] = (0, 0), seconds: float = 10.0, **changes: Any
) -> bytes:
    """A count message at nominal flow as a sensor would write it, ending at `end_us`."""
    message: dict[str, Any] = {
        "v": 1,
        "sensor": sensor,
        "boot": "boot-1",
        "seq": seq,
        "start": iso(end_us - round(seconds * 1_000_000)),
        "duration_s": seconds,
        "volume_l": round(28.3 * seconds / 60, 6),
        "counts": {"kind": "cumulative", "sizes_um": [0.5, 5.0], "values": list(counts)},
    }
    return json.dumps(message | changes).encode()


def delivery(topic: str, payload: bytes, mid: int, received_us: int, response_topic: str | None = None) -> Delivery:
    """A message of the first connection."""
    return Delivery(topic, payload, received_us, False, 1, mid, 1, response_topic)


def count(
    sensor: str, seq: int, end_us: int, counts: tuple[int, int] = (0, 0), seconds: float = 10.0, mid: int | None = None
) -> Delivery:
    """A delivered count message, received 0.3 s after its end; its packet id is its sequence number plus one."""
    payload = count_payload(sensor, seq, end_us, counts, seconds)
    return delivery(TOPICS.counts(sensor), payload, seq + 1 if mid is None else mid, end_us + 300_000)


def event(kind: Any, at_us: int = T0, detail: str = "") -> BrokerEvent:
    """Something that happened to the link."""
    return BrokerEvent(kind, at_us, 1, detail)
