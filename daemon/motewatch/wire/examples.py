"""Example messages: shown in JSON Schema and AsyncAPI, and used by tests as good messages to spoil.

Plain data only. The count example and its concentrations are one worked case: 412, 137, 29 and 2 particles at or above
0.3, 0.5, 1 and 5 micrometres in 28.3 litres.
"""

from __future__ import annotations

from typing import Any, Final

_WORKED_CASE: Final = [
    (0.3, 412, 14558.3, 412.25, 13186.3, 16034.3),
    (0.5, 137, 4841.0, 137.08, 4064.3, 5722.8),
    (1.0, 29, 1024.7, 29.02, 686.3, 1471.7),
    (5.0, 2, 70.7, 2.0, 8.6, 255.3),
]

COUNTS: Final[list[dict[str, Any]]] = [
    {
        "v": 1,
        "sensor": "counter-01",
        "boot": "0b7c9d52-7c0e-4c5c-9a55-0b1f6a3f8d11",
        "seq": 1041,
        "start": "2026-03-02T08:14:00Z",
        "duration_s": 60,
        "volume_l": 28.3,
        "counts": {"kind": "cumulative", "sizes_um": [0.3, 0.5, 1.0, 5.0], "values": [412, 137, 29, 2]},
        "temperature_c": 20.4,
        "humidity_pct": 44.5,
        "pressure_difference_pa": 15.2,
        "status": {"flow": "ok", "laser": "ok", "calibration": "ok"},
    },
    {
        "v": 1,
        "sensor": "portable-02",
        "boot": "17",
        "seq": 0,
        "start": "2026-03-02T09:14:00.250+01:00",
        "duration_s": 60.0,
        "volume_l": 28.3,
        "counts": {"kind": "differential", "sizes_um": [0.3, 0.5, 1.0, 5.0], "values": [275, 108, 27, 2]},
        "location": "filling-line-1",
    },
]

PRESENCE: Final[list[dict[str, Any]]] = [
    {
        "v": 1,
        "sensor": "counter-01",
        "boot": "0b7c9d52-7c0e-4c5c-9a55-0b1f6a3f8d11",
        "online": True,
        "at": "2026-03-02T07:58:12Z",
    }
]

COMMAND: Final[list[dict[str, Any]]] = [
    {
        "v": 1,
        "id": "5a4f4a0e-7f4e-4a53-8a39-6a1f0e0d3c55",
        "command": "acknowledge",
        "by": "j.doe",
        "alarm": "location/filling-line-1/0.5um/action",
        "comment": "Door to the corridor stood open.",
    },
    {
        "v": 1,
        "id": "cleaning-2026-03-02",
        "command": "set-occupancy",
        "by": "j.doe",
        "room": "filling",
        "occupancy": "at-rest",
    },
    {
        "v": 1,
        "id": "cleaned-2026-03-02",
        "command": "set-occupancy",
        "by": "j.doe",
        "room": "filling",
        "occupancy": None,
    },
    {
        "v": 1,
        "id": "confirmed-2026-03-02",
        "command": "confirm-test",
        "by": "j.doe",
        "test": "k7m2qx4c",
    },
    {
        "v": 1,
        "id": "shelved-2026-03-02",
        "command": "shelve",
        "by": "j.doe",
        "alarm": "location/filling-line-1/humidity-high/alert",
        "until": "2026-03-02T10:00:00Z",
        "comment": "Humidifier is being mended.",
    },
    {
        "v": 1,
        "id": "maintenance-2026-03-02",
        "command": "remove-from-service",
        "by": "j.doe",
        "alarm": "sensor/counter-01/silent",
        "permit": "WP-2026-114",
    },
    {
        "v": 1,
        "id": "reset-2026-03-02",
        "command": "reset",
        "by": "j.doe",
        "alarm": "location/filling-line-1/0.5um/action",
        "comment": "Filter changed, air measured again.",
    },
    {
        "v": 1,
        "id": "round-2026-03-02",
        "command": "check-in",
        "by": "j.doe",
        "sensor": "hand-1",
        "location": "filling-line-1",
        "comment": "Weekly round.",
    },
    {
        "v": 1,
        "id": "round-2026-03-02-end",
        "command": "check-out",
        "by": "j.doe",
        "sensor": "hand-1",
    },
]

SAMPLE: Final[list[dict[str, Any]]] = [
    {
        "v": 1,
        "location": "filling-line-1",
        "room": "filling",
        "start": "2026-03-02T08:14:00Z",
        "end": "2026-03-02T08:15:00Z",
        "revision": 1,
        "occupancy": "operational",
        "coverage_pct": 100.0,
        "readings": 1,
        "sensors": ["counter-01"],
        "quality": [],
        "channels": [
            {
                "size_um": size_um,
                "count": count,
                "volume_l": 28.3,
                "per_m3": per_m3,
                "per_ft3": per_ft3,
                "lower_95_per_m3": lower,
                "upper_95_per_m3": upper,
            }
            for size_um, count, per_m3, per_ft3, lower, upper in _WORKED_CASE
        ],
        "temperature_c": {"mean": 20.4, "low": 20.4, "high": 20.4},
        "humidity_pct": {"mean": 44.5, "low": 44.5, "high": 44.5},
        "pressure_difference_pa": {"mean": 15.2, "low": 15.2, "high": 15.2},
    }
]

