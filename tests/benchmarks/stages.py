"""Where the microseconds of a message go. Run by hand: python tests/benchmarks/stages.py [--each-reading] --help

Each stage of the way of a message runs alone, with the real parts, on the same messages; what is printed is processor
time of the thread that does it, in microseconds a message (median of the repeats), so that a busy machine disturbs it
little. The broker is a process of our own that only floods, so the stages of the network stand without a broker's cost.
All stages share one interpreter lock in the service: their sum, not the slowest, is the limit.

- receive     from the socket to the inbox, in the network thread (`links.broker`)
- collect     from the inbox to a commit group (what `service.writer` does, without waiting)
- decode      bytes to a reading (`journal.inputs.what_of`)
- engine      the step, and time passing after each group
- rows        outputs to outbox rows (`links.publications`)
- commit      rows, hash chain and SQLite (`journal.commit`)
- acknowledge by the writer, and sent by the network thread
- tell        outbox page by page: due, published and acknowledged, marked (`links.outbox`)
- writer      collect to acknowledge as `service.writer` does it: the same work, measured in one
"""

from __future__ import annotations

import argparse
import socket
import statistics
import struct
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from itertools import islice
from multiprocessing import get_context
from pathlib import Path
from queue import SimpleQueue
from tempfile import TemporaryDirectory
from typing import Any

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent))

from benchmarks.rig import CLIMATE, SECOND_US, TOPICS  # noqa: E402
from motewatch.engine import Engine  # noqa: E402
from motewatch.engine.codec import encode_internal, internal_kind  # noqa: E402
from motewatch.engine.records import Input, Repeated  # noqa: E402
from motewatch.journal.history import JournalHistory  # noqa: E402
from motewatch.journal.inputs import MESSAGE, what_of  # noqa: E402
from motewatch.journal.journal import Journal  # noqa: E402
from motewatch.journal.rows import Batch, InputRow  # noqa: E402
from motewatch.links.broker import BrokerEvent, BrokerLink, Delivery  # noqa: E402
from motewatch.links.clock import Clock  # noqa: E402
from motewatch.links.outbox import MqttWorker  # noqa: E402
from motewatch.links.publications import Directory, Publications  # noqa: E402
from motewatch.links.site_file import load_site  # noqa: E402
from motewatch.service.program import configured  # noqa: E402
from motewatch.service.writer import BATCH, Item, Stop, Writer  # noqa: E402
from motewatch.site.models import Site  # noqa: E402
from motewatch_simulator import load  # noqa: E402
from motewatch_simulator.lean import Parcel  # noqa: E402

BEGAN_US = 1_790_000_000_000_000
"""When the readings begin: any instant will do, and the same one gives the same work."""


# ---- messages and site ----------------------------------------------------------------------------------------------


class _Standing:
    """A clock that shows what it is told; its monotonic side is real."""

    def __init__(self, now_us: int) -> None:
        self.us = now_us

    def now_us(self) -> int:
        return self.us

    def monotonic_s(self) -> float:
        return time.monotonic()


@dataclass(frozen=True, slots=True)
class _Work:
    """What is measured with."""

    site: Site
    parcels: list[Parcel]
    deliveries: list[Delivery]
    """The same messages, received as their readings ended."""

    def groups(self) -> Iterator[list[Delivery]]:
        for first in range(0, len(self.deliveries), BATCH):
            yield self.deliveries[first : first + BATCH]


def site_of(directory: Path, sensors: int, *, interval_s: float = 1.0, each_reading: bool = False) -> Site:
    """A site with so many sensors, and bounds for its climate."""
    path = directory / "site.toml"
    text = load.site_text(sensors, interval_s=interval_s, each_reading=each_reading)
    path.write_text(text.replace('area = "all"\n\n', f'area = "all"\n{CLIMATE}\n'))
    return load_site(path)


def work_of(directory: Path, options: argparse.Namespace) -> _Work:
    site = site_of(directory, options.sensors, each_reading=options.each_reading)
    plan = load.LoadPlan(options.sensors, SECOND_US, BEGAN_US, "bench-stages", topics=TOPICS)
    parcels = list(islice(load.parcels(plan), options.messages))
    deliveries = [
        Delivery(parcel.topic_part[2:].decode(), parcel.payload, parcel.tag.end_us, False, 1, n % 65535 + 1, 1)
        for n, parcel in enumerate(parcels)
        if isinstance(parcel.tag, load.Tag)
    ]
    return _Work(site, parcels, deliveries)


# ---- the network ----------------------------------------------------------------------------------------------------


