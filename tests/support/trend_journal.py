"""A journal with a night (or a year) of one-minute samples at one location, for tests and benchmarks of trends."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from motewatch.alarms.lifecycle import Event, State
from motewatch.engine.codec import encode_internal
from motewatch.engine.records import AlarmChanged, Audited, Configured, Priority, SampleTaken
from motewatch.journal.journal import Journal
from motewatch.journal.rows import Batch, InputRow
from motewatch.measure.samples import Channel, Quality, Sample, Spread
from motewatch.site.models import Site
from motewatch.wire.records import MINUTE_US

START_US = 1_772_668_800_000_000
"""2026-03-05 00:00 UTC."""
VOLUME_UL = 28_300_000


SITE: dict[str, Any] = {
    "format": 1,
    "site": {"id": "testing", "name": "Testing ground", "time_zone": "Europe/Berlin"},
    "areas": [{"id": "north", "name": "North wing"}],
    "rooms": [
        {
            "id": "prep",
            "name": "Preparation",
            "area": "north",
            "grade": "B",
            "occupancy": "at-rest",
            "operational": ["Mon-Sun 07:00-19:00"],
            "climate": {
                "temperature": {"low_c": 19.0, "high_c": 23.0},
                "pressure_difference": {"low_pa": 10.0, "alert_low_pa": 12.0},
            },
        },
    ],
    "programmes": [{"id": "minute", "period_s": 60.0}],
    "locations": [
        {"id": "bench", "name": "Bench <left>", "room": "prep", "programme": "minute"},
        {"id": "sink", "name": "Sink", "room": "prep", "programme": "minute"},
    ],
    "sensors": [
        {"id": "s1", "serial": "S-1", "sizes_um": [0.5, 5.0], "flow_l_min": 28.3, "location": "bench"},
    ],
    "levels": [
        {"location": "bench", "size_um": 0.5, "occupancy": "at-rest", "alert_per_m3": 2000},
        {"location": "bench", "size_um": 5.0, "occupancy": "at-rest", "alert_per_m3": 20},
    ],
}


def site_of(**changes: Any) -> Site:
    """The small site, with other tables."""
    return Site.model_validate(SITE | changes)


def configure(journal: Journal, site: Site, at_us: int, digest: str) -> None:
    """Put a configuration on record, as the engine does."""
    what = Configured(digest, site.model_dump_json(exclude_none=True))
    row = InputRow(0, "configured", at_us, at_us, "", encode_internal(what))
    journal.commit(Batch([row], [(0, Audited(at_us, "", "configuration", "site", digest))], engine_us=at_us))


def minutes(location: str, start_us: int, count: int, seed: int = 7) -> Iterator[Sample]:
    """Samples of a minute each: a burst now and then, an hour without a sensor, one over range."""
    draw = np.random.default_rng(seed)
    levels = np.exp(draw.normal(0, 0.25, count))
    bursts = np.zeros(count)
    for place in draw.integers(0, count, max(1, count // 500)):
        bursts[place : place + 6] += float(draw.uniform(5, 60))
    small = draw.poisson(12 * levels * (1 + bursts))
    large = draw.poisson(0.05 * levels * (1 + bursts))
    for number in range(count):
        begin = start_us + number * MINUTE_US
        hour = (begin // (60 * MINUTE_US)) % 24
        missing = 300 <= number % 2000 < 360
        counts = ((500, small[number]), (5000, large[number]))
        air = () if missing else tuple(Channel(size, int(count), VOLUME_UL) for size, count in counts)
        yield Sample(
            location=location,
            start_us=begin,
            end_us=begin + MINUTE_US,
            revision=1,
            channels=air,
            sampled_us=0 if missing else MINUTE_US,
            readings=0 if missing else 1,
            sensors=() if missing else ("s1",),
            quality=Quality.MISSING if missing else Quality.GOOD,
            occupancy="operational" if 6 <= hour < 18 else "at-rest",
            temperature=None if missing else Spread(1, 21_000 + number % 700, 21_000, 21_000 + number % 700),
            humidity=None if missing else Spread(1, 45_000, 44_500, 45_500),
            pressure=None if missing else Spread(1, 15_000, 14_000, 16_000),
        )


def record(journal: Journal, samples: Iterator[Sample], group: int = 5_000) -> None:
    """Commit them in groups."""
    held: list[tuple[int, SampleTaken]] = []
    engine_us = 0
    for sample in samples:
        held.append((-1, SampleTaken(sample)))
        engine_us = sample.end_us
        if len(held) == group:
            journal.commit(Batch(outputs=list(held), engine_us=engine_us))
            held.clear()
    if held:
        journal.commit(Batch(outputs=list(held), engine_us=engine_us))


def excursion(location: str, room: str, start_us: int, end_us: int | None) -> list[tuple[int, AlarmChanged]]:
    """An action alarm that starts and, unless `end_us` is None, returns."""
    first = AlarmChanged(
        alarm=f"location/{location}/0.5um/action",
        kind="action-level",
        priority=Priority.HIGH,
        event=Event.STARTS,
        before=State.NORMAL,
        after=State.UNACKNOWLEDGED,
        at_us=start_us,
        found_us=start_us,
        text=f"{location}: 4841 particles/m3 >= 0.5 um exceed 3520",
        location=location,
        room=room,
    )
    if end_us is None:
        return [(-1, first)]
    after = State.RETURNED_UNACKNOWLEDGED
    return [
        (-1, first),
        (-1, replace(first, event=Event.RETURNS, before=first.after, after=after, at_us=end_us, found_us=end_us)),
    ]


def open_night(path: Path, site: Site, location: str, count: int = 1440) -> Journal:
    """A journal with a configuration, `count` minutes, an alarm and a note. Close it."""
    journal = Journal(path)
    configure(journal, site, START_US - 60 * MINUTE_US, "a" * 64)
    record(journal, minutes(location, START_US, count))
    room = next(each.room for each in site.locations if each.id == location)
    end_us = START_US + count * MINUTE_US
    journal.commit(
        Batch(
            outputs=[
                *excursion(location, room, START_US + 120 * MINUTE_US, START_US + 150 * MINUTE_US),
                (
                    -1,
                    Audited(
                        START_US + 200 * MINUTE_US, "olga", "note", f"location/{location}", "Door <b>held</b> open"
                    ),
                ),
            ],
            engine_us=end_us,
        )
    )
    return journal
