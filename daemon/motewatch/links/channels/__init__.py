"""The channels over which people are called: one module for each kind, all of one shape.

Rules: a channel sends one call and says what became of it: it returns when the other side has taken the call, raises
`ChannelAwayError` where another try can help, and `ChannelRefusedError` where it cannot; the one loop that retries is
the worker's. `send` blocks for `deadline_s` at most and may be called in a thread that is left behind. No secret is in
a message, a log line or a traceback. A channel must not know alarms, rules of escalation or the journal.
"""

from __future__ import annotations

from pathlib import Path
from typing import Protocol

from motewatch.links.call_message import CallMessage
from motewatch.links.channels.line import tls_context
from motewatch.links.clock import TimeSource
from motewatch.links.connection import Publication
from motewatch.links.secrets import read_secret
from motewatch.site import people
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
    settings: people.Channel, base_dir: Path, publisher: Publisher, clock: TimeSource, topics: Topics
) -> Channel:
    """The channel of one `[[channels]]` table. `base_dir` is the folder of the site file, from which its files are read
    now. Connects to nothing yet. Raises `LinkSettingsError`, such as for a secret that is not there."""
    table = f'channels "{settings.id}"'
    # Imported where needed: most sites have one or two kinds, and one of the libraries is large.
    if isinstance(settings, people.EmailChannel):
        from motewatch.links.channels.email import EmailChannel

        context = None if settings.tls == "none" else tls_context(settings.ca_file, base_dir, table)
        password = None if settings.password_file is None else read_secret(settings.password_file, base_dir)
        return EmailChannel(settings, context, password, clock)
    if isinstance(settings, people.WebhookChannel):
        from motewatch.links.channels.webhook import WebhookChannel

        context = tls_context(settings.ca_file, base_dir, table)
        return WebhookChannel(settings, context, read_secret(settings.key_file, base_dir), clock)
    if isinstance(settings, people.MqttChannel):
        from motewatch.links.channels.mqtt import MqttChannel

        return MqttChannel(publisher, topics)
    from motewatch.links.channels.service import ServiceChannel

    return ServiceChannel(settings, read_secret(settings.url_file, base_dir), clock)
