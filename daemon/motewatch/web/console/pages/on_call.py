"""`On call`: who is on call, how the calls for each alarm stand, last calls, and testing a way to a person."""

from __future__ import annotations

import threading
from typing import Final

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response

from motewatch.links.channel_trial import Tried, UnknownNameError, channel_named, failed, try_way, whom_named
from motewatch.links.errors import ChannelError, LinkError
from motewatch.picture.words import clock
from motewatch.web.access.desk import Visitor
from motewatch.web.access.roles import May
from motewatch.web.console.house import House, Rule
from motewatch.web.console.watch import Watch

ROUTES: Final = (
    Rule("/on-call", "on_call", ("GET",), May.LOOK),
    Rule("/on-call/test", "test_way", ("GET", "POST"), May.OPERATE),
)
ACTION: Final = "channel-tested"


class OnCallPages:
    """See the module."""

    def __init__(self, house: House) -> None:
        self._house = house
        self._watch = Watch(house)
        self._testing = threading.Lock()

    async def on_call(self, request: Request, visitor: Visitor) -> Response:
        """The page."""
        duty = await run_in_threadpool(self._watch.duty)
        now = clock(self._house.clock.now_us(), self._house.feed.zone)
        return self._house.page("on_call", visitor, duty=duty, clock=now, operate=visitor.may(May.OPERATE))

    async def test_way(self, request: Request, visitor: Visitor) -> Response:
        """Send one trial message over a way to a person, now."""
        house = self._house
        site = house.site
        ways = [
            (f"{person.id} {channel.id}", f"{person.name} over {channel.id}")
            for person in site.persons
            for channel in site.channels
            if any(reach.channel == channel.id for reach in person.reach)
        ]
        if request.method != "POST":
            wanted = request.query_params.get("way", "")
            return house.page("on_call_test", visitor, choices=ways, way=wanted, wrong="", tried=[], told="")
        form = await house.form(request, visitor)
        way = form.get("way", "")
        if way not in dict(ways):
            wrong = "There is no such way in the site file: choose one of the list."
            return house.page("on_call_test", visitor, 422, choices=ways, way="", wrong=wrong, tried=[], told="")
        if not self._testing.acquire(blocking=False):
            wrong = "Another test is under way: try again in a moment."
            return house.page("on_call_test", visitor, 409, choices=ways, way=way, wrong=wrong, tried=[], told="")
        try:
            tried = await run_in_threadpool(self._try, *way.split(" "))
        finally:
            self._testing.release()
        person, channel = way.split(" ")
        said = "; ".join(f"{'taken' if one.delivered else 'not taken'}: {_line(one.text)}" for one in tried)
        kept = await run_in_threadpool(house.enter, visitor, ACTION, f"channel/{channel}", f"to {person}: {said}"[:600])
        told = "" if kept else "What became of it is not on the audit trail yet: look there before you rely on it."
        return house.page("on_call_test", visitor, choices=ways, way=way, wrong="", tried=tried, told=told)

    def _try(self, person: str, channel: str) -> list[Tried]:
        """One trial for each address of the person on the channel."""
        house = self._house
        try:
            settings = channel_named(house.site, channel)
            whom = whom_named(house.site, settings, person)
            return list(try_way(house.site, house.base_dir, settings, whom, house.clock))
        except ChannelError as error:
            return [Tried(f"'{channel}'", False, failed(error, settings), 0.0)]
        except (UnknownNameError, LinkError) as error:
            return [Tried(f"'{channel}'", False, f"{error}.", 0.0)]


def _line(text: str) -> str:
    return " ".join(text.split())
