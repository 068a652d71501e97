"""Emissions as the JSON that travels: count messages and presence, as the wire contract says.

Written by hand rather than through the daemon's models, as the firmware of a sensor would; the tests decode every
message with the daemon's decoder. Knows topics and bytes, no connection.
"""

from __future__ import annotations

import json
from dataclasses import dataclass

from motewatch.wire.topics import Topics
from motewatch_simulator.clock import iso
from motewatch_simulator.simulation import Came, Counted, Emission, Measurement, Went


@dataclass(frozen=True, slots=True)
class Outgoing:
    """One message ready to be published at QoS 1. `seq` is None for presence."""

    sensor: str
    boot: str
    seq: int | None
    topic: str
    payload: bytes
    retain: bool
    due_us: int


def encode(emission: Emission, topics: Topics) -> Outgoing:
    """The message that an emission is; of an abrupt going, what the broker says in the sensor's name."""
    match emission:
        case Counted(due_us, sensor, measurement):
            payload = count_payload(measurement)
            topic = topics.counts(sensor)
            return Outgoing(sensor, measurement.boot, measurement.seq, topic, payload, False, due_us)
        case Came(due_us, sensor, boot):
            return presence(topics, sensor, boot, online=True, at_us=due_us)
        case Went(due_us, sensor, boot):
            return presence(topics, sensor, boot, online=False, at_us=due_us)


def presence(topics: Topics, sensor: str, boot: str, *, online: bool, at_us: int) -> Outgoing:
    """A sensor's retained presence, also used as its last will."""
    body = {"v": 1, "sensor": sensor, "boot": boot, "online": online, "at": iso(at_us)}
    return Outgoing(sensor, boot, None, topics.presence(sensor), _compact(body), True, at_us)


def count_payload(m: Measurement) -> bytes:
    """A count message."""
    body: dict[str, object] = {
        "v": 1,
        "sensor": m.sensor,
        "boot": m.boot,
        "seq": m.seq,
        "start": iso(m.start_us),
        "duration_s": m.duration_us / 1_000_000,
        "volume_l": m.volume_ul / 1_000_000,
        "counts": {"kind": m.kind, "sizes_um": m.sizes_um, "values": m.values},
        "status": {
            "flow": "ok" if m.flow_ok else "fault",
            "laser": "ok" if m.laser_ok else "fault",
            "calibration": "ok",
        },
    }
    if m.location is not None:
        body["location"] = m.location
    if m.temperature_c is not None:
        body["temperature_c"] = m.temperature_c
    if m.humidity_pct is not None:
        body["humidity_pct"] = m.humidity_pct
    if m.pressure_pa is not None:
        body["pressure_difference_pa"] = m.pressure_pa
    return _compact(body)


def _compact(body: object) -> bytes:
    return json.dumps(body, separators=(",", ":")).encode()
