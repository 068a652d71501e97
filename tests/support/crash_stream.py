"""The stream of the crash test: a facility of 48 counters that speak five times a second, made from a seed.

Rules: what is said follows from the seed and the number of the period alone, never from the clock or from what happens
to the programs; only the instant at which the stream begins is handed in. Each message comes with the `Reading` that it
must become, built here and not decoded, so that a comparison also covers the decoder.

In it: four judging rules, locations where each reading is a sample, portable counters that change places, cumulative
and differential counts, climate with deadband and delays, excursions of one to three periods, gaps of a few readings
and of whole periods, counters that start anew under another boot id, and messages sent twice, at once or seconds
later. Not in it, because the result would depend on the moment of a crash: readings later than the settling time (how
many revisions a sample gets depends on whether the engine's time was held when they came) and silence (dated by when
something was last heard).
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any, Final

import numpy as np

from motewatch.wire.records import SECOND_US, Reading
from motewatch.wire.topics import Topics

PERIOD_US: Final = 5 * SECOND_US
SETTLE_US: Final = 3 * SECOND_US
READING_US: Final = 200_000
PER_PERIOD: Final = PERIOD_US // READING_US
VOLUME_UL: Final = 94_333
"""28.3 L/min for 0.2 s."""

PERIODIC: Final = 40
DIRECT: Final = 4
PORTABLE: Final = 4
SENSORS: Final = PERIODIC + DIRECT + PORTABLE
ROOMS: Final = 4
STANDS: Final = ("stand-0", "stand-1", "stand-2")
"""Locations for portable counters."""

SITE: Final = "crash"
RULES: Final[dict[str, dict[str, Any]]] = {
    "plain": {"kind": "per-sample"},
    "two-of-three": {"kind": "k-of-n", "k": 2, "n": 3},
    "rolling": {"kind": "rolling-volume", "volume_l": 5.0},
    "sure": {"kind": "confidence", "confidence_pct": 95.0},
}
EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)

Key = tuple[str, str, int]
"""(sensor, boot, sequence): what identifies a reading for ever."""


@dataclass(frozen=True, slots=True)
class Message:
    """One publication of the stream, due at `send_us`."""

    send_us: int
    number: int
    topic: str
    payload: bytes
    reading: Reading

    @property
    def key(self) -> Key:
        """Which reading it carries."""
        return self.reading.sensor, self.reading.boot, self.reading.seq


def site_dict(broker_port: int, time_series_url: str) -> dict[str, Any]:
    """The facility as its site file has it. The hold limit outlasts any outage here; nothing counts as silent."""
    programme = {"period_s": 5.0, "settle_s": 3.0, "insufficient_after": 2}
    names = list(RULES)
    fixed = [(f"pc-{i:02}", f"loc-{i:02}", names[i % 4] if i < PERIODIC else "direct", i) for i in range(44)]
    counter = {"sizes_um": [0.5, 5.0], "flow_l_min": 28.3, "interval_s": 0.2}
    return {
        "format": 1,
        "site": {"id": SITE, "name": "Crash test", "time_zone": "UTC"},
        "service": {
            "journal": "journal.db",
            "hold_limit_s": 60.0,
            "broker": {"host": "127.0.0.1", "port": broker_port},
            "time_series": {"url": time_series_url, "timeout_s": 5.0, "resend_s": 30.0},
        },
        "areas": [{"id": "all", "name": "All"}],
        "rooms": [
            {"id": "room-0", "name": "Filling", "area": "all", "iso_class": 7, "climate": _temperature()},
            {"id": "room-1", "name": "Preparation", "area": "all", "iso_class": 7, "climate": _humidity()},
            {"id": "room-2", "name": "Assembly", "area": "all", "climate": _pressure()},
            {"id": "room-3", "name": "Store", "area": "all"},
        ],
        "programmes": [
            *({"id": name, **programme, "rule": rule} for name, rule in RULES.items()),
            {"id": "direct", "sample": "each-reading", "settle_s": 3.0},
        ],
        "locations": [
            *(
                {"id": location, "name": location, "room": f"room-{i % ROOMS}", "programme": rule}
                for _, location, rule, i in fixed
            ),
            *({"id": stand, "name": stand, "room": "room-3", "programme": "plain"} for stand in STANDS),
        ],
        "sensors": [
            *(
                {"id": sensor, "serial": sensor, "location": location, **counter, "silent_after_s": 3600.0}
                for sensor, location, _, _ in fixed
            ),
            *(
                {"id": f"hand-{i}", "serial": f"hand-{i}", "kind": "portable", **counter}
                for i in range(PORTABLE)
            ),
        ],
        "levels": [
            {"area": "all", "size_um": 0.5, "alert_per_m3": 150_000, "action_per_m3": 300_000},
            {"area": "all", "size_um": 5.0, "alert_per_m3": 1_000, "action_per_m3": 2_000},
        ],
    }  # fmt: skip


def _temperature() -> dict[str, Any]:
    return {"temperature": {"high_c": 24.0, "alert_high_c": 23.0, "low_c": 18.0, "deadband_c": 0.2}}


def _humidity() -> dict[str, Any]:
    return {"humidity": {"high_pct": 55.0, "deadband_pct": 1.0, "on_delay_s": 2.0, "off_delay_s": 1.0}}


def _pressure() -> dict[str, Any]:
    return {"pressure_difference": {"low_pa": 8.0, "alert_low_pa": 10.0, "deadband_pa": 0.5}}


@dataclass(slots=True)
class _Counter:
    """One counter and what it is going through."""

    id: str
    index: int
    rng: np.random.Generator
    boot: int = 0
    seq: int = 0
    excursion: int = 0
    """Periods that the present excursion still lasts."""
    stand: str | None = None


class Stream:
    """Makes the messages, a period at a time and in order. `start_us` must lie on a period's boundary."""

    def __init__(self, seed: int, topics: Topics, start_us: int) -> None:
        assert start_us % PERIOD_US == 0
        self.start_us = start_us
        self._topics = topics
        self._periods = 0
        self._made = 0
        names = [f"pc-{i:02}" for i in range(PERIODIC + DIRECT)] + [f"hand-{i}" for i in range(PORTABLE)]
        self._counters = [_Counter(name, i, np.random.default_rng([seed, i])) for i, name in enumerate(names)]

    @property
    def end_us(self) -> int:
        """The end of the last period made."""
        return self.start_us + self._periods * PERIOD_US

    def next_period(self) -> list[Message]:
        """All messages of the next period, in no order; some may be due after its end."""
        begin_us = self.end_us
        self._periods += 1
        messages: list[Message] = []
        for counter in self._counters:
            messages += self._of_one(counter, begin_us)
        return messages

    def _of_one(self, counter: _Counter, begin_us: int) -> list[Message]:
        rng = counter.rng
        self._fate(counter)
        missing = self._missing(rng)
        high = 6.0 if counter.excursion else 1.0
        large = rng.poisson(0.05 * high, PER_PERIOD)
        small = large + rng.poisson(8.0 * high, PER_PERIOD)
        # Counters do not speak all at once: each has its place within the reading interval.
        phase_us = (counter.index + 1) * READING_US // (SENSORS + 1)
        delays_us = rng.integers(0, 30_000, PER_PERIOD)
        twice = rng.random(PER_PERIOD) < 0.02
        again_us = rng.integers(0, 2_000_000, PER_PERIOD)
        noise = rng.normal(0, 0.05, PER_PERIOD)
        messages = []
        for k in range(PER_PERIOD):
            seq, counter.seq = counter.seq, counter.seq + 1
            if k in missing:
                continue
            end_us = begin_us + k * READING_US + phase_us
            climate = self._climate(counter, end_us, float(noise[k]))
            reading = Reading(
                sensor=counter.id,
                boot=f"{counter.id}-boot-{counter.boot}",
                seq=seq,
                start_us=end_us - READING_US,
                duration_us=READING_US,
                volume_ul=VOLUME_UL,
                sizes_nm=(500, 5000),
                counts=(int(small[k]), int(large[k])),
                location=counter.stand,
                temperature_mc=climate.get("temperature"),
                humidity_mpct=climate.get("humidity"),
                pressure_mpa=climate.get("pressure"),
            )
            body = payload(reading, differential=counter.index % 3 == 1)
            send_us = end_us + int(delays_us[k])
            messages.append(self._message(send_us, body, reading))
            if twice[k]:
                messages.append(self._message(send_us + int(again_us[k]), body, reading))
        return messages

    def _message(self, send_us: int, body: bytes, reading: Reading) -> Message:
        self._made += 1
        return Message(send_us, self._made, self._topics.counts(reading.sensor), body, reading)

    @staticmethod
    def _fate(counter: _Counter) -> None:
        """What this period brings: an excursion begins or goes on, a new boot, another place."""
        rng = counter.rng
        chance = rng.random(3)
        length = int(rng.integers(1, 4))
        stand = STANDS[int(rng.integers(len(STANDS)))]
        if counter.excursion:
            counter.excursion -= 1
        elif chance[0] < 0.12:
            counter.excursion = length
        if chance[1] < 0.04:
            counter.boot, counter.seq = counter.boot + 1, 0
        if counter.id.startswith("hand-") and (counter.stand is None or chance[2] < 0.3):
            counter.stand = stand

    @staticmethod
    def _missing(rng: np.random.Generator) -> range:
        """Readings that were never made: mostly none, now and then a few, or a whole period."""
        chance, first, length = rng.random(), int(rng.integers(PER_PERIOD)), int(rng.integers(2, 12))
        if chance < 0.015:
            return range(PER_PERIOD)
        return range(first, first + length) if chance < 0.08 else range(0)

    def _climate(self, counter: _Counter, at_us: int, noise: float) -> dict[str, int]:
        """Slow waves that cross the bounds, different at each counter; every other place has no such instrument."""
        room = counter.index % ROOMS
        if counter.index % 8 >= ROOMS or room == 3 or counter.stand is not None:
            return {}
        turn = 2 * math.pi * ((at_us - self.start_us) / (17.0 + counter.index) / SECOND_US)
        wave = math.sin(turn + counter.index) + noise
        if room == 0:
            return {"temperature": round(1000 * (21.5 + 3.5 * wave))}
        if room == 1:
            return {"humidity": round(1000 * (48 + 10 * wave))}
        return {"pressure": round(1000 * (12 + 5 * wave))}


def payload(reading: Reading, *, differential: bool) -> bytes:
    """The count message that becomes this reading."""
    small, large = reading.counts
    values = [small - large, large] if differential else [small, large]
    message: dict[str, Any] = {
        "v": 1,
        "sensor": reading.sensor,
        "boot": reading.boot,
        "seq": reading.seq,
        "start": (EPOCH + timedelta(microseconds=reading.start_us)).isoformat().replace("+00:00", "Z"),
        "duration_s": reading.duration_us / SECOND_US,
        "volume_l": reading.volume_ul / 1_000_000,
        "counts": {
            "kind": "differential" if differential else "cumulative",
            "sizes_um": [0.5, 5.0],
            "values": values,
        },
        "status": {"flow": "ok", "laser": "ok", "calibration": "ok"},
    }
    for name, value in (
        ("temperature_c", reading.temperature_mc),
        ("humidity_pct", reading.humidity_mpct),
        ("pressure_difference_pa", reading.pressure_mpa),
    ):
        if value is not None:
            message[name] = value / 1000
    if reading.location is not None:
        message["location"] = reading.location
    return json.dumps(message).encode()
