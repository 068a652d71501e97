"""The sensors' side of the crash test: publishes the stream on time and keeps what a broker may still lose.

A broker's acknowledgement means "in my memory", so a sensor that must lose nothing keeps what it has sent for longer
than the broker takes to save its store, and sends it again, in order, on each new connection. That is all it does; the
rest is the broker's session and the daemon.
"""

from __future__ import annotations

import heapq
import threading
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Any, Final

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from motewatch.links.clock import Clock
from support.crash_stream import PERIOD_US, Message, Stream

KEEP_S: Final = 5.0
"""How long an acknowledged message is kept. The test's broker saves its store every second (which may become two, as it
compares whole seconds); the rest is for a loaded machine."""

WINDOW: Final = 400
"""Messages under way at most."""


@dataclass(slots=True)
class PublisherFigures:
    """What the publisher has done."""

    connections: int = 0
    sends: int = 0
    again: int = 0
    """Publications of a message that had been published before, on an earlier connection."""
    acknowledged_again: int = 0
    """Of these: the ones that the broker had acknowledged."""
    latest_s: float = 0.0
    """The longest that a message waited for its first publication, while the broker was away included."""


@dataclass(slots=True)
class _Line:
    """All messages in the order in which they were published first, and how far the broker has acknowledged them."""

    messages: list[Message] = field(default_factory=list)
    published: list[bool] = field(default_factory=list)
    acknowledged_s: list[float | None] = field(default_factory=list)

    def append(self, message: Message) -> None:
        """One more has fallen due."""
        self.messages.append(message)
        self.published.append(False)
        self.acknowledged_s.append(None)

    def first_to_send(self, now_s: float) -> int:
        """From here on everything is sent again on a new connection."""
        for number in range(len(self.messages) - 1, -1, -1):
            at_s = self.acknowledged_s[number]
            if at_s is not None and now_s - at_s > KEEP_S:
                return number + 1
        return 0


class Publisher:
    """A thread of its own. `finish` lets the present period be the last; leaving the `with` block ends it at once."""

    def __init__(self, port: int, stream: Stream) -> None:
        self.stream = stream
        self.figures = PublisherFigures()
        self._port = port
        self._clock = Clock()
        self._line = _Line()
        self._waiting: list[tuple[int, int, Message]] = []
        self._finishing = threading.Event()
        self._stop = threading.Event()
        self._failure: BaseException | None = None
        self._thread = threading.Thread(target=self._run, name="publisher", daemon=True)

    def __enter__(self) -> Publisher:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join(20)
        assert not self._thread.is_alive(), "the publisher did not end"

    def finish(self, timeout_s: float) -> list[Message]:
        """End the stream with its present period, see all of it acknowledged, and return it in the order of sending."""
        self._finishing.set()
        self._thread.join(timeout_s)
        if self._failure is not None:
            raise AssertionError(f"the publisher failed: {self._failure!r}") from self._failure
        assert not self._thread.is_alive(), f"not all acknowledged within {timeout_s:g} s: {self.figures}"
        assert None not in self._line.acknowledged_s
        return self._line.messages

    @property
    def published(self) -> int:
        """How many messages were published so far, each counted once."""
        return len(self._line.messages)

    def acknowledged(self) -> list[Message]:
        """What the broker has acknowledged so far."""
        line = self._line
        return [m for m, at_s in zip(line.messages, line.acknowledged_s, strict=False) if at_s is not None]

    # ---- its thread -------------------------------------------------------------------------------------------------

    def _run(self) -> None:
        try:
            while not self._stop.is_set() and not self._done():
                with suppress(OSError):
                    self._one_connection()
                self._stop.wait(0.01)
        except BaseException as error:
            self._failure = error

    def _done(self) -> bool:
        return self._finishing.is_set() and not self._waiting and None not in self._line.acknowledged_s

    def _one_connection(self) -> None:
        """Connect, send again what is kept, then the stream as it falls due; until it is over or the broker dies."""
        line, client = self._line, mqtt.Client(CallbackAPIVersion.VERSION2, "sensors", protocol=mqtt.MQTTv5)
        numbers: dict[int, int] = {}
        accepted = threading.Event()

        def published(_client: Any, _data: Any, mid: int, reason: Any, _properties: Any) -> None:
            assert not reason.is_failure, reason
            line.acknowledged_s[numbers.pop(mid)] = self._clock.monotonic_s()

        client.on_connect = lambda *_: accepted.set()
        client.on_publish = published
        client.max_inflight_messages_set(2 * WINDOW)
        client.connect("127.0.0.1", self._port, clean_start=True)
        try:
            following = line.first_to_send(self._clock.monotonic_s())
            while client.loop(0.01) == mqtt.MQTT_ERR_SUCCESS and not self._stop.is_set() and not self._done():
                self._take_due()
                if not accepted.is_set():
                    continue
                while following < len(line.messages) and len(numbers) < WINDOW:
                    self._publish(client, following, numbers)
                    following += 1
        finally:
            self.figures.connections += accepted.is_set()
            with suppress(OSError):
                client.disconnect()
            client.on_connect = client.on_publish = None

    def _publish(self, client: mqtt.Client, number: int, numbers: dict[int, int]) -> None:
        message, line, figures = self._line.messages[number], self._line, self.figures
        figures.sends += 1
        if line.published[number]:
            figures.again += 1
            figures.acknowledged_again += line.acknowledged_s[number] is not None
        else:
            line.published[number] = True
            figures.latest_s = max(figures.latest_s, (self._clock.now_us() - message.send_us) / 1_000_000)
        info = client.publish(message.topic, message.payload, qos=1)
        numbers[info.mid] = number

    def _take_due(self) -> None:
        """Move what is due from the stream into the line; whether the broker is there or not."""
        now_us = self._clock.now_us()
        while not self._finishing.is_set() and self.stream.end_us < now_us + PERIOD_US:
            for message in self.stream.next_period():
                heapq.heappush(self._waiting, (message.send_us, message.number, message))
        while self._waiting and self._waiting[0][0] <= now_us:
            self._line.append(heapq.heappop(self._waiting)[2])
