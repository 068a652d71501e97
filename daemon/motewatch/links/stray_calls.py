"""Calls over channels that nobody serves: each is refused, so that the person's next way is tried at once.

A channel is gone when the site file has lost it since the call was made; one that came with a change of the site file
is served from the next start on; one may be out of use because something that it needs is not there. Rules: as for
every call, the row is marked only when its outcome is committed.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Collection, Mapping
from queue import Empty, SimpleQueue
from typing import Final, Protocol

from motewatch.callout.records import Delivered, Outcome
from motewatch.journal.rows import OutboxRow
from motewatch.links.call_worker import Poster, Rows
from motewatch.links.clock import TimeSource
from motewatch.links.outbox import CALL

log = logging.getLogger(__name__)

PAGE: Final = 500
GONE: Final = "the channel is no longer configured"
LATER: Final = "the channel is taken over at the next start of the service only"


class StrayRows(Rows, Protocol):
    """What is needed of the journal; see there."""

    def waiting(self, prefix: str) -> dict[str, list[int]]: ...


class StrayCalls:
    """`look` is a job of housekeeping. `served` are the ids of channels with a worker, as they are at each look;
    `configured` gives those in the site file as it is now, `out` why which are out of use."""

    def __init__(
        self,
        rows: StrayRows,
        post: Poster,
        clock: TimeSource,
        served: Collection[str],
        configured: Callable[[], Collection[str]],
        out: Callable[[], Mapping[str, str]] = dict,
    ) -> None:
        self._rows = rows
        self._post = post
        self._clock = clock
        self._served = served
        self._configured = configured
        self._out = out
        self._settled: SimpleQueue[tuple[int, str]] = SimpleQueue()
        self._settling: set[int] = set()

    def look(self) -> None:
        """Mark what is committed, and refuse what nobody serves."""
        self._mark_settled()
        for sink in self._rows.waiting(CALL).keys() - {f"{CALL}{id_}" for id_ in self._served}:
            channel = sink.removeprefix(CALL)
            because = self._out().get(channel)
            detail = LATER if channel in self._configured() else GONE
            if because is not None:
                detail = f"the channel is out of use: {because}"
            for row in self._rows.due(sink, self._clock.now_us(), PAGE):
                if row.id not in self._settling:
                    self._refuse(row, channel, detail)

    def _refuse(self, row: OutboxRow, channel: str, detail: str) -> None:
        self._settling.add(row.id)
        log.error("call refused", extra={"call": row.key, "channel": channel, "detail": detail})
        said = Delivered(row.key, Outcome.REFUSED, self._clock.now_us(), row.attempts, detail)
        # Called in the writer's thread, so it only hands over.
        self._post(said, lambda _: self._settled.put((row.id, detail)))

    def _mark_settled(self) -> None:
        while True:
            try:
                row_id, detail = self._settled.get_nowait()
            except Empty:
                return
            try:
                self._rows.refused([row_id], self._clock.now_us(), detail)
            except BaseException:
                self._settled.put((row_id, detail))
                raise
            self._settling.discard(row_id)
