"""Good messages spoilt: a value, a key, or plain bytes changed, so that a decoder meets what it should refuse."""

from __future__ import annotations

import json
from copy import deepcopy
from random import Random
from typing import Any

NASTY: list[Any] = [
    None,
    True,
    False,
    0,
    -1,
    1,
    2,
    -0.0,
    0.5,
    0.3001,
    1e-9,
    1e308,
    2**53,
    2**63,
    -(2**63) - 1,
    10**400,
    float("nan"),
    float("inf"),
    "",
    " ",
    "\x00",
    "\ud800",
    "\udfff\ud800",
    "\U0001f600",
    "\x1b[2J",
    "\u202e",
    "a" * 70,
    "a\n",
    "1",
    "NaN",
    "1772439240",
    "2026-03-02",
    "2026-03-02T08:14:00",
    "2026-03-02T24:00:00Z",
    "9999-12-31T23:59:59Z",
    "0000-00-00T00:00:00Z",
    "2026-03-02T08:14:00+99:99",
    "counter-02",
    "differential",
    "at-rest",
    [],
    {},
    [0] * 70,
    [[[[[[]]]]]],
    [0.5],
    [5, 3],
    {"v": 1},
]


def spoil(random: Random, message: dict[str, Any]) -> bytes:
    """The message as JSON with one to three things changed: a value, a key, or plain bytes."""
    spoilt = json.loads(json.dumps(message))
    for _ in range(random.randint(0, 2)):
        part: Any = spoilt
        while True:
            key = random.choice(list(part) if isinstance(part, dict) else range(len(part)))
            if isinstance(part[key], dict | list) and part[key] and random.random() < 0.8:
                part = part[key]
                continue
            break
        match random.randint(0, 5):
            case 0 if isinstance(part, dict):
                del part[key]
            case 1 if isinstance(part, dict):
                part[random.choice(["V", "x" * 100, "\x00", "\ud800", "seq ", "room", "location"])] = deepcopy(
                    part[key]
                )
            case 1 if isinstance(part, list):
                part.reverse()
            case 2 if isinstance(part, list):
                part.append(deepcopy(part[key]))
            case 3 if type(part[key]) in (int, float) and abs(part[key]) < 1e18:
                part[key] = part[key] * random.choice([0, -1, 0.5, 3, 1000]) + random.choice([0, 1, -0.001])
            case _:
                part[key] = deepcopy(random.choice(NASTY))
        if not spoilt:
            break
    payload = bytearray(json.dumps(spoilt, ensure_ascii=random.random() < 0.9).encode(errors="surrogatepass"))
    if random.random() < 0.4:
        for _ in range(random.randint(1, 3)):
            place = random.randrange(len(payload) + 1)
            match random.randint(0, 4):
                case 0:
                    payload[place : place + 1] = bytes([random.randrange(256)])
                case 1:
                    del payload[place : place + random.randint(1, 40)]
                case 2:
                    payload[place:place] = random.choice(
                        [b'"', b",", b"{", b"[", b"\\u", b"\xff", b"0", b"e5", b"\x00"]
                    )
                case 3:
                    payload[place:place] = payload[: random.randint(0, 60)]
                case _:
                    del payload[place:]
    return bytes(payload)
