"""Generated sensor streams with everything that goes wrong on the way: gaps, repeats, disorder, late batches.

Messages are written here by hand as a sensor's firmware would write them, not by the models that the daemon reads
them with; beside the bytes each keeps the plain numbers that were put into it, for an independent computation.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np

from motewatch.wire.records import SECOND_US

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class Device:
    """One sensor of a stream. A portable (`visits`) stands at one of these locations for `visit_s` after the other."""

    id: str
    sizes_um: tuple[float, ...]
    kind: str
    interval_s: float
    location: str | None = None
    visits: tuple[str, ...] = ()
    visit_s: float = 600.0
    flow_l_min: float = 28.3
    mean_counts: float = 40.0


@dataclass(frozen=True, slots=True)
class Sent:
    """One message as it arrives, and what was written into it."""

    arrives_us: int
    sensor: str
    payload: bytes
    plain: dict[str, Any]


@dataclass(frozen=True, slots=True)
class Faults:
    """How often things go wrong, as probabilities per reading or per batch."""

    gap: float = 0.01
    """A gap of some readings begins: they were never made."""
    repeat: float = 0.08
    """A message is sent again, at once or much later."""
    disorder: float = 0.1
    """A message is overtaken by later ones."""
    late: float = 0.01
    """The network goes for some minutes; what was buffered comes in one go, sometimes newest first."""


def stream(
    rng: np.random.Generator, devices: list[Device], start_us: int, seconds: float, faults: Faults | None = None
) -> list[Sent]:
    """Messages of all devices in the order in which they arrive."""
    chances = faults or Faults()
    sent: list[Sent] = []
    for device in devices:
        sent += _of_device(rng, device, start_us, seconds, chances)
    return sorted(sent, key=lambda one: one.arrives_us)


def _of_device(rng: np.random.Generator, device: Device, start_us: int, seconds: float, faults: Faults) -> list[Sent]:
    sent: list[Sent] = []
    at_us = start_us + int(rng.integers(0, 2 * SECOND_US))
    end_us = start_us + round(seconds * SECOND_US)
    seq = skip = 0
    boot = 1
    outage_until_us = 0
    newest_first = False
    while at_us < end_us:
        # Counters do not keep the second: intervals differ by some milliseconds, and so does the air in them.
        duration_us = round(device.interval_s * SECOND_US) + int(rng.integers(-3_000, 3_000))
        begins_us, at_us = at_us, at_us + duration_us
        if skip:
            skip -= 1
            continue
        if rng.random() < faults.gap:
            skip = int(rng.integers(1, 30))
            if rng.random() < 0.3:
                boot, seq = boot + 1, 0
            continue
        plain = _reading(rng, device, f"boot-{boot}", seq, begins_us, duration_us, start_us)
        seq += 1
        payload = json.dumps(_message(plain, device)).encode()
        arrives_us = at_us + int(rng.exponential(300_000))
        if arrives_us < outage_until_us:
            # What was buffered comes when the network is back; newest first from some makes of firmware.
            place = (end_us - at_us if newest_first else at_us - start_us) // 1_000
            arrives_us = outage_until_us + place
        elif rng.random() < faults.late:
            outage_until_us = at_us + int(rng.integers(60, 1800)) * SECOND_US
            newest_first = rng.random() < 0.5
        elif rng.random() < faults.disorder:
            arrives_us += int(rng.exponential(4 * device.interval_s * SECOND_US))
        sent.append(Sent(arrives_us, device.id, payload, plain))
        if rng.random() < faults.repeat:
            again_us = arrives_us + int(rng.exponential(120 * SECOND_US)) + 1
            sent.append(Sent(again_us, device.id, payload, plain))
    return sent


def _reading(
    rng: np.random.Generator, device: Device, boot: str, seq: int, begins_us: int, duration_us: int, start_us: int
) -> dict[str, Any]:
    volume_ul = round(device.flow_l_min * duration_us / 60 * (1 + rng.normal(0, 0.01)))
    # Each channel of a differential count is a Poisson draw of its own; a large one now and then.
    means = device.mean_counts * np.exp(-np.arange(len(device.sizes_um)))
    counted = [int(n) for n in rng.poisson(means * (20 if rng.random() < 0.02 else 1))]
    place = device.location
    if device.visits:
        place = device.visits[int((begins_us - start_us) // (device.visit_s * SECOND_US)) % len(device.visits)]
    plain: dict[str, Any] = {
        "sensor": device.id,
        "boot": boot,
        "seq": seq,
        "start_us": begins_us,
        "duration_us": duration_us,
        "volume_ul": volume_ul,
        "location": place,
        "differential": counted,
        "sizes_um": list(device.sizes_um),
    }
    for key, centre, spread, share in (
        ("temperature_mc", 20_500, 800, 0.9),
        ("humidity_mpct", 45_000, 4_000, 0.8),
        ("pressure_mpa", 15_000, 2_000, 0.5),
    ):
        plain[key] = int(rng.normal(centre, spread)) if rng.random() < share else None
    return plain


def _message(plain: dict[str, Any], device: Device) -> dict[str, Any]:
    counted = plain["differential"]
    added_up = [sum(counted[place:]) for place in range(len(counted))]
    start = EPOCH + timedelta(microseconds=plain["start_us"])
    message: dict[str, Any] = {
        "v": 1,
        "sensor": plain["sensor"],
        "boot": plain["boot"],
        "seq": plain["seq"],
        # Some write an offset instead of Z; it is the same instant.
        "start": start.isoformat() if plain["seq"] % 2 else start.isoformat().replace("+00:00", "Z"),
        "duration_s": plain["duration_us"] / 1_000_000,
        "volume_l": plain["volume_ul"] / 1_000_000,
        "counts": {
            "kind": device.kind,
            "sizes_um": plain["sizes_um"],
            "values": added_up if device.kind == "cumulative" else counted,
        },
    }
    for key, name in (
        ("temperature_mc", "temperature_c"),
        ("humidity_mpct", "humidity_pct"),
        ("pressure_mpa", "pressure_difference_pa"),
    ):
        if plain[key] is not None:
            message[name] = plain[key] / 1000
    if device.visits:
        message["location"] = plain["location"]
    return message
