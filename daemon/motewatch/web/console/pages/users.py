"""Users and roles for administrators, own tokens, own password, and signing out."""

from __future__ import annotations

from typing import Final

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from motewatch.journal.access import UserRow
from motewatch.web.access.desk import TOKEN_DAYS, UNUSED_DAYS, AccessError, Visitor, unused
from motewatch.web.access.roles import SCOPES, May, Role
from motewatch.web.console.house import House, Rule, address_of
from motewatch.web.console.obeyed import not_obeyed, without_user
from motewatch.web.console.typed import UNTOUCHED, Typed
from motewatch.web.words import ago

ROUTES: Final = (
    Rule("/access", "access", ("GET", "POST"), May.MANAGE),
    Rule("/tokens", "tokens", ("GET", "POST"), May.LOOK),
    Rule("/password", "password", ("GET", "POST"), None),
    Rule("/sign-out", "sign_out", ("POST",), None),
)


class UserPages:
    """See the module."""

    def __init__(self, house: House) -> None:
        self._house = house
        self._desk = house.desk

    async def sign_out(self, request: Request, visitor: Visitor) -> Response:
        """End the session."""
        await self._house.form(request, visitor)
        await run_in_threadpool(self._desk.sign_out, visitor)
        answer = RedirectResponse("/sign-in", 303)
        answer.delete_cookie(self._house.cookie, path="/", secure=self._house.https, httponly=True, samesite="strict")
        return answer

    async def password(self, request: Request, visitor: Visitor) -> Response:
        """Change the own password."""
        house, least = self._house, self._desk.password_min
        if request.method != "POST":
            none = f"You have no password here: you sign in with {self._desk.outside_label}."
            typed = Typed("password", {}, none) if visitor.outside else UNTOUCHED
            return house.page("password", visitor, typed=typed, least=least)
        form = await house.form(request, visitor)
        given = (form.get("old", ""), form.get("new", ""), form.get("again", ""))
        try:
            secret = await run_in_threadpool(self._desk.change_password, visitor, *given, address_of(request))
        except AccessError as error:
            typed = Typed("password", {}, str(error), error.field)
            return house.page("password", visitor, 429 if error.wait_s else 422, typed=typed, least=least)
        return house.with_session(RedirectResponse("/", 303), secret)

    async def access(self, request: Request, visitor: Visitor) -> Response:
        """Users: make, set the role, disable, replace a forgotten password."""
        if request.method != "POST":
            return await run_in_threadpool(self._access_page, visitor, 200, UNTOUCHED, "", "")
        form = await self._house.form(request, visitor)
        return await run_in_threadpool(self._manage, visitor, form)

    def _manage(self, visitor: Visitor, form: dict[str, str]) -> Response:
        user, act, reason, secret = form.get("user", "").strip(), form.get("act", ""), form.get("reason", ""), ""
        try:
            if act == "make":
                secret = self._desk.add_user(visitor, user, form.get("name", ""), form.get("role", ""), reason)
            elif act == "secret":
                secret = self._desk.new_secret(visitor, user, reason)
            elif act == "role":
                self._desk.set_role(visitor, user, form.get("role", ""), reason)
            elif act == "outside":
                self._desk.hand_over(visitor, user, reason)
            elif act in ("enable", "disable"):
                self._desk.set_enabled(visitor, user, reason, enabled=act == "enable")
            else:
                raise HTTPException(400)
        except AccessError as error:
            typed = Typed("make" if act == "make" else f"{act} {user}", form, str(error), error.field)
            return self._access_page(visitor, 422, typed, "", "")
        # The one page that shows a secret is the answer to the POST itself: it is nowhere else.
        return self._access_page(visitor, 200, UNTOUCHED, user, secret) if secret else RedirectResponse("/access", 303)

    def _access_page(self, visitor: Visitor, status: int, typed: Typed, user: str, secret: str) -> Response:
        now_us = self._house.clock.now_us()
        users = [(each, _last(each, now_us), unused(each, now_us)) for each in self._desk.users()]
        oidc, site = self._house.by_provider, self._house.site
        label = self._desk.outside_label
        more = {
            "users": users,
            "roles": [*Role],
            "unused_days": UNUSED_DAYS,
            "label": label,
            "provider": oidc is not None,
            "not_obeyed_of": {
                each.id: not_obeyed(site, each.id, Role(each.role))
                for each, _, _ in users
                if each.disabled_us is None and each.id != visitor.id
            },
            "persons": without_user(site, {each.id for each, _, _ in users}),
        }
        return self._house.page("access", visitor, status, typed=typed, made=user, secret=secret, **more)

    async def tokens(self, request: Request, visitor: Visitor) -> Response:
        """Own tokens for programs: make and end."""
        if request.method != "POST":
            return await run_in_threadpool(self._tokens_page, visitor, 200, UNTOUCHED, "")
        form = await self._house.form(request, visitor)

        def act() -> Response:
            try:
                if form.get("act") == "make":
                    given = (form.get("label", ""), form.get("scope", ""), form.get("days", ""))
                    return self._tokens_page(visitor, 200, UNTOUCHED, self._desk.add_token(visitor, *given))
                if form.get("act") != "end":
                    raise HTTPException(400)
                self._desk.end_token(visitor, form.get("token", ""))
            except AccessError as error:
                return self._tokens_page(visitor, 422, Typed("make", form, str(error), error.field), "")
            return RedirectResponse("/tokens", 303)

        return await run_in_threadpool(act)

    def _tokens_page(self, visitor: Visitor, status: int, typed: Typed, secret: str) -> Response:
        scopes = [scope for scope, rights in SCOPES.items() if rights <= visitor.rights]
        now_us = self._house.clock.now_us()
        tokens = [(each, each.ended_us is None and now_us < each.until_us) for each in self._desk.tokens(visitor)]
        return self._house.page(
            "tokens", visitor, status, tokens=tokens, scopes=scopes, days=TOKEN_DAYS, typed=typed, secret=secret
        )


def _last(user: UserRow, now_us: int) -> str:
    """When the password was chosen and the user was last here, in words."""
    used = "never here" if user.used_us is None else f"last here {ago(user.used_us, now_us)}"
    if user.password_set_us is None:
        return used
    return f"{used}; password chosen {ago(user.password_set_us, now_us)}"