_ALARM: Final[dict[str, Any]] = {
    "v": 1,
    "alarm": "location/filling-line-1/0.5um/action",
    "kind": "count-action",
    "priority": "high",
    "state": "unacknowledged",
    "since": "2026-03-02T08:15:00Z",
    "found": "2026-03-02T08:15:02Z",
    "text": "Filling line 1: 4 841 particles/m3 >= 0.5 um, above the action level of 3 520 (ISO 5)",
    "value": 4841.0,
    "limit": 3520.0,
    "unit": "/m3",
    "location": "filling-line-1",
    "sensor": "counter-01",
    "room": "filling",
    "area": "aseptic",
    "late": False,
}

ALARM: Final[list[dict[str, Any]]] = [_ALARM]

EVENT: Final[list[dict[str, Any]]] = [
    {
        **_ALARM,
        "event": "starts",
        "before": "normal",
        "after": "unacknowledged",
        "id": "location/filling-line-1/0.5um/action/starts/1772439300000000/1772439302000000-1",
    }
]

CALL: Final[list[dict[str, Any]]] = [
    {
        "v": 1,
        "id": "call-1772439300-17",
        "site": "demo",
        "at": "2026-03-02T08:15:00Z",
        "cause": "raised",
        "person": "ada",
        "name": "Ada Okafor",
        "address": "+49 30 5550100",
        "urgent": True,
        "maybe_repeat": False,
        "subject": "High alarm, Filling line 1: Particles >= 0.5 um above the action level",
        "text": "Particles >= 0.5 um above the action level\nFilling line 1\n",
        "short": "HIGH alarm, Filling line 1: 4841 /m3 (limit 3520), 09:15 CET",
        "note": "",
        "link": "https://air.example.org/a/AQabcdEfGhIjKlMnOpQrStUvWxYz",
        "alarms": [
            {
                "alarm": "location/filling-line-1/0.5um/action",
                "priority": "high",
                "state": "unacknowledged",
                "what": "Particles >= 0.5 um above the action level",
                "where": "Filling line 1",
                "since": "2026-03-02T08:15:00Z",
                "value": 4841.0,
                "limit": 3520.0,
                "unit": "/m3",
                "action": "Stop exposing product. Find the source.",
            }
        ],
    }
]

FIGURES: Final[list[dict[str, Any]]] = [
    {
        "v": 1,
        "site": "demo",
        "at": "2026-03-02T08:15:00Z",
        "windows": [
            {
                "window": "1h",
                "start": "2026-03-02T07:15:00Z",
                "end": "2026-03-02T08:15:00Z",
                "operators": 1,
                "annunciated": 3,
                "per_operator_hour": 3.0,
                "peak_10_min": 2,
                "flood_share": 0.0,
                "chattering": 0,
                "fleeting": 0,
                "standing": 1,
                "standing_unacknowledged": 1,
                "stale": 0,
                "low": 1,
                "medium": 1,
                "high": 1,
                "acknowledged": 2,
                "median_to_acknowledge_s": 95.0,
            }
        ],
    }
]

ANCHOR: Final[list[dict[str, Any]]] = [
    {
        "v": 1,
        "site": "demo",
        "anchor": 17,
        "at": "2026-03-02T09:00:00Z",
        "seal": 48211,
        "input": 1730512,
        "output": 60233,
        "hash": "50d858e0985ecc7f60418aaf0cc5ab587f42c2570a884095a9e8ccacd0f6545c",
        "public_key": "ea4a6c63e29c520abef5507b132ec5f9954776aebebe7b92421eea691446d22c",
        "signature": "6afde1b9ce1c91e0d1003945497cbe2c5f51d6e40091b437eaca19f621b3127f"
        "e03385623e05d4b427577cd8d30d7adb30834d5e78958ddd04aad3a40ab2560d",
    },
    {
        "v": 1,
        "site": "demo",
        "anchor": 1,
        "at": "2026-03-01T00:00:00Z",
        "seal": 12,
        "input": 3,
        "output": 9,
        "hash": "50d858e0985ecc7f60418aaf0cc5ab587f42c2570a884095a9e8ccacd0f6545c",
    },
]

SERVICE: Final[list[dict[str, Any]]] = [
    {"v": 1, "site": "demo", "online": True, "at": "2026-03-02T07:55:00Z"},
    {
        "v": 1,
        "site": "demo",
        "online": True,
        "at": "2026-03-02T07:55:00Z",
        "trouble": "the record cannot be written: no space left",
    },
]

REPLY: Final[list[dict[str, Any]]] = [
    {
        "v": 1,
        "id": "5a4f4a0e-7f4e-4a53-8a39-6a1f0e0d3c55",
        "accepted": True,
        "text": "location/filling-line-1/0.5um/action is acknowledged",
        "at": "2026-03-02T08:16:30Z",
    }
]
