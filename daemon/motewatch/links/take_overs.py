"""How often another client took the service's session at the broker, and when that is worth telling (again).

Some brokers say so (a DISCONNECT with its reason, MQTT 5); others, mosquitto 2.0.11 among them, just close the
connection of whoever had the session. One close may be anything. Several within minutes, each followed by a connection
that is taken at once, are what two clients do that throw each other out: a broker that starts again and again cannot be
reached meanwhile, and a bad line does not close connections in good order.

Rules: what the broker says is told at once, what is concluded from the fourth time on; after that at most one a while,
with the number of those since the last telling. Pure: told when each happened. It must not know what is done about it.
"""

from __future__ import annotations

from collections import deque
from typing import Final

from motewatch.engine.records import SessionTaken
from motewatch.wire.records import MINUTE_US

TAKEN_OVER: Final = 0x8E
"""The reason code of such a DISCONNECT. Only somebody else's CONNECT brings it: our own connections of before are
closed when it would come."""

QUIET_US: Final = 10 * MINUTE_US
"""Two services that throw each other out do so every few seconds, for as long as nobody looks."""

CONCLUDED: Final = 4
WITHIN_US: Final = 5 * MINUTE_US


class TakeOvers:
    """Counts them. Of one thread."""

    def __init__(self, client_id: str) -> None:
        self._client_id = client_id
        self._told_us: int | None = None
        self._since_us = 0
        self._count = 0
        self._closed: deque[int] = deque(maxlen=CONCLUDED)

    def said(self, at_us: int) -> SessionTaken | None:
        """The broker said that it happened; returns what is to be told now, if anything."""
        return self._one_more(at_us, at_us, True)

    def closed(self, at_us: int) -> SessionTaken | None:
        """The broker closed a connection that it had taken, and gave no reason; returns what is to be told now."""
        self._closed.append(at_us)
        if len(self._closed) < CONCLUDED or not 0 <= at_us - self._closed[0] < WITHIN_US:
            return None
        return self._one_more(at_us, self._closed[0], False)

    def refused(self) -> None:
        """The broker could not be reached or did not let us in: what was closed before has another reason."""
        self._closed.clear()

    def _one_more(self, at_us: int, since_us: int, said: bool) -> SessionTaken | None:
        if self._count == 0:
            self._since_us = since_us
            self._count = 1 if said or self._told_us is not None else len(self._closed)
        else:
            self._count += 1
        # A clock that was set back tells once too often rather than not at all.
        if self._told_us is not None and 0 <= at_us - self._told_us < QUIET_US:
            return None
        self._told_us, told = at_us, SessionTaken(self._count, self._client_id, self._since_us, said)
        self._count = 0
        return told
