"""`On call`: who is on call, how the calls for each alarm stand, last calls, and testing a way to a person."""

from __future__ import annotations

from typing import Any, Final

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response

from motewatch.picture.words import clock
from motewatch.web.access.desk import Visitor
from motewatch.web.access.roles import May
from motewatch.web.console.house import House, Rule
from motewatch.web.console.typed import UNTOUCHED, Typed
from motewatch.web.console.watch import Watch
from motewatch.web.console.way_test import WayTest, ways_of

ROUTES: Final = (
    Rule("/on-call", "on_call", ("GET",), May.LOOK),
    Rule("/on-call/test", "test_way", ("GET", "POST"), May.OPERATE),
)
NOT_KEPT: Final = "What became of it is not on the audit trail yet: look there before you rely on it."


class OnCallPages:
    """See the module."""

    def __init__(self, house: House) -> None:
        self._house = house
        self._watch = Watch(house)
        self._test = WayTest(house)

    async def on_call(self, request: Request, visitor: Visitor) -> Response:
        """The page."""
        duty = await run_in_threadpool(self._watch.duty)
        now = clock(self._house.clock.now_us(), self._house.feed.zone)
        return self._house.page("on_call", visitor, duty=duty, clock=now, operate=visitor.may(May.OPERATE))

    async def test_way(self, request: Request, visitor: Visitor) -> Response:
        """Send one trial message over a way to a person, now."""
        house = self._house
        names = {person.id: person.name for person in house.site.persons}
        # Neither an id of a person nor one of a channel has a blank in it.
        choices = [
            (f"{person} {channel}", f"{names[person]} over {channel}") for person, channel in ways_of(house.site)
        ]
        shown: dict[str, Any] = {"choices": choices, "way": "", "typed": UNTOUCHED, "tried": (), "told": ""}
        if request.method != "POST":
            return house.page("on_call_test", visitor, **shown | {"way": request.query_params.get("way", "")})
        form = await house.form(request, visitor)
        person, _, channel = form.get("way", "").partition(" ")
        done = await run_in_threadpool(self._test.test, visitor, person, channel)
        shown["way"] = f"{person} {channel}"
        if done.wrong:
            typed = Typed("way", {}, f"{done.wrong[:1].upper()}{done.wrong[1:]}.", "" if done.busy else "way")
            return house.page("on_call_test", visitor, 409 if done.busy else 422, **shown | {"typed": typed})
        told = "" if done.kept else NOT_KEPT
        return house.page("on_call_test", visitor, **shown | {"tried": done.tried, "told": told})
