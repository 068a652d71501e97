"""Builds small sites, readings and engines for tests: an invented two-room facility, changed where a test needs it."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from dataclasses import replace
from typing import Any

from motewatch.engine import Engine
from motewatch.engine.records import Configured, Heard, History, Input, Memory, Output, What
from motewatch.site.models import Site
from motewatch.wire.records import SECOND_US, Reading

T0 = 1_780_000_020 * SECOND_US
"""An instant on a whole minute (2026-05-28T20:27:00Z)."""

FLOW_UL_PER_S = 28_300_000 // 60


def site_dict(**changes: Any) -> dict[str, Any]:
    """A site as TOML would give it: room `fill` (grade A), room `prep` (ISO 7), two fixed sensors, one portable."""
    site: dict[str, Any] = {
        "format": 1,
        "site": {"id": "testing", "name": "Testing ground", "time_zone": "UTC"},
        "areas": [{"id": "north", "name": "North wing"}],
        "rooms": [
            {
                "id": "fill",
                "name": "Filling",
                "area": "north",
                "grade": "A",
                "climate": {
                    "humidity": {"high_pct": 60.0, "deadband_pct": 2.0, "on_delay_s": 120, "off_delay_s": 60},
                    "temperature": {"low_c": 18.0, "high_c": 24.0},
                },
            },
            {"id": "prep", "name": "Preparation", "area": "north", "iso_class": 7},
        ],
        "programmes": [
            {"id": "minute", "period_s": 60.0, "settle_s": 2.0, "insufficient_after": 2},
            {"id": "direct", "sample": "each-reading", "settle_s": 2.0},
        ],
        "locations": [
            {"id": "fill-1", "name": "Needle side", "room": "fill", "programme": "minute"},
            {"id": "prep-1", "name": "Bench", "room": "prep", "programme": "direct"},
            {"id": "prep-2", "name": "Door side", "room": "prep", "programme": "minute"},
        ],
        "sensors": [
            {
                "id": "pc-1",
                "serial": "S-1",
                "location": "fill-1",
                "sizes_um": [0.5, 5.0],
                "flow_l_min": 28.3,
                "interval_s": 10.0,
                "silent_after_s": 45.0,
            },
            {
                "id": "pc-2",
                "serial": "S-2",
                "location": "prep-1",
                "sizes_um": [0.5, 5.0],
                "flow_l_min": 28.3,
                "interval_s": 60.0,
            },
            {"id": "hand-1", "serial": "S-3", "kind": "portable", "sizes_um": [0.5, 5.0], "flow_l_min": 28.3},
        ],
        "levels": [{"room": "fill", "size_um": 0.5, "alert_per_m3": 1000}],
    }
    site.update(changes)
    return site


def configured(site: dict[str, Any]) -> Configured:
    """The site as the engine's first input."""
    text = Site.model_validate(site).model_dump_json()
    return Configured(hashlib.sha256(text.encode()).hexdigest(), text)


def reading(
    sensor: str,
    seq: int,
    end_us: int,
    counts: tuple[int, int] = (0, 0),
    seconds: float = 10.0,
    boot: str = "boot-1",
    **changes: Any,
) -> Reading:
    """A reading at nominal flow that ends at `end_us`."""
    duration_us = round(seconds * SECOND_US)
    made = Reading(
        sensor=sensor,
        boot=boot,
        seq=seq,
        start_us=end_us - duration_us,
        duration_us=duration_us,
        volume_ul=round(28_300_000 * seconds / 60),
        sizes_nm=(500, 5000),
        counts=counts,
    )
    return replace(made, **changes) if changes else made


def heard(made: Reading, received_us: int | None = None, applied_us: int | None = None) -> Input:
    """A reading that arrives 0.3 s after its end, unless said otherwise."""
    received = made.end_us + 300_000 if received_us is None else received_us
    return Input(received, received if applied_us is None else applied_us, Heard(made))


def at(at_us: int, what: What) -> Input:
    """Any input at one instant."""
    return Input(at_us, at_us, what)


def engine(site: dict[str, Any] | None = None, start_us: int = T0, history: History | None = None) -> Engine:
    """A configured engine; the configuration's own outputs are dropped."""
    made = Engine(Memory() if history is None else history)
    made.apply(at(start_us, configured(site_dict() if site is None else site)))
    return made


def run(engine_: Engine, inputs: Iterable[Input], until_us: int | None = None) -> list[Output]:
    """Apply inputs in order, then advance. Returns all outputs."""
    outputs: list[Output] = []
    for item in inputs:
        outputs += engine_.apply(item)
    if until_us is not None:
        outputs += engine_.advance(until_us)
    return outputs