def _flood(listening: socket.socket, blob: bytes, go: Any, acknowledged: Any) -> None:
    """A broker of a kind: accepts, grants, waits for the word, floods, counts bytes of acknowledgements."""
    connection, _ = listening.accept()
    held = b""

    def packet() -> tuple[int, bytes]:
        nonlocal held
        while True:
            length, shift, at = 0, 0, 1
            while at < len(held):
                length |= (held[at] & 127) << shift
                shift, at = shift + 7, at + 1
                if not held[at - 1] & 128:
                    break
            else:
                at = len(held) + 1
            if at <= len(held) and len(held) >= at + length:
                first, body, held = held[0], held[at : at + length], held[at + length :]
                return first, body
            held += connection.recv(65536)

    def answer(first: int, body: bytes) -> None:
        if first >> 4 == 1:  # CONNECT
            connection.sendall(b"\x20\x03\x00\x00\x00")
        elif first >> 4 == 8:  # SUBSCRIBE: four filters
            connection.sendall(b"\x90\x07" + body[:2] + b"\x00\x01\x01\x01\x01")
        elif first >> 4 == 3:  # PUBLISH at QoS 1: presence, marker
            length = struct.unpack(">H", body[:2])[0]
            connection.sendall(b"\x40\x02" + body[2 + length : 4 + length])

    connection.settimeout(0.2)
    while not go.is_set():
        try:
            answer(*packet())
        except TimeoutError:
            continue
    connection.settimeout(None)
    sender = threading.Thread(target=connection.sendall, args=(blob,))
    sender.start()
    while not acknowledged.is_set():
        connection.settimeout(0.2)
        try:
            first, body = packet()
            if first >> 4 == 3:
                answer(first, body)
        except TimeoutError:
            continue
    sender.join()
    connection.close()


def _packets(parcels: Sequence[Parcel]) -> bytes:
    made = bytearray()
    for n, parcel in enumerate(parcels):
        body = parcel.topic_part + struct.pack(">H", n % 65535 + 1) + b"\x00" + parcel.payload
        length = len(body)
        made += b"\x32" + (bytes([length]) if length < 128 else bytes([length & 127 | 128, length >> 7])) + body
    return bytes(made)


@contextmanager
def _flooded(work: _Work, inbox: Any) -> Iterator[tuple[BrokerLink, Callable[[], None], int]]:
    """A link to a broker that floods when the function is called; and the clock of the link's thread."""
    fork = get_context("fork")
    with socket.create_server(("127.0.0.1", 0)) as listening:
        go, acknowledged = fork.Event(), fork.Event()
        flooder = fork.Process(target=_flood, args=(listening, _packets(work.parcels), go, acknowledged))
        flooder.start()
        settings = work.site.service.broker.model_copy(update={"port": listening.getsockname()[1]})
        link = BrokerLink(settings, TOPICS, inbox, Clock())
        before = {thread.ident for thread in threading.enumerate()}
        link.start()
        (thread,) = (each for each in threading.enumerate() if each.ident not in before)
        assert thread.ident is not None
        try:
            _wait(lambda: link.connected and inbox.up)
            time.sleep(0.2)
            yield link, go.set, time.pthread_getcpuclockid(thread.ident)
        finally:
            acknowledged.set()
            link.stop()
            flooder.join(10)


def _wait(condition: Callable[[], bool]) -> None:
    deadline_s = time.monotonic() + 60
    while not condition():
        if time.monotonic() > deadline_s:
            raise RuntimeError("this takes too long")
        time.sleep(0.001)


@dataclass(slots=True)
class _Inbox:
    """Keeps everything."""

    items: list[Any] = field(default_factory=list)
    up: bool = False

    def put(self, item: Any) -> None:
        if isinstance(item, BrokerEvent):
            self.up = self.up or item.kind == "up"
        else:
            self.items.append(item)

    def count(self) -> int:
        return len(self.items)


def _network(work: _Work) -> dict[str, float]:
    """Receive and acknowledge."""
    inbox = _Inbox()
    with _flooded(work, inbox) as (link, go, clock):
        before_s = time.clock_gettime(clock)
        go()
        _wait(lambda: inbox.count() >= len(work.parcels))
        received_s = time.clock_gettime(clock) - before_s
        deliveries = inbox.items
        before_s, own_s = time.clock_gettime(clock), time.thread_time()
        sent = 0
        for first in range(0, len(deliveries), BATCH):
            sent += int(link.acknowledge(deliveries[first : first + BATCH]))
        own_s = time.thread_time() - own_s
        time.sleep(1.0)
        written_s = time.clock_gettime(clock) - before_s
    if sent != len(deliveries):
        raise RuntimeError(f"{sent} of {len(deliveries)} acknowledged")
    count = len(deliveries)
    return {
        "receive": received_s / count * 1e6,
        "acknowledge": own_s / count * 1e6,
        "acknowledge, sent": written_s / count * 1e6,
    }


# ---- the writer's stages --------------------------------------------------------------------------------------------


