"""Small honest stand-ins for what the links are handed: a clock, the journal's outbox, a broker and a server."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from motewatch.journal.rows import OutboxRow
from motewatch.links.connection import Publication
from motewatch.links.errors import BrokerAwayError, BrokerError, TimeSeriesError


class FakeClock:
    """Stands still until told to go on."""

    def __init__(self, now_us: int = 1_780_000_020_000_000) -> None:
        self.wall_us = now_us
        self.elapsed_s = 100.0

    def now_us(self) -> int:
        return self.wall_us

    def monotonic_s(self) -> float:
        return self.elapsed_s

    def go(self, seconds: float) -> None:
        """Both clocks move on."""
        self.wall_us += round(seconds * 1_000_000)
        self.elapsed_s += seconds


def outbox_row(key: str, payload: bytes = b"x", *, sink: str = "mqtt", topic: str | None = None) -> OutboxRow:
    return OutboxRow(0, sink, key, topic or key, payload, True, 1_780_000_020_000_000, 0, 0)


@dataclass
class MemoryRows:
    """The journal's outbox in memory, with the same methods and the same order."""

    rows: dict[int, OutboxRow] = field(default_factory=dict)
    delivered_us: dict[int, int] = field(default_factory=dict)
    errors: dict[int, str] = field(default_factory=dict)

    def add(self, *rows: OutboxRow) -> None:
        for row in rows:
            number = len(self.rows) + 1
            self.rows[number] = replace(row, id=number)

    def due(self, sink: str, now_us: int, limit: int, from_us: int = 0) -> list[OutboxRow]:
        waiting = [
            row
            for row in self.rows.values()
            if row.sink == sink and row.id not in self.delivered_us and from_us <= row.next_try_us <= now_us
        ]
        return sorted(waiting, key=lambda row: (row.next_try_us, row.id))[:limit]

    def delivered(self, ids: Sequence[int], now_us: int) -> None:
        for number in ids:
            self.delivered_us.setdefault(number, now_us)
            self.errors.pop(number, None)

    def retry(self, ids: Sequence[int], next_try_us: int, error: str) -> None:
        for number in ids:
            row = self.rows[number]
            self.rows[number] = replace(row, attempts=row.attempts + 1, next_try_us=next_try_us)
            self.errors[number] = error

    def move(self, ids: Sequence[int], next_try_us: int) -> None:
        for number in ids:
            self.rows[number] = replace(self.rows[number], next_try_us=next_try_us)

    def refused(self, ids: Sequence[int], now_us: int, error: str) -> None:
        for number in ids:
            self.delivered_us[number] = now_us
            self.errors[number] = error

    def resend(self, sink: str, since_us: int, now_us: int) -> int:
        again = [number for number, at_us in self.delivered_us.items() if at_us >= since_us]
        again = [number for number in again if self.rows[number].sink == sink]
        for number in again:
            del self.delivered_us[number]
            self.rows[number] = replace(self.rows[number], attempts=0, next_try_us=now_us)
        return len(again)

    def waiting(self) -> list[str]:
        return [row.key for row in self.rows.values() if row.id not in self.delivered_us]


@dataclass
class FakePublisher:
    """A broker link that answers at once. `answers` holds what the next publications to a topic get."""

    connected: bool = True
    answers: dict[str, list[BrokerError | None]] = field(default_factory=dict)
    arrived: list[tuple[str, bytes, int | None]] = field(default_factory=list)
    silent: set[str] = field(default_factory=set)

    def publish(self, topic: str, payload: bytes, retain: bool, expiry_s: int | None = None) -> Publication:
        publication = Publication(topic)
        if not self.connected:
            publication.settle(BrokerAwayError("away"))
        elif topic not in self.silent:
            waiting = self.answers.get(topic, [])
            error = waiting.pop(0) if waiting else None
            if error is None:
                self.arrived.append((topic, payload, expiry_s))
            publication.settle(error)
        return publication


@dataclass
class FakeSink:
    """A time-series server in memory: bodies that arrived, failures still to come, lines it will never take."""

    bodies: list[str] = field(default_factory=list)
    failures: list[TimeSeriesError] = field(default_factory=list)
    hated: str | None = None
    hated_error: TimeSeriesError | None = None
    started: float | None = 1.0

    def write(self, lines: str) -> None:
        if self.failures:
            raise self.failures.pop(0)
        if self.hated is not None and self.hated in lines:
            assert self.hated_error is not None
            raise self.hated_error
        self.bodies.append(lines)

    def started_at(self) -> float | None:
        return self.started

    def lines(self) -> list[str]:
        return [line for body in self.bodies for line in body.split("\n")]
