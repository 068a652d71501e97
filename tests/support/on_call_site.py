"""A live site that calls people: two rotas (one with a gap), three persons, mail to a real server, and a console."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

from support.console import console_site
from support.mail import MailServer
from support.servers import Mosquitto, free_port


def on_call_site(broker: Mosquitto, mails: MailServer | None = None, **callout: Any) -> dict[str, Any]:
    """Ada and Ben take weekly turns; Ben is covered for tomorrow by Cy. `second` has nobody from next week on."""
    today = datetime.now(UTC).replace(hour=0, minute=0, second=0, microsecond=0, tzinfo=None)
    first = today - timedelta(days=14)
    cover = {
        "person": "cy", "start": (today + timedelta(days=8)).isoformat(),
        "end": (today + timedelta(days=9)).isoformat(), "reason": "training day",
    }  # fmt: skip
    site = console_site(broker)
    port = free_port() if mails is None else mails.port
    return site | {
        "callout": callout,
        "channels": [
            {"id": "mail", "kind": "e-mail", "host": "127.0.0.1", "port": port, "tls": "none",
             "sender": "air@example.org", "timeout_s": 3.0, "give_up_min": 1.0},
            {"id": "dead", "kind": "e-mail", "host": "127.0.0.1", "port": free_port(), "tls": "none",
             "sender": "air@example.org", "timeout_s": 3.0, "give_up_min": 1.0},
        ],
        "persons": [
            {"id": id_, "name": name, "reach": [{"channel": "mail", "address": f"{id_}@example.org"}], **more}
            for id_, name, more in (
                ("ada", "Ada Okafor", {}),
                ("ben", "Ben Lind", {}),
                ("cy", "Cy Marlow", {"reach": [{"channel": "dead", "address": "cy@example.org"}]}),
                ("dot", "Dot Reyes", {}),
            )
        ],
        "rotas": [
            {"id": "tech", "name": "Technicians", "cover": [cover],
             "rotation": {"members": ["ada", "ben"], "first": first.date().isoformat(), "hand_over": "00:00"}},
            {"id": "second", "name": "Second line", "cover": [
                {"person": "dot", "start": first.isoformat(), "end": (today + timedelta(days=7)).isoformat()}],
             "rotation": {"members": ["dot"], "first": (today + timedelta(days=20)).date().isoformat()}},
        ],
        "escalations": [
            {"id": "usual", "priorities": ["high"], "steps": [
                {"after_min": 0, "tell": ["rota:tech"]},
                {"after_min": 5, "tell": ["rota:second", "person:cy"]},
            ]},
        ],
    }  # fmt: skip
