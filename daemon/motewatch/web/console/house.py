"""What every page of the console works with: who may ask for what, the way of an order to the engine, and the frame.

Rules: a GET changes nothing. A POST is taken only from our own pages: the browser's word on where it comes from, and
the session's own token in the form. What a user orders or enters is answered once it is on record. Must not know what
is on the pages.
"""

from __future__ import annotations

import secrets
import threading
from collections.abc import Callable, Sequence
from contextvars import ContextVar
from dataclasses import dataclass, replace
from pathlib import Path
from queue import Empty, SimpleQueue
from typing import TYPE_CHECKING, Any, Final
from urllib.parse import urlsplit

from jinja2 import Environment, PackageLoader, StrictUndefined
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from motewatch.alarms.lifecycle import State
from motewatch.callout.outlook import CaseNow
from motewatch.engine.codec import Internal
from motewatch.engine.records import Audited, Entered, Ordered, OrderedAct, Output, PlaceOrdered, Replied
from motewatch.journal.journal import Journal
from motewatch.links.clock import TimeSource
from motewatch.picture.words import UNICODE, local_times, units
from motewatch.site.models import Site
from motewatch.web.access.desk import AccessDesk, Visitor
from motewatch.web.access.roles import May
from motewatch.web.bodies import form_of, whole_body
from motewatch.web.console.feed import Feed
from motewatch.web.console.obeyed import not_obeyed
from motewatch.web.pulse import Pulse
from motewatch.web.words import local, zone_words

if TYPE_CHECKING:
    from motewatch.web.console.by_provider import ByProvider

REPLY_S: Final = 8.0
ERRAND_S: Final = 600
SHOWN_TRIES: Final = 40
SHOWN_S: Final = 0.05

Post = Callable[[Internal, Callable[[Sequence[Output]], object]], None]
"""Hands an input to the engine; the callable gets its outputs once they are on record. From any thread."""

HERE: Final[ContextVar[str]] = ContextVar("here", default="")
"""Path of the page that is being made, for the mark in the navigation."""


@dataclass(frozen=True, slots=True)
class Rule:
    """One route: its methods, and what its visitor must be allowed (None: to be signed in is enough)."""

    path: str
    name: str
    methods: tuple[str, ...]
    needs: May | None


@dataclass(frozen=True, slots=True)
class Way:
    """One entry of the navigation. `also`: further paths below which it is marked as where one is."""

    path: str
    label: str
    needs: May
    also: tuple[str, ...] = ()


NAV: Final = (
    Way("/", "Right now", May.LOOK, ("/acknowledge",)),
    Way("/alarms", "Alarms", May.LOOK, ("/alarm",)),
    Way("/rooms", "Rooms", May.LOOK, ("/room", "/location")),
    Way("/sensors", "Sensors", May.LOOK, ("/sensor",)),
    Way("/on-call", "On call", May.LOOK),
    Way("/record", "Record", May.LOOK, ("/note",)),
    Way("/reports", "Reports", May.LOOK, ("/report",)),
    Way("/sign", "Signatures", May.SIGN),
)
"""At the top of each page."""

FOOT: Final = (
    Way("/wall", "Wall display", May.LOOK),
    Way("/access", "Users", May.MANAGE),
    Way("/tokens", "Tokens", May.LOOK),
)
"""At its end, with the own password and the way out: what is seldom wanted must not push the rooms off a phone."""


