"""Runs the daemon's own engine over a stream, in this process and as fast as it goes.

Each message is encoded as a sensor would send it and decoded as the daemon does, and reaches the engine a moment after
it was due. Time passes by the stream alone, so the same stream gives the same alarms.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator
from typing import Final

from motewatch.engine import Engine
from motewatch.engine.records import AlarmChanged, Configured, Heard, Input, Memory, Output, Refused, Seen, What
from motewatch.site.models import Site
from motewatch.wire.decode import decode
from motewatch.wire.records import Presence, Reading, Refusal
from motewatch.wire.topics import Topics
from motewatch_simulator.emissions import Emission
from motewatch_simulator.encode import encode

TRANSIT_US: Final = 20_000
"""From the sensor to the engine (own choice: a local network and the daemon's gathering of a group)."""


def judge(
    site: Site,
    emissions: Iterator[Emission],
    start_us: int,
    end_us: int,
    progress: Callable[[int], None] = lambda _: None,
) -> list[AlarmChanged]:
    """Every step of every alarm until the end of the stream; `progress` gets the instant reached, now and then."""
    topics = Topics(site.service.topic_root, site.site.id)
    engine = Engine(Memory())
    text = site.model_dump_json()
    changes: list[AlarmChanged] = []

    def take(outputs: list[Output]) -> None:
        changes.extend(one for one in outputs if isinstance(one, AlarmChanged))

    take(engine.apply(Input(start_us, start_us, Configured(hashlib.sha256(text.encode()).hexdigest(), text))))
    for number, emission in enumerate(emissions):
        if emission.due_us > end_us:
            break
        message = encode(emission, topics)
        read = decode(topics, message.topic, message.payload)
        at_us = emission.due_us + TRANSIT_US
        what: What
        if isinstance(read, Reading):
            what = Heard(read)
        elif isinstance(read, Presence):
            what = Seen(read)
        elif isinstance(read, Refusal):
            what = Refused(read)
        else:
            continue
        take(engine.apply(Input(at_us, at_us, what)))
        if number % 500 == 0:
            progress(emission.due_us)
    take(engine.advance(end_us + TRANSIT_US))
    progress(end_us)
    return changes
