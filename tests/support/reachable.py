"""A facility in which nothing happens by itself but calls: two persons with three ways, weekly tests, no periods."""

from __future__ import annotations

from copy import deepcopy
from typing import Any

from support.facility import site_dict

CHANNELS: list[dict[str, Any]] = [
    {"id": "sms", "kind": "service", "url_file": "sms.url"},
    {"id": "mail", "kind": "e-mail", "host": "mail.example.org", "sender": "air@example.org"},
]
PERSONS: list[dict[str, Any]] = [
    {
        "id": "ada",
        "name": "Ada",
        "reach": [{"channel": "sms", "address": "+00 1"}, {"channel": "mail", "address": "ada@example.org"}],
    },
    {"id": "ben", "name": "Ben", "reach": [{"channel": "sms", "address": "+00 2"}]},
]


def reachable(test_at: str = "Tue 10:00", within_h: float = 24, **changes: Any) -> dict[str, Any]:
    """The site as TOML would give it. Every location takes each reading as a sample, so weeks pass in no time."""
    tables: dict[str, Any] = {
        "programmes": [{"id": "direct", "sample": "each-reading", "settle_s": 2.0}],
        "locations": [
            {"id": "fill-1", "name": "Needle side", "room": "fill", "programme": "direct"},
            {"id": "prep-1", "name": "Bench", "room": "prep", "programme": "direct"},
            {"id": "prep-2", "name": "Door side", "room": "prep", "programme": "direct"},
        ],
        "channels": deepcopy(CHANNELS),
        "persons": deepcopy(PERSONS),
        "escalations": [
            {
                "id": "worst",
                "priorities": ["high"],
                "steps": [{"after_min": 0, "tell": ["person:ada"]}, {"after_min": 5, "tell": ["person:ben"]}],
            }
        ],
        "callout": {"test_calls": {"at": test_at, "confirm_within_h": within_h}},
    }
    return site_dict(**(tables | changes))
