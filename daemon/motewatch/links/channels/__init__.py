"""The channels over which people are called: one module for each kind, all of one shape.

Rules: a channel sends one call and says what became of it: it returns when the other side has taken the call, raises
`ChannelAwayError` where another try can help, and `ChannelRefusedError` where it cannot; the one loop that retries is
the worker's. `send` blocks for `deadline_s` at most and may be called in a thread that is left behind. No secret is in
a message, a log line or a traceback. A channel must not know alarms, rules of escalation or the journal.
"""

from __future__ import annotations

from pathlib import Path
from typing import Protocol

from motewatch.links.call_text import CallMessage
from motewatch.links.clock import TimeSource
from motewatch.links.connection import Publication
from motewatch.site.people import Channel as ChannelSettings
from motewatch.wire.topics import Topics

__all__ = ["Channel", "Publisher", "open_channel"]


class Publisher(Protocol):
    """What the channel on the site's broker needs of the broker's link."""

    def publish(self, topic: str, payload: bytes, retain: bool, expiry_s: int | None = None) -> Publication:
        """Publish at QoS 1; see `links.broker`."""
        ...


class Channel(Protocol):
    """A way to people."""

    def send(self, message: CallMessage, deadline_s: float) -> None:
        """Deliver the call within `deadline_s`. Raises `ChannelAwayError` or `ChannelRefusedError`."""
        ...

    def close(self) -> None:
        """Let go of what is held open. A `send` under way may fail by it."""
        ...


def open_channel(
    settings: ChannelSettings, base_dir: Path, publisher: Publisher, clock: TimeSource, topics: Topics
) -> Channel:
    """The channel of one `[[channels]]` table. `base_dir` is the folder of the site file, from which its files are read
    now. Connects to nothing yet. Raises `LinkSettingsError`, such as for a secret that is not there."""
    raise NotImplementedError(settings.kind)
