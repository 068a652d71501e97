"""What is looked at when the crashes are over and all still runs: until it is right, or told what is wrong."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable
from contextlib import suppress

from motewatch.engine.records import AlarmChanged, Output
from motewatch.wire.messages import AlarmMessage
from motewatch.wire.topics import Topics
from support.crash_checks import told
from support.mqtt_peer import Peer
from support.servers import wait_until


def settle(look: Callable[[], list[str] | int], timeout_s: float = 60.0) -> int:
    """Look until nothing is found to be wrong; what is found in the end is told."""
    deadline = time.monotonic() + timeout_s
    while isinstance(found := look(), list):
        assert time.monotonic() < deadline, "\n".join(found)
        time.sleep(0.5)
    return found


def retained_alarms(port: int, topics: Topics, outputs: Iterable[Output]) -> list[str] | int:
    """Which retained alarm states are not the last ones on record, or how many there are."""
    last = {output.alarm: output.after for output in outputs if isinstance(output, AlarmChanged)}
    with Peer(port, topics.alarm("#")) as peer:
        with suppress(AssertionError):  # the loop below names those that are missing
            wait_until(lambda: {topics.alarm(alarm) for alarm in last} <= {m.topic for m in peer.heard()}, "all", 3)
        states = {m.topic: AlarmMessage.model_validate_json(m.payload) for m in peer.heard()}
    wrong = []
    for alarm, state in last.items():
        said = states.get(topics.alarm(alarm))
        if said is None or said.state != state.value:
            wrong.append(f"{alarm}: retained {said and said.state}, on record {state.value}")
    return told(wrong, "a stale alarm state on the broker") or len(last)
