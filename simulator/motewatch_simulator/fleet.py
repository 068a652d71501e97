"""All sensors of a site on a broker: which connection carries which sensor, and who is present.

Up to `OWN_CONNECTIONS` sensors have a connection each, as real sensors do, with their presence as last will. More share
a few connections; MQTT allows one will per connection, so there presence is stated and no will is left.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import TextIO

from motewatch.wire.topics import Topics
from motewatch_simulator.clock import Clock, iso
from motewatch_simulator.encode import Outgoing, encode, presence
from motewatch_simulator.link import Address, Link, Phase, Tally
from motewatch_simulator.scenario import Keeping
from motewatch_simulator.simulation import Came, Counted, Emission, Went

OWN_CONNECTIONS = 50
SHARED_CONNECTIONS = 8


class Fleet:
    """Takes emissions and sees that they arrive. Not thread-safe: one thread uses it."""

    def __init__(
        self,
        address: Address,
        topics: Topics,
        sensors: list[str],
        keeping: Keeping,
        clock: Clock,
        *,
        run_id: str,
        log: TextIO | None = None,
        own_connections: int = OWN_CONNECTIONS,
        passwords: Mapping[str, str] | None = None,
    ) -> None:
        """`run_id` makes the client ids of this run unlike those of another one; `log` gets a line per message.

        `passwords` by sensor: each comes under an account of its own, named as it is, and has a connection of its own.
        """
        self._topics = topics
        self._clock = clock
        self._log = log
        self._boots: dict[str, str] = {}
        """Boot of every sensor that is present."""
        self._last_boot: dict[str, str] = {}
        self._cut: set[str] = set()
        """Sensors that have no network at present: what they keep waits for the scenario, not for us."""
        own = len(sensors) <= own_connections or passwords is not None
        groups = (
            [[sensor] for sensor in sensors]
            if own
            else [sensors[i::SHARED_CONNECTIONS] for i in range(SHARED_CONNECTIONS)]
        )
        self._own = own
        self._links = []
        self._link_of: dict[str, Link] = {}
        for i, group in enumerate(groups):
            name = group[0] if own else f"shared-{i}"
            link = Link(
                address if passwords is None else replace(address, username=name, password=passwords[name]),
                f"sensor-{name}-{run_id}",
                clock,
                resend_s=keeping.resend_s,
                memory=keeping.readings * len(group),
                births=self._births_of(group),
                will=self._will_of(group[0]) if own else lambda: None,
                acknowledged=self._note,
            )
            self._links.append(link)
            self._link_of.update(dict.fromkeys(group, link))

    def take(self, emission: Emission) -> None:
        """Do what the emission says."""
        link = self._link_of[emission.sensor]
        match emission:
            case Counted():
                link.send(encode(emission, self._topics))
            case Came():
                self._boots[emission.sensor] = self._last_boot[emission.sensor] = emission.boot
                self._cut.discard(emission.sensor)
                # A connection that is already up does not ask for births again.
                link.say(encode(emission, self._topics))
                link.open()
            case Went():
                self._boots.pop(emission.sensor, None)
                if self._own and emission.abrupt:
                    self._cut.add(emission.sensor)
                    link.cut()
                else:
                    link.say(encode(emission, self._topics))
                    if self._own:
                        link.close()

    def tend(self) -> None:
        """Call it often: see `Link.tend`."""
        for link in self._links:
            link.tend()

    def close(self, wait_s: float, pause: Callable[[float], object]) -> None:
        """Wait for acknowledgements at most so long, say goodbye for every sensor, and disconnect."""
        deadline_s = self._clock.monotonic_s() + wait_s
        self.tend()
        for link in self._links:
            link.say_unheard_again()
        while self.waiting and self._clock.monotonic_s() < deadline_s:
            pause(0.01)
            self.tend()
        now_us = self._clock.now_us()
        for sensor, boot in self._boots.items():
            self._link_of[sensor].say(presence(self._topics, sensor, boot, online=False, at_us=now_us))
        for link in self._links:
            link.close()

    @property
    def tally(self) -> Tally:
        """What became of all count messages."""
        total = Tally()
        for link in self._links:
            total.acknowledged += link.tally.acknowledged
            total.refused += link.tally.refused
            total.forgotten += link.tally.forgotten
            total.resent += link.tally.resent
            total.connections += link.tally.connections
        return total

    @property
    def waiting(self) -> int:
        """Messages that no broker has acknowledged yet, those of sensors left out that have no network at present."""
        cut = {id(self._link_of[sensor]) for sensor in self._cut}
        return sum(link.waiting for link in self._links if id(link) not in cut)

    @property
    def unheard(self) -> int:
        """Messages that a broker has taken and nobody was there to hear."""
        return sum(link.unheard for link in self._links)

    @property
    def connected(self) -> int:
        """Connections that are up."""
        return sum(link.phase is Phase.UP for link in self._links)

    @property
    def connections(self) -> int:
        """Connections there are, up or not."""
        return len(self._links)

    @property
    def refused(self) -> str:
        """Why the broker does not want us, where it said so; empty otherwise."""
        return next((link.trouble for link in self._links if link.refused_connection), "")

    @property
    def trouble(self) -> str:
        """Why a connection is not up, of one that is not; empty where all is well."""
        return next((link.trouble for link in self._links if link.phase is not Phase.UP and link.trouble), "")

    def _births_of(self, group: list[str]) -> Callable[[], list[Outgoing]]:
        def births() -> list[Outgoing]:
            now_us = self._clock.now_us()
            return [
                presence(self._topics, sensor, self._boots[sensor], online=True, at_us=now_us)
                for sensor in group
                if sensor in self._boots
            ]

        return births

    def _will_of(self, sensor: str) -> Callable[[], Outgoing]:
        def will() -> Outgoing:
            boot = self._last_boot[sensor]
            return presence(self._topics, sensor, boot, online=False, at_us=self._clock.now_us())

        return will

    def _note(self, message: Outgoing) -> None:
        if self._log is not None:
            line = {
                "acknowledged": iso(self._clock.now_us()),
                "sensor": message.sensor,
                "boot": message.boot,
                "seq": message.seq,
                "due": iso(message.due_us),
                "topic": message.topic,
            }
            self._log.write(json.dumps(line, separators=(",", ":")) + "\n")
