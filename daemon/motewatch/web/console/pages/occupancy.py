"""Stating a room's occupancy: it picks the levels by which the room's air is judged from then on."""

from __future__ import annotations

from typing import Any, Final

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from motewatch.engine.records import OrderedAct
from motewatch.site.basics import Occupancy
from motewatch.web.access.desk import Visitor
from motewatch.web.access.roles import May
from motewatch.web.bodies import one_line
from motewatch.web.console.house import House, Rule
from motewatch.web.console.now import COMMENT_MAX
from motewatch.web.console.typed import UNTOUCHED, Typed, too_long

ROUTES: Final = (Rule("/room/{room}/occupancy", "occupancy", ("GET", "POST"), May.OPERATE),)
SCHEDULE: Final = "schedule"
CHOICES: Final = {
    Occupancy.OPERATIONAL.value: "people are at work in it",
    Occupancy.AT_REST.value: "equipment is in place and running, nobody is in it",
    Occupancy.AS_BUILT.value: "bare, with its air supply running",
    SCHEDULE: "what the site file says for the hour",
}
"""The states of ISO 14644-1:2015, 3.3, in short, and the way back to the schedule."""


class OccupancyPages:
    """See the module."""

    def __init__(self, house: House) -> None:
        self._house = house

    async def occupancy(self, request: Request, visitor: Visitor) -> Response:
        """The form, and stating it."""
        room = request.path_params["room"]
        if request.method != "POST":
            return await run_in_threadpool(self._page, visitor, room, 200, UNTOUCHED)
        form = await self._house.form(request, visitor)
        return await run_in_threadpool(self._state, visitor, room, form)

    def _state(self, visitor: Visitor, room: str, form: dict[str, str]) -> Response:
        stated, comment = form.get("state", ""), one_line(form.get("comment", ""))
        fields = {"state": stated, "comment": comment}
        if stated not in CHOICES:
            return self._page(visitor, room, 422, Typed("state", fields, "Choose a state.", "state"))
        if len(comment) > COMMENT_MAX:
            typed = Typed("state", fields, too_long(comment, COMMENT_MAX), "comment")
            return self._page(visitor, room, 422, typed)
        occupancy = None if stated == SCHEDULE else stated
        replied = self._house.order(visitor, OrderedAct.SET_OCCUPANCY, room, comment, occupancy=occupancy)
        if replied is None:
            wrong = "It was handed over, but there is no reply yet. Look at the record before you try again."
            return self._page(visitor, room, 202, Typed("state", fields, wrong))
        if not replied.accepted:
            return self._page(visitor, room, 409, Typed("state", fields, f"Refused: {replied.text}."))
        return RedirectResponse(f"/room/{room}", 303)

    def _page(self, visitor: Visitor, room: str, status: int, typed: Typed) -> Response:
        house = self._house
        found = next((each for each in house.site.rooms if each.id == room), None)
        if found is None:
            raise HTTPException(404, "There is no room of this id in the site.")
        now = next((each.occupancy for each in house.feed.now().rooms if each.id == room), "")
        shown: dict[str, Any] = {"room": found, "now": now, "typed": typed}
        return house.page("occupancy", visitor, status, choices=CHOICES, longest=COMMENT_MAX, **shown)
