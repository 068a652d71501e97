"""Load for benchmarks and crash tests: many synthetic sensors, valid messages, as fast as asked for.

No physics: bodies are drawn once from a seed and then reused, so that making a message costs a microsecond or two.
Which body a reading gets depends on its sensor and sequence alone, so two runs of one plan say the same. With
excursions each sensor goes beyond the site's levels for some readings now and then. `site_text` makes the site file
that fits.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from threading import Event
from typing import TextIO

import numpy as np

from motewatch.wire.topics import Topics
from motewatch_simulator.clock import Clock, iso
from motewatch_simulator.lean import LeanPublisher, Parcel, topic_part

SITE_ID = "load"
TOPIC_ROOT = "motewatch/v1"
SIZES_UM = (0.3, 0.5, 1.0, 3.0, 5.0, 10.0)
FLOW_L_MIN = 28.3
SENSORS_PER_ROOM = 10
CALM_PER_M3 = (15_000.0, 5_000.0, 1_200.0, 120.0, 40.0, 10.0)
ALERT_PER_M3 = 100_000
ACTION_PER_M3 = 300_000
EXCURSION_FACTOR = 200.0
"""An excursion stands at 1e6 /m3 at 0.5 um, so beyond both levels in every reading."""

BURST_READINGS = 5
BURST_EVERY = 40
"""Each sensor is in excursion for 5 of 200 readings."""

_BODIES = 128
_TICK_S = 0.005
_AHEAD = 4_000
"""When flat out, so many messages are made ahead of the broker."""


@dataclass(frozen=True, slots=True)
class LoadPlan:
    """What to publish. `interval_us` is how long each reading of each sensor lasts, in event time."""

    sensors: int
    interval_us: int
    start_us: int
    boot: str
    excursions: bool = True
    seed: int = 1
    topics: Topics = field(default_factory=lambda: Topics(TOPIC_ROOT, SITE_ID))


def sensor_id(index: int) -> str:
    """Id of a synthetic sensor."""
    return f"s{index + 1:04d}"


def location_id(index: int) -> str:
    """Id of the location of a synthetic sensor."""
    return f"l{index + 1:04d}"


def in_excursion(index: int, seq: int) -> bool:
    """Whether this reading of this sensor lies beyond the levels (in a plan with excursions)."""
    return (seq // BURST_READINGS + 7 * index) % BURST_EVERY == BURST_EVERY - 1


@dataclass(frozen=True, slots=True)
class Tag:
    """What a parcel of the load is."""

    sensor: str
    seq: int
    end_us: int


def parcels(plan: LoadPlan) -> Iterator[Parcel]:
    """Every message of the plan, for ever: sensor after sensor, round after round."""
    volume_l = FLOW_L_MIN * plan.interval_us / 60e6
    rng = np.random.default_rng(plan.seed)
    calm = _tails(rng, volume_l, 1.0, plan.interval_us)
    high = _tails(rng, volume_l, EXCURSION_FACTOR, plan.interval_us)
    heads = [f'{{"v":1,"sensor":"{sensor_id(i)}","boot":"{plan.boot}","seq":'.encode() for i in range(plan.sensors)]
    topics = [topic_part(plan.topics.counts(sensor_id(i))) for i in range(plan.sensors)]
    names = [sensor_id(i) for i in range(plan.sensors)]
    offsets = [plan.interval_us * i // plan.sensors for i in range(plan.sensors)]
    second, stamp = -1, ""
    seq = 0
    while True:
        round_us = plan.start_us + seq * plan.interval_us
        for i in range(plan.sensors):
            start_us = round_us + offsets[i]
            if start_us // 1_000_000 != second:
                second = start_us // 1_000_000
                stamp = iso(second * 1_000_000)[:-1]
            bodies = high if plan.excursions and in_excursion(i, seq) else calm
            payload = b'%s%d,"start":"%s.%06dZ"%s' % (
                heads[i],
                seq,
                stamp.encode(),
                start_us % 1_000_000,
                bodies[(31 * i + 17 * seq) % _BODIES],
            )
            yield Parcel(topics[i], payload, Tag(names[i], seq, start_us + plan.interval_us))
        seq += 1


@dataclass(frozen=True, slots=True)
class LoadResult:
    """What came of a load."""

    made: int
    acknowledged: int
    refused: int
    resent: int
    waiting: int
    unheard: int
    connections: int
    seconds: float


def publish(
    plan: LoadPlan,
    publisher: LeanPublisher,
    clock: Clock,
    stop: Event,
    *,
    rate: float | None,
    messages: int,
    drain_s: float = 30.0,
    progress: Callable[[LoadResult], None] = lambda _: None,
) -> LoadResult:
    """Publish so many messages at `rate` per second (None: as fast as the broker takes them), or until `stop` is set.

    Afterwards waits at most `drain_s` for the last acknowledgements, also when stopped.
    """
    source = parcels(plan)
    origin_s = told_s = clock.monotonic_s()
    made = 0

    def standing() -> LoadResult:
        return LoadResult(
            made,
            publisher.acknowledged_count,
            publisher.refused_count,
            publisher.resent_count,
            publisher.waiting,
            publisher.unheard,
            publisher.connections,
            clock.monotonic_s() - origin_s,
        )

    while made < messages and not stop.is_set():
        now_s = clock.monotonic_s()
        wanted = made - publisher.waiting + _AHEAD if rate is None else int((now_s - origin_s) * rate)
        for _ in range(min(wanted, messages) - made):
            publisher.put(next(source))
            made += 1
        if rate is None:
            publisher.pump(_TICK_S)
        else:
            # One batch per tick costs less than one wake-up per message. A small Receive Maximum takes several turns.
            tick_ends_s = now_s + _TICK_S
            while publisher.waiting and (left_s := tick_ends_s - clock.monotonic_s()) > 0:
                publisher.pump(left_s)
            stop.wait(max(0.0, tick_ends_s - clock.monotonic_s()))
        if clock.monotonic_s() - told_s >= 1.0:
            told_s += 1.0
            progress(standing())
    publisher.say_unheard_again()
    deadline_s = clock.monotonic_s() + drain_s
    while publisher.waiting and clock.monotonic_s() < deadline_s:
        publisher.pump(0.02)
    publisher.close()
    return standing()


def log_to(out: TextIO, plan: LoadPlan, clock: Clock) -> Callable[[Parcel], None]:
    """Writes one JSON line for each message that the broker has acknowledged."""
    topics = {sensor_id(i): plan.topics.counts(sensor_id(i)) for i in range(plan.sensors)}

    def note(parcel: Parcel) -> None:
        tag = parcel.tag
        assert isinstance(tag, Tag)
        out.write(
            f'{{"acknowledged":"{iso(clock.now_us())}","sensor":"{tag.sensor}","boot":"{plan.boot}",'
            f'"seq":{tag.seq},"due":"{iso(tag.end_us)}","topic":"{topics[tag.sensor]}"}}\n'
        )

    return note


def site_text(
    sensors: int,
    *,
    interval_s: float = 1.0,
    period_s: float = 60.0,
    settle_s: float = 2.0,
    each_reading: bool = False,
    host: str = "127.0.0.1",
    port: int = 1883,
    journal: str = "motewatch.db",
    time_series_url: str | None = None,
) -> str:
    """A site file (TOML) with so many sensors, one location each, ten to a room, and levels of its own at 0.5 um."""
    sample = 'sample = "each-reading"' if each_reading else f"period_s = {period_s:.3f}"
    series = "" if time_series_url is None else f'\n[service.time_series]\nurl = "{time_series_url}"\n'
    parts = [
        f"""# Made by `motewatch-simulator load-site` for load tests.
