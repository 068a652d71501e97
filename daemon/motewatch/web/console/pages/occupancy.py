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
            return await run_in_threadpool(self._page, visitor, room, 200, "", "", "")
        form = await self._house.form(request, visitor)
        return await run_in_threadpool(self._state, visitor, room, form)

    def _state(self, visitor: Visitor, room: str, form: dict[str, str]) -> Response:
        stated, comment = form.get("state", ""), one_line(form.get("comment", ""))
        if stated not in CHOICES or len(comment) > COMMENT_MAX:
            wrong = f"Choose a state; a comment has {COMMENT_MAX} characters at most."
            return self._page(visitor, room, 422, wrong, stated, comment[:COMMENT_MAX])
        occupancy = None if stated == SCHEDULE else stated
        replied = self._house.order(visitor, OrderedAct.SET_OCCUPANCY, room, comment, occupancy=occupancy)
        if replied is None:
            wrong = "It was handed over, but there is no reply yet. Look at the record before you try again."
            return self._page(visitor, room, 202, wrong, stated, comment)
        if not replied.accepted:
            return self._page(visitor, room, 409, f"Refused: {replied.text}.", stated, comment)
        return RedirectResponse(f"/room/{room}", 303)

    def _page(self, visitor: Visitor, room: str, status: int, wrong: str, stated: str, comment: str) -> Response:
        house = self._house
        found = next((each for each in house.site.rooms if each.id == room), None)
        if found is None:
            raise HTTPException(404, "There is no room of this id in the site.")
        now = next((each.occupancy for each in house.feed.now().rooms if each.id == room), "")
        shown: dict[str, Any] = {"room": found, "now": now, "wrong": wrong, "stated": stated, "comment": comment}
        return house.page("occupancy", visitor, status, choices=CHOICES, longest=COMMENT_MAX, **shown)