def record_of(work: _Work, directory: Path) -> dict[str, float]:
    """Decode to commit, and the outbox, each by itself; the journal stays as `stages.db`."""
    spent = dict.fromkeys(("decode", "engine", "rows", "commit"), 0.0)
    with Journal(directory / "stages.db") as journal:
        history = JournalHistory(journal)
        engine = Engine(history)
        publications = Publications(TOPICS, Directory.of(work.site), time_series=False)
        first = configured(work.site)
        said = [(0, each) for each in engine.apply(Input(BEGAN_US, BEGAN_US, first))]
        row = InputRow(0, internal_kind(first), BEGAN_US, BEGAN_US, "", encode_internal(first))
        journal.commit(Batch([row], said, engine_us=engine.passed_us))
        for group in work.groups():
            mark_s = time.thread_time()
            heard = [what_of(TOPICS, each.topic, each.payload) for each in group]
            mark_s = _spent(spent, "decode", mark_s)
            outputs, applied = [], []
            at_us = engine.passed_us + 1
            for index, (what, each) in enumerate(zip(heard, group, strict=True)):
                assert what is not None
                at_us = max(at_us, each.received_us)
                applied.append(at_us)
                outputs += [(index, out) for out in engine.apply(Input(each.received_us, at_us, what))]
            outputs += [(-1, out) for out in engine.advance(at_us)]
            mark_s = _spent(spent, "engine", mark_s)
            outbox = publications.rows([out for _, out in outputs], at_us)
            mark_s = _spent(spent, "rows", mark_s)
            inputs = []
            for what, each, applied_us in zip(heard, group, applied, strict=True):
                reading = what.reading  # type: ignore[union-attr]
                key = (reading.sensor, reading.boot, reading.seq, reading.start_us)
                inputs.append(InputRow(0, MESSAGE, each.received_us, applied_us, each.topic, each.payload, *key))
            mark_s = time.thread_time()
            journal.commit(Batch(inputs, outputs, [], outbox, engine.passed_us))
            _spent(spent, "commit", mark_s)
            history.committed()
            assert not any(isinstance(out, Repeated) for _, out in outputs)
        rows = journal.backlogs().get(MqttWorker.sink, (0, 0))[0]
        told_s = _told(journal)
    count = len(work.deliveries)
    return {name: value / count * 1e6 for name, value in spent.items()} | {
        "tell": told_s / count * 1e6,
        "rows to tell": rows / count,
    }


def _spent(spent: dict[str, float], name: str, mark_s: float) -> float:
    now_s = time.thread_time()
    spent[name] += now_s - mark_s
    return now_s


class _Taking:
    """A publisher whose broker takes all at once: the worker's own cost, without the client library's."""

    connected = True

    def publish(self, topic: str, payload: bytes, retain: bool, expiry_s: int | None = None) -> Any:
        from motewatch.links.connection import Publication

        made = Publication(topic)
        made.settle(None)
        return made


def _told(journal: Journal) -> float:
    worker = MqttWorker(journal, Clock(), _Taking())
    before_s = time.thread_time()
    while worker.step():
        pass
    return time.thread_time() - before_s


class _Accepting:
    """A link that takes acknowledgements and does nothing."""

    def acknowledge(self, deliveries: Any) -> int:
        return sum(1 for _ in deliveries)

    def find_end_again(self) -> None:
        return None


def _writer(work: _Work, directory: Path) -> dict[str, float]:
    """The writer's loop over a full inbox."""
    with Journal(directory / "writer.db") as journal:
        history = JournalHistory(journal)
        inbox: SimpleQueue[Item] = SimpleQueue()
        publications = Publications(TOPICS, Directory.of(work.site), time_series=False)
        clock = _Standing(BEGAN_US)
        writer = Writer(
            journal=journal,
            engine=Engine(history),
            history=history,
            inbox=inbox,
            topics=TOPICS,
            rows_of=publications.rows,
            rows_again=lambda now_us: [],
            notify=lambda: None,
            clock=clock,
            hold_limit_s=3600.0,
            known_before=False,
            stall_s=1e9,
        )
        writer.attach(_Accepting())
        writer.post_first(configured(work.site))
        inbox.put(BrokerEvent("up", BEGAN_US, 1, ""))
        inbox.put(BrokerEvent("drained", BEGAN_US, 1, ""))
        clock.us = work.deliveries[-1].received_us
        for each in work.deliveries:
            inbox.put(each)
        inbox.put(Stop())
        before_s = time.thread_time()
        writer.run()
        spent_s = time.thread_time() - before_s
    return {"writer": spent_s / len(work.deliveries) * 1e6}


# ---- printing -------------------------------------------------------------------------------------------------------


def main() -> None:
    """See the module."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--messages", type=int, default=30_000)
    parser.add_argument("--sensors", type=int, default=200)
    parser.add_argument("--each-reading", action="store_true", help="every message is a sample, and is told")
    parser.add_argument("--repeat", type=int, default=3)
    options = parser.parse_args()
    runs = []
    for _ in range(options.repeat):
        with TemporaryDirectory(prefix="motewatch-stages-") as name:
            work = work_of(Path(name), options)
            runs.append(_network(work) | record_of(work, Path(name)) | _writer(work, Path(name)))
    print(f"{'stage':<20}{'us a message':>14}   (median of {options.repeat}, {options.messages} messages)")
    for stage in runs[0]:
        print(f"{stage:<20}{statistics.median(run[stage] for run in runs):>14.2f}")
    alone = ("receive", "acknowledge", "acknowledge, sent", "writer", "tell")
    total = sum(statistics.median(run[stage] for run in runs) for stage in alone)
    print(f"{'all (network, writer, tell)':<20}{total:>7.2f}")


if __name__ == "__main__":
    main()