format = 1

[site]
id = "{SITE_ID}"
name = "Load test"
time_zone = "UTC"

[service]
journal = "{journal}"
topic_root = "{TOPIC_ROOT}"

[service.broker]
host = "{host}"
port = {port}
{series}
[[areas]]
id = "all"
name = "Everything"

[[programmes]]
id = "load"
{sample}
settle_s = {settle_s}
"""
    ]
    for room in range(-(-sensors // SENSORS_PER_ROOM)):
        parts.append(f'\n[[rooms]]\nid = "r{room + 1:04d}"\nname = "Room {room + 1}"\narea = "all"\n')
    sizes = ", ".join(str(size) for size in SIZES_UM)
    for i in range(sensors):
        parts.append(
            f'\n[[locations]]\nid = "{location_id(i)}"\nname = "Location {i + 1}"\n'
            f'room = "r{i // SENSORS_PER_ROOM + 1:04d}"\nprogramme = "load"\n'
            f'\n[[sensors]]\nid = "{sensor_id(i)}"\nserial = "L-{i + 1:04d}"\nlocation = "{location_id(i)}"\n'
            f"sizes_um = [{sizes}]\nflow_l_min = {FLOW_L_MIN}\ninterval_s = {interval_s}\n"
        )
    parts.append(
        f'\n[[levels]]\narea = "all"\nsize_um = 0.5\nalert_per_m3 = {ALERT_PER_M3}\naction_per_m3 = {ACTION_PER_M3}\n'
    )
    return "".join(parts)


def _tails(rng: np.random.Generator, volume_l: float, factor: float, interval_us: int) -> list[bytes]:
    """What follows the start of a reading, drawn once."""
    expected = np.array(CALM_PER_M3) * factor * volume_l / 1000.0
    expected -= np.append(expected[1:], 0.0)
    sizes = ",".join(str(size) for size in SIZES_UM)
    tails = []
    for _ in range(_BODIES):
        values = np.cumsum(rng.poisson(expected)[::-1])[::-1]
        tails.append(
            f',"duration_s":{interval_us / 1e6:g},"volume_l":{volume_l:.6f},"counts":{{"kind":"cumulative",'
            f'"sizes_um":[{sizes}],"values":[{",".join(str(int(v)) for v in values)}]}},'
            f'"temperature_c":{20 + rng.normal(0, 0.2):.1f},"humidity_pct":{45 + rng.normal(0, 1):.1f},'
            f'"pressure_difference_pa":{15 + rng.normal(0, 0.5):.1f},'
            f'"status":{{"flow":"ok","laser":"ok","calibration":"ok"}}}}'.encode()
        )
    return tails
