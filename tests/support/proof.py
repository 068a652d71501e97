"""One console for all that is proved of every page: an excursion, a user of each role, and names that try to be markup.

`addresses` says what to ask a route for, so that a page that is added is looked at by itself; one with a new kind of
parameter in its path has to be told here what there is.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final
from urllib.parse import quote

from motewatch.web.access.roles import RIGHTS, Role
from motewatch.web.access.signable import alarm_subject, sample_subject
from motewatch.web.console.house import Rule
from support.console import Person, administrator, console_site, user
from support.live import ABOVE, ACTION, ask, serving, spot
from support.mqtt_peer import Peer
from support.servers import Mosquitto, running, wait_until

MARKUP: Final = "<i id=injected onclick=alert(1)>\"'&amp;{{7*7}}"
"""What somebody might put into a name. `<i id=injected>` must never be an element."""

NOT_PAGES: Final = frozenset({"/events"})
"""Streams without end."""


@dataclass(frozen=True)
class Ground:
    """The console and who is signed in."""

    url: str
    folder: Path
    people: dict[Role, Person]
    alarm: str
    sample: str
    location: str
    end: str
    broker: Mosquitto
    digest: str
    """Of the configuration in force."""

    def asker(self, rule: Rule) -> Person | None:
        """Somebody who may ask for it; the one who may do most."""
        for role in (Role.QUALITY, Role.ADMINISTRATOR, Role.OPERATOR, Role.VIEWER):
            if rule.needs is None or rule.needs in RIGHTS[role]:
                return self.people[role]
        return None

    def cookie(self, person: Person) -> dict[str, str]:
        """Of the person's session."""
        (cookie,) = person.http.cookies.jar
        return {"name": cookie.name, "value": str(cookie.value), "url": self.url}

    def addresses(self, path: str) -> list[str]:
        """What to ask this route for: without anything, and with what there is."""
        parts = {
            "alarm": ACTION,
            "room": "fill",
            "location": self.location,
            "sensor": "pc-1",
            "person": "mira",
            "digest": self.digest,
            "subject": self.sample,
        }
        parts["place"] = self.location
        bare = re.sub(r"{(\w+)(?::\w+)?}", lambda found: quote(parts.get(found[1], "none"), safe=""), path)
        queries = {
            "/acknowledge": [{"alarm": ACTION}],
            "/alarm": [{"id": ACTION}],
            "/sign": [{}, {"subject": self.alarm}, {"subject": self.sample}, {"subject": "audit/1-5"}],
            "/note": [{"subject": self.sample}, {"subject": f"room/{MARKUP}"}],
            "/record/sample": [{"location": self.location, "end": self.end}],
            "/record": [{}, {"text": MARKUP}],
        }
        found = []
        for query in queries.get(path, [{}, {"alarm": ACTION, "room": "fill", "location": self.location}]):
            asked = "&".join(f"{name}={quote(value, safe='')}" for name, value in query.items())
            found.append(f"{bare}?{asked}" if asked else bare)
        return found


def hostile_site(broker: Mosquitto) -> dict[str, Any]:
    """`console_site` with names that try to be markup."""
    made = console_site(broker)
    made["site"]["name"] = f"Works {MARKUP}"
    for kind in ("areas", "rooms", "locations"):
        for each in made[kind]:
            each["name"] = f"{each['name']} {MARKUP}"
    return made


@contextmanager
def proof_ground(folder: Path) -> Iterator[Ground]:
    """See the module."""
    (folder / "mosquitto").mkdir()
    with ExitStack() as stack:
        broker = stack.enter_context(running(Mosquitto(folder / "mosquitto")))
        site = hostile_site(broker)
        url = str(site["console"]["public_url"])
        stack.enter_context(serving(folder, site))
        admin = stack.enter_context(administrator(folder, url))
        people = {Role.ADMINISTRATOR: admin}
        for role in Role:
            if role not in people:
                people[role] = stack.enter_context(user(admin, url, f"a-{role}", role))
        peer = stack.enter_context(Peer(broker.port))
        peer.publish(*spot(1, ABOVE))
        wait_until(lambda: "Not fine" in people[Role.QUALITY].http.get("/").text, "the excursion")
        steps = ask(folder, lambda journal: journal.query_alarm_events(ACTION)) or []
        samples = ask(folder, lambda journal: journal.query_samples("spot-1")) or []
        taken = samples[-1]
        sample = sample_subject(taken.location, taken.end_us)
        alarm = alarm_subject(ACTION, steps[0].at_us)
        shown = people[Role.QUALITY].http.get("/record/configurations").text
        digest = re.search(r"/record/configurations/(\w+)", shown)
        assert digest is not None, shown
        yield Ground(url, folder, people, alarm, sample, taken.location, sample.rpartition("/")[2], broker, digest[1])
