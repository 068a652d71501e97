"""The kinds of alarm there are, as a site file names them. The engine gives each alarm one of these kinds.

Kept here, because a site file is checked without the engine; a test compares the list with what the engine uses.
"""

from __future__ import annotations

from typing import Final

ALARM_KINDS: Final = (
    "count-alert",
    "count-action",
    "temperature-alert",
    "temperature-action",
    "humidity-alert",
    "humidity-action",
    "pressure-difference-alert",
    "pressure-difference-action",
    "cascade",
    "trend",
    "insufficient-sampling",
    "sensor-silent",
    "sensor-flow",
    "sensor-laser",
    "sensor-clock",
    "sensor-calibration",
    "sensor-stuck",
    "sensor-all-zero",
    "broker-down",
    "session-lost",
    "session-taken",
    "time-series-down",
    "dead-letters",
    "clock-step",
    "replay-differed",
    "little-space",
    "certificate-ends",
    "backup-failed",
    "backup-old",
    "archives-failed",
    "marker-lost",
    "record-held-up",
    "links-guessed",
    "sign-ins-failed",
    "part-out-of-use",
    "channel-out-of-use",
    "callout-nobody-reached",
    "callout-gap",
    "callout-test",
)

PLACELESS: Final = frozenset(
    {
        "broker-down",
        "session-lost",
        "session-taken",
        "time-series-down",
        "dead-letters",
        "clock-step",
        "replay-differed",
        "little-space",
        "certificate-ends",
        "backup-failed",
        "backup-old",
        "archives-failed",
        "marker-lost",
        "record-held-up",
        "links-guessed",
        "sign-ins-failed",
        "part-out-of-use",
        "channel-out-of-use",
        "callout-nobody-reached",
        "callout-gap",
        "callout-test",
    }
)
"""Alarms of the service itself: they belong to no location, room or area."""
