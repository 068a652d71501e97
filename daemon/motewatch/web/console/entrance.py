"""Signing in: with a password of this console, or by an outside identity provider; and coming back from there.

Rules: one goes on only to pages of our own. The way to the provider is a link and no form, because a browser would hold
the policy for forms against where it leads. Who comes back brings no session cookie (it is not sent along from
elsewhere), so what comes next is a page of our own that leads on by itself. Must not know what a provider says.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Final

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from motewatch.web.access.desk import AccessError, digest
from motewatch.web.access.intent import BACK, AwayError
from motewatch.web.console.house import House, address_of
from motewatch.web.console.pages.signing import carried_out

if TYPE_CHECKING:
    from motewatch.web.access.flows import Flow
    from motewatch.web.console.by_provider import ByProvider

OUTSIDE: Final = "/sign-in/outside"


class Entrance:
    """See the module. `routes` are open to everybody."""

    def __init__(self, house: House, own: Callable[[str], str]) -> None:
        """`own`: the path where it is one of our pages, else `/`."""
        self._house = house
        self._own = own
        self.routes = [
            Route("/sign-in", self._sign_in, methods=["GET", "POST"]),
            Route(OUTSIDE, self._leave, methods=["GET"]),
            Route(BACK, self._back, methods=["GET"]),
        ]

    async def _sign_in(self, request: Request) -> Response:
        house = self._house
        after = self._own(request.query_params.get("next", "/"))
        if request.method != "POST":
            return self._page(after)
        form = await house.form(request, None)
        before, address = request.cookies.get(house.cookie), address_of(request)
        user = form.get("user", "")
        try:
            secret = await run_in_threadpool(house.desk.sign_in, user, form.get("password", ""), address, before)
        except AccessError as error:
            return self._page(after, error, user[:64])
        return house.with_session(RedirectResponse(after, 303), secret)

    async def _leave(self, request: Request) -> Response:
        """To the identity provider."""
        provider = self._provider(request)
        after = self._own(request.query_params.get("next", "/"))
        session = request.cookies.get(self._house.cookie, "")
        before = digest(session) if 20 <= len(session) <= 100 else ""
        try:
            where, cookie = await run_in_threadpool(provider.begin, after, before, address_of(request))
        except AccessError as error:
            return self._page(after, error)
        return self._house.with_errand(RedirectResponse(where, 303), cookie)

    async def _back(self, request: Request) -> Response:
        """From the identity provider: signed in, or something confirmed."""
        return await run_in_threadpool(self._returned, self._provider(request), request)

    def _returned(self, provider: ByProvider, request: Request) -> Response:
        house, address = self._house, address_of(request)
        given = request.query_params.multi_items()
        answer = dict(given)
        if len(answer) != len(given):
            # RFC 6749 3.1: no name twice.
            raise HTTPException(400)
        try:
            flow = provider.taken(request.cookies.get(house.errand, ""), answer.get("state", ""), address)
        except AccessError as error:
            # The cookie stays: an address that somebody else made must not break off a sign-in on its way.
            return self._page("/", error)
        act = self._confirmed if flow.signing else self._entered
        made = act(provider, flow, answer, address)
        made.delete_cookie(house.errand, path="/", secure=house.https, httponly=True, samesite="lax")
        return made

    def _entered(self, provider: ByProvider, flow: Flow, answer: dict[str, str], address: str) -> Response:
        try:
            secret = provider.signed_in(flow, answer, address)
        except AccessError as error:
            return self._page(flow.after, error)
        page = self._house.page("onward", None, after=flow.after, what="You are signed in.")
        return self._house.with_session(page, secret)

    def _confirmed(self, provider: ByProvider, flow: Flow, answer: dict[str, str], address: str) -> Response:
        house, after = self._house, flow.after
        try:
            visitor, intent = provider.confirmed(flow, answer, address)
        except AccessError as error:
            return house.page("unsigned", None, _status(error), wrong=str(error), after=after)
        status, wrong = carried_out(house, visitor, intent)
        if wrong:
            return house.page("unsigned", None, status, wrong=wrong, after=after)
        return house.page("onward", None, after=after, what="It is signed.")

    def _page(self, after: str, error: AccessError | None = None, user: str = "") -> Response:
        provider = self._house.by_provider
        more = {
            "label": "" if provider is None else provider.settings.label,
            "own_first": provider is None or self._house.desk.own_password(""),
        }
        wrong, status = ("", 200) if error is None else (str(error), _status(error))
        answer = self._house.page("sign_in", None, status, wrong=wrong, user=user, after=after, **more)
        if error is not None and error.wait_s:
            answer.headers["Retry-After"] = str(int(error.wait_s) + 1)
        return answer

    def _provider(self, request: Request) -> ByProvider:
        """The site's, for a GET: a HEAD must not use anything up."""
        if self._house.by_provider is None:
            raise HTTPException(404)
        if request.method != "GET":
            raise HTTPException(405)
        return self._house.by_provider


def _status(error: AccessError) -> int:
    return 429 if error.wait_s else 503 if isinstance(error, AwayError) else 403
