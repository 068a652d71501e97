"""Users and their roles, for programs: list, make, another role, disable, enable, another one-time secret.

Rules: as on the page `Users`, each with its reason; the audit trail says that it was a program. It takes a token of
scope `manage`, which only an administrator can make. A program neither makes administrators nor changes one: whoever
gets hold of a token must not become administrator by it, nor lock the others out. No token signs. Must not know pages.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final, TypeVar

from pydantic import Field
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from motewatch.journal.access import UserRow
from motewatch.links.publications import iso
from motewatch.web.access.desk import ONE_TIME_US, REASON_MAX, REASON_MIN, AccessError, Visitor, unused
from motewatch.web.access.roles import May, Role
from motewatch.web.console.house import House
from motewatch.web.console.listing import Listed, cursor_of, place_of
from motewatch.web.console.operation import BASE, Operation, Out, answer, body_of, query_of

LIST: Final = "users"
_ID: Final = Field(min_length=1, max_length=63, description="Small letters, digits, - and _.")
_REASON: Final = Field(min_length=REASON_MIN, max_length=REASON_MAX, description="Why; goes on the audit trail.")
Result = TypeVar("Result")
NOT_BY_A_PROGRAM: Final = "Administrators are made and changed in the console, not by a program."


class UserOut(Out):
    """One user."""

    id: str
    name: str
    role: Role
    disabled: bool
    outside: bool = Field(description="Signs in by the identity provider, which decides on the role.")
    chosen: bool = Field(description="False: has not chosen a password yet, or has none.")
    made: str
    last_here: str | None
    password_chosen: str | None
    unused: bool = Field(description="Not here for 90 days or more, and not disabled.")


class Users(Out):
    """A page of users, by id."""

    users: list[UserOut]
    next: str | None


class NewUser(Out):
    """Make this user."""

    user: str = _ID
    name: str = Field(min_length=1, max_length=100, description="Full name.")
    role: Role
    reason: str = _REASON


class Change(Out):
    """Change this user."""

    user: str = _ID
    reason: str = _REASON


class RoleChange(Change):
    """Another role for this user."""

    role: Role


class SecretOut(Out):
    """A one-time secret, shown only now."""

    user: str
    secret: str
    until: str


_PROBLEMS: Final = (400, 401, 403, 404, 409, 413, 422)


def _operation(what: str, name: str, summary: str, gives: type[Out], takes: type[Out]) -> Operation:
    return Operation(f"{BASE}/users{what}", "POST", name, summary, May.MANAGE, gives, takes, _PROBLEMS)


OPERATIONS: Final = (
    Operation(f"{BASE}/users", "GET", "users", "Users, by id", May.MANAGE, Users, problems=(400,), asks=Listed),
    _operation("", "make", "Make a user; gives a one-time secret", SecretOut, NewUser),
    _operation("/role", "set_role", "Give a user another role", UserOut, RoleChange),
    _operation("/disable", "disable", "Let a user no longer sign in", UserOut, Change),
    _operation("/enable", "enable", "Let a user sign in again", UserOut, Change),
    _operation("/secret", "new_secret", "A one-time secret in place of a forgotten password", SecretOut, Change),
)


class UserOperations:
    """See the module."""

    def __init__(self, house: House) -> None:
        self._house = house
        self._desk = house.desk

    async def users(self, request: Request, visitor: Visitor) -> Response:
        """A page of users."""
        asked = query_of(request, Listed)
        place = place_of(LIST, asked.cursor, str)
        after = "" if place is None else str(place[0])
        found = [each for each in await run_in_threadpool(self._desk.users) if each.id > after]
        page = found[: asked.limit]
        more = cursor_of(LIST, page[-1].id) if len(found) > len(page) else None
        return answer(Users(users=[self._out(each) for each in page], next=more))

    async def make(self, request: Request, visitor: Visitor) -> Response:
        """Make one."""
        asked = await body_of(request, NewUser)

        def act() -> str:
            if asked.role is Role.ADMINISTRATOR:
                raise HTTPException(409, NOT_BY_A_PROGRAM)
            if any(each.id == asked.user for each in self._desk.users()):
                raise HTTPException(409, f"There is a user {asked.user} already; ids are never used again.")
            return self._desk.add_user(visitor, asked.user, asked.name, asked.role, asked.reason)

        return self._secret(asked.user, await _done(act))

    async def new_secret(self, request: Request, visitor: Visitor) -> Response:
        """Another secret."""
        asked = await body_of(request, Change)

        def act() -> str:
            self._changeable(asked.user)
            return self._desk.new_secret(visitor, asked.user, asked.reason)

        return self._secret(asked.user, await _done(act))

    async def set_role(self, request: Request, visitor: Visitor) -> Response:
        """Another role."""
        asked = await body_of(request, RoleChange)

        def act() -> UserRow:
            if asked.role is Role.ADMINISTRATOR:
                raise HTTPException(409, NOT_BY_A_PROGRAM)
            self._changeable(asked.user)
            self._desk.set_role(visitor, asked.user, asked.role, asked.reason)
            return self._user(asked.user)

        return answer(self._out(await _done(act)))

    async def disable(self, request: Request, visitor: Visitor) -> Response:
        """Disable."""
        return await self._enabled(request, visitor, enabled=False)

    async def enable(self, request: Request, visitor: Visitor) -> Response:
        """Enable."""
        return await self._enabled(request, visitor, enabled=True)

    async def _enabled(self, request: Request, visitor: Visitor, *, enabled: bool) -> Response:
        asked = await body_of(request, Change)

        def act() -> UserRow:
            self._changeable(asked.user)
            self._desk.set_enabled(visitor, asked.user, asked.reason, enabled=enabled)
            return self._user(asked.user)

        return answer(self._out(await _done(act)))

    def _user(self, user: str) -> UserRow:
        found = next((each for each in self._desk.users() if each.id == user), None)
        if found is None:
            raise HTTPException(404, "There is no such user.")
        return found

    def _changeable(self, user: str) -> None:
        if self._user(user).role == Role.ADMINISTRATOR:
            raise HTTPException(409, NOT_BY_A_PROGRAM)

    def _secret(self, user: str, secret: str) -> Response:
        until_us = self._house.clock.now_us() + ONE_TIME_US
        return answer(SecretOut(user=user, secret=secret, until=iso(until_us)))

    def _out(self, user: UserRow) -> UserOut:
        return UserOut(
            id=user.id,
            name=user.name,
            role=Role(user.role),
            disabled=user.disabled_us is not None,
            outside=user.outside is not None,
            chosen=user.outside is None and user.one_time_until_us is None,
            made=iso(user.created_us),
            last_here=None if user.used_us is None else iso(user.used_us),
            password_chosen=None if user.password_set_us is None else iso(user.password_set_us),
            unused=unused(user, self._house.clock.now_us()),
        )


async def _done(act: Callable[[], Result]) -> Result:
    """Do it in a thread of the pool; what the rules of access refuse is a problem."""
    try:
        return await run_in_threadpool(act)
    except AccessError as error:
        raise HTTPException(422 if error.field else 409, str(error)) from None
