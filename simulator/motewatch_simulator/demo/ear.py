"""Hears on MQTT whether the daemon is there: its retained presence, as any other client would."""

from __future__ import annotations

from types import TracebackType
from typing import Self

from pydantic import ValidationError

from motewatch.wire.messages import ServiceMessage
from motewatch_simulator.demo.hearing import Hearing


class Ear:
    """A context manager; `online()` says whether the daemon says that it is there."""

    def __init__(self, port: int, topic: str) -> None:
        self._port = port
        self._topic = topic
        self._online = False
        self._hearing = Hearing("motewatch-demo", self._hear)

    def __enter__(self) -> Self:
        self._hearing.open(self._port, [self._topic])
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._hearing.close()

    def online(self) -> bool:
        """Work off what the broker sent, waiting up to 0.1 s for it."""
        self._hearing.turn(0.1)
        return self._online

    def _hear(self, topic: str, payload: bytes) -> None:
        try:
            self._online = ServiceMessage.model_validate_json(payload).online
        except ValidationError:
            self._online = False
