"""The topics of one site: every name on the broker is made and read here.

Rules: all topics lie under `{root}/{site}/`; a level that a person or a sensor fills (sensor, location, client id) is
an id and holds no `/`, except an alarm's id, which may and therefore comes last. This module must not know payloads,
quality of service or the client library.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Final

from motewatch.site.models import IDENTIFIER_PATTERN

_IDENTIFIER: Final = re.compile(IDENTIFIER_PATTERN)


class Heading(StrEnum):
    """What the daemon listens to. The value is the topic level."""

    COUNTS = "counts"
    PRESENCE = "presence"
    COMMAND = "command"


@dataclass(frozen=True, slots=True)
class Topics:
    """Names of the topics of one site. `root` may have several levels, such as `motewatch/v1`."""

    root: str
    site: str
    _base: str = field(init=False, repr=False, compare=False)
    _counts: str = field(init=False, repr=False, compare=False)
    _presence: str = field(init=False, repr=False, compare=False)
    _command: str = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        # Made once: reading a topic is on the path of every message.
        base = f"{self.root}/{self.site}"
        object.__setattr__(self, "_base", base)
        object.__setattr__(self, "_counts", f"{base}/counts/")
        object.__setattr__(self, "_presence", f"{base}/presence/")
        object.__setattr__(self, "_command", f"{base}/command")

    def counts(self, sensor: str) -> str:
        """Where a sensor publishes its readings."""
        return self._counts + sensor

    def presence(self, sensor: str) -> str:
        """Where a sensor says that it is there, retained; also the topic of its last will."""
        return self._presence + sensor

    @property
    def command(self) -> str:
        """Where people's commands arrive."""
        return self._command

    def reply(self, command_id: str) -> str:
        """Where the answer to one command is published."""
        return f"{self._base}/reply/{command_id}"

    def sample(self, location: str) -> str:
        """Where a location's samples are published."""
        return f"{self._base}/sample/{location}"

    def alarm(self, alarm_id: str) -> str:
        """Where an alarm's present state stands, retained. Alarm ids contain `/`."""
        return f"{self._base}/alarm/{alarm_id}"

    @property
    def event(self) -> str:
        """Where every step of every alarm is published."""
        return f"{self._base}/event"

    def call(self, person: str) -> str:
        """Where a person is called over the broker."""
        return f"{self._base}/call/{person}"

    @property
    def figures(self) -> str:
        """Where the figures of alarm performance stand, retained."""
        return f"{self._base}/figures"

    @property
    def anchor(self) -> str:
        """Where anchors of the record are published, for others to keep."""
        return f"{self._base}/anchor"

    @property
    def service(self) -> str:
        """Where the daemon says that it is there, retained; also the topic of its last will."""
        return f"{self._base}/service"

    def marker(self, client_id: str) -> str:
        """Where the daemon sends itself a mark, to know when the broker's backlog has been handed over."""
        return f"{self._base}/marker/{client_id}"

    def subscriptions(self) -> list[str]:
        """The topic filters of what the daemon listens to."""
        return [self.counts("+"), self.presence("+"), self.command]

    def read(self, topic: str) -> tuple[Heading, str] | None:
        """What a received topic is about: its heading and the sensor (empty for commands), or None if not ours.

        A sensor level that is no id is None as well: no payload could agree with it.
        """
        if topic.startswith(self._counts):
            heading, sensor = Heading.COUNTS, topic[len(self._counts) :]
        elif topic.startswith(self._presence):
            heading, sensor = Heading.PRESENCE, topic[len(self._presence) :]
        elif topic == self._command:
            return Heading.COMMAND, ""
        else:
            return None
        return (heading, sensor) if _IDENTIFIER.fullmatch(sensor) else None