class House:
    """See the module."""

    def __init__(
        self,
        desk: AccessDesk,
        feed: Feed,
        record: Journal,
        post: Post,
        clock: TimeSource,
        public_url: str,
        base_dir: Path,
        *,
        reply_s: float = REPLY_S,
        cases: Callable[[], Sequence[CaseNow]] = tuple,
        pulse: Callable[[], Pulse | None] = lambda: None,
        by_provider: ByProvider | None = None,
    ) -> None:
        self.desk = desk
        self.feed = feed
        self.record = record
        """For questions, in a thread of the pool; nothing is written here."""
        self.clock = clock
        self.cases = cases
        """How the calls for each alarm stand, as of the last commit or shortly before."""
        self.pulse = pulse
        """What the writer says of its own work; None where there is none."""
        self.by_provider = by_provider
        """Sign-in by an outside identity provider; None where the site has none."""
        self.base_dir = base_dir
        """Folder of the site file."""
        self.stopping = threading.Event()
        self._post = post
        self._reply_s = reply_s
        parts = urlsplit(public_url)
        self._origin = f"{parts.scheme}://{parts.netloc}".casefold()
        self.https = parts.scheme == "https"
        self.cookie = "__Host-motewatch" if self.https else "motewatch"
        self.errand = f"{self.cookie}-outside"
        """The cookie of who is on the way to an identity provider."""
        self.templates = templates()

    @property
    def site(self) -> Site:
        """The site as it is configured now."""
        return self.feed.site

    def visitor(self, request: Request, *, used: bool = True) -> Visitor | None:
        """Whose session the request's cookie is."""
        return self.desk.visitor(request.cookies.get(self.cookie, ""), used=used)

    def with_session(self, answer: Response, secret: str) -> Response:
        """The answer with the cookie of a session."""
        answer.set_cookie(self.cookie, secret, path="/", secure=self.https, httponly=True, samesite="strict")
        return answer

    def with_errand(self, answer: Response, text: str) -> Response:
        """The answer with the cookie that is shown on coming back from an identity provider.

        `lax`: a cookie that is `strict` is not sent along with who comes from elsewhere.
        """
        answer.set_cookie(
            self.errand, text, max_age=ERRAND_S, path="/", secure=self.https, httponly=True, samesite="lax"
        )
        return answer

    async def form(self, request: Request, visitor: Visitor | None) -> dict[str, str]:
        """The form of a POST that one of our own pages sent; raises 400 or 403."""
        site, origin = request.headers.get("sec-fetch-site", ""), request.headers.get("origin", "")
        ours = (self._origin, f"{request.url.scheme}://{request.headers.get('host', '')}".casefold())
        if site in ("cross-site", "same-site") or (origin and origin.casefold() not in ours):
            raise HTTPException(403, "The form was not from this console.")
        form = form_of(await whole_body(request))
        if visitor is not None and not secrets.compare_digest(form.get("csrf", "").encode(), visitor.csrf.encode()):
            raise HTTPException(403, "The form is of an earlier sign-in. Load its page again and send it once more.")
        return form

    def order(
        self,
        visitor: Visitor,
        act: OrderedAct,
        subject: str,
        comment: str = "",
        *,
        until_us: int = 0,
        permit: str = "",
        occupancy: str | None = None,
    ) -> Replied | None:
        """Hand an order to the engine in the visitor's name; its reply, or None where there is none yet.

        Waits, so call it in a thread of the pool.
        """
        id_ = f"console-{secrets.token_hex(12)}"
        return self._replied(id_, Ordered(id_, visitor.id, act, subject, comment, until_us, permit, occupancy))

    def place(self, visitor: Visitor, sensor: str, location: str | None, comment: str) -> Replied | None:
        """Say in the visitor's name where a portable counter stands from now on. As `order`."""
        id_ = f"console-{secrets.token_hex(12)}"
        return self._replied(id_, PlaceOrdered(id_, visitor.id, sensor, location, comment))

    def _replied(self, id_: str, what: Internal) -> Replied | None:
        replies = (one for one in self._posted(what) if isinstance(one, Replied) and one.command_id == id_)
        reply = next(replies, None)
        return None if reply is None else replace(reply, text=local_times(reply.text, self.feed.zone))

    def enter(self, visitor: Visitor, action: str, subject: str, detail: str) -> bool:
        """Put a fact on the audit trail in the visitor's name; False: it was handed over, but is not on record yet.

        Waits, so call it in a thread of the pool.
        """
        return any(isinstance(one, Audited) for one in self._posted(Entered(visitor.id, action, subject, detail)))

    def until_shown(self, alarms: Sequence[str]) -> None:
        """Wait a little until the feed, which hears of it after the record, has these alarms as they stand on record.

        Call it in a thread of the pool.
        """
        last = {}
        for alarm in alarms:
            changes = self.record.query_alarm_events(alarm, limit=1)
            last[alarm] = (changes[-1].after if changes else State.NORMAL).value
        for _ in range(SHOWN_TRIES):
            shown = {each.alarm: each.state for each in self.feed.alarms()}
            if all(shown.get(alarm, State.NORMAL.value) == state for alarm, state in last.items()):
                return
            if self.stopping.wait(SHOWN_S):
                return

    def _posted(self, what: Internal) -> Sequence[Output]:
        """What came of it, once that is on record; nothing, when it takes too long or everything ends."""
        said: SimpleQueue[Sequence[Output]] = SimpleQueue()
        self._post(what, said.put)
        deadline_s = self.clock.monotonic_s() + self._reply_s
        while not self.stopping.is_set() and self.clock.monotonic_s() < deadline_s:
            try:
                return said.get(timeout=0.1)
            except Empty:
                continue
        return ()

    def page(self, name: str, visitor: Visitor | None, status: int = 200, **more: Any) -> Response:
        """The page of the template `console/<name>.html`, in the frame."""
        zone = self.feed.zone
        template = self.templates.get_template(f"console/{name}.html")
        here = HERE.get()

        def ways_of(nav: Sequence[Way]) -> list[tuple[Way, bool]]:
            return [] if visitor is None else [(way, _is(way, here)) for way in nav if visitor.may(way.needs)]

        def day(us: int) -> str:
            return f"{local(us, zone):%Y-%m-%d}"

        around = {"visitor": visitor, "title": self.feed.title, "may": May, "day": day}
        around["zone_words"] = zone_words(self.clock.now_us(), zone)
        around["not_obeyed"] = "" if visitor is None else not_obeyed(self.site, visitor.id, visitor.role)
        text = template.render(**around, ways=ways_of(NAV), foot=ways_of(FOOT), **more)
        return HTMLResponse(text, status)


def _is(way: Way, here: str) -> bool:
    below = [path for path in (way.path, *way.also) if path != "/"]
    return here == way.path or any(here == path or here.startswith(f"{path}/") for path in below)


def role_words(visitor: Visitor) -> str:
    """Why somebody may not do what was asked for."""
    return f"Your role, {visitor.role}, does not allow this."


def address_of(request: Request) -> str:
    """Where a request comes from."""
    return "" if request.client is None else request.client.host


def templates() -> Environment:
    """The templates of the console; whatever is put into one is escaped."""
    made = Environment(
        loader=PackageLoader("motewatch.web", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        auto_reload=False,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters["units"] = lambda text: units(text, UNICODE)
    return made
