"""Plays a scenario: in real time on a broker, or at full speed into a file.

Real time is kept by the monotonic clock from one start instant on, so a step of the wall clock neither stops the stream
nor tears a hole into it. Stopping is a flag that the caller sets, from a signal or a test.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from threading import Event
from typing import TextIO

from motewatch.wire.topics import Topics
from motewatch_simulator.clock import Clock, iso
from motewatch_simulator.encode import encode
from motewatch_simulator.errors import BrokerError
from motewatch_simulator.fleet import Fleet
from motewatch_simulator.simulation import Counted, Emission

TICK_S = 0.05
"""How often acknowledgements are taken in while nothing is due."""

PROGRESS_S = 1.0
CLOSE_S = 3.0
"""How long the end waits for the last acknowledgements."""


@dataclass(frozen=True, slots=True)
class Progress:
    """Where a run stands."""

    stream_us: int
    """How far the stream has come, on the sensors' clocks."""
    stream_s: float
    """The same since its start."""
    sent: int
    acknowledged: int
    refused: int
    forgotten: int
    waiting: int
    unheard: int
    """Taken by the broker with no subscriber for them; kept until there is one."""
    connected: int
    connections: int
    trouble: str


def play(
    emissions: Iterator[Emission],
    fleet: Fleet,
    clock: Clock,
    stop: Event,
    *,
    start_us: int,
    seconds: float | None = None,
    speed: float = 1.0,
    progress: Callable[[Progress], None] = lambda _: None,
) -> Progress:
    """Send every emission when it is due, until `seconds` of the stream have passed or `stop` is set. Returns the final
    standing.

    `start_us` is the start of the stream and counts as now; the stream passes `speed` times as fast as time. Raises
    `BrokerError` if the broker refuses us before any connection came up; while it is only away, sensors keep their
    readings and wait.
    """
    origin_s = clock.monotonic_s()
    sent = 0
    told_s = origin_s
    coming = next(emissions)

    def passed_s() -> float:
        return (clock.monotonic_s() - origin_s) * speed

    def standing() -> Progress:
        tally = fleet.tally
        at_s = passed_s()
        return Progress(
            start_us + int(at_s * 1_000_000),
            at_s,
            sent,
            tally.acknowledged,
            tally.refused,
            tally.forgotten,
            fleet.waiting,
            fleet.unheard,
            fleet.connected,
            fleet.connections,
            fleet.trouble,
        )

    while not stop.is_set():
        at_s = passed_s()
        now_us = start_us + int((at_s if seconds is None else min(at_s, seconds)) * 1_000_000)
        while coming.due_us <= now_us and not stop.is_set():
            fleet.take(coming)
            sent += isinstance(coming, Counted)
            coming = next(emissions)
        fleet.tend()
        if seconds is not None and at_s >= seconds:
            break
        refused = fleet.refused
        if refused and fleet.tally.connections == 0:
            fleet.close(0.0, stop.wait)
            raise BrokerError(f"the broker refuses the connection: {refused}. Check user name and password.")
        if clock.monotonic_s() - told_s >= PROGRESS_S:
            told_s += PROGRESS_S
            progress(standing())
        due_in_s = ((coming.due_us - start_us) / 1_000_000 - passed_s()) / speed
        if due_in_s > 0:
            stop.wait(min(due_in_s, TICK_S))
    connected = fleet.connected
    # `stop` may be set already, and then waiting on it would not wait.
    fleet.close(CLOSE_S, Event().wait)
    return replace(standing(), connected=connected)


def write(emissions: Iterator[Emission], topics: Topics, out: TextIO, end_us: int) -> int:
    """Write every emission up to an instant as one JSON line each; returns the number of lines.

    A line has `at` (when it is due), `topic`, `retain` and `payload`, as a subscriber would see it.
    """
    lines = 0
    for emission in emissions:
        if emission.due_us > end_us:
            break
        message = encode(emission, topics)
        head = json.dumps({"at": iso(message.due_us), "topic": message.topic, "retain": message.retain})
        out.write(f'{head[:-1]}, "payload": {message.payload.decode()}}}\n')
        lines += 1
    return lines
