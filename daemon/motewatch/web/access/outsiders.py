"""Users who sign in by an outside identity provider: made at their first sign-in, with the role of their groups.

Rules: a user is known by issuer and subject, never by a name: names are given again (OpenID Connect Core 1.0, 2, 5.7).
The id here is made of a claim, once, and is never one that there is already, unless an administrator has handed that
user over. Each sign-in brings role and name up to date. Who is in no group with a role is refused; a user disabled here
stays so. All of it is on the audit trail. Must not know how the provider is spoken to.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping
from typing import Any, Final

from motewatch.journal.access import AccessStore, UserRow
from motewatch.links.clock import TimeSource
from motewatch.site.oidc import Oidc
from motewatch.web.access.desk import NO_PASSWORD, USER_PATTERN, AccessDesk, AccessError, Audit, awaited
from motewatch.web.access.roles import Role

BY: Final = "by the identity provider"
NAME_MAX: Final = 100

Claims = Mapping[str, Any]


class Outsiders:
    """See the module. From any thread."""

    def __init__(self, desk: AccessDesk, store: AccessStore, settings: Oidc, clock: TimeSource, audit: Audit) -> None:
        self._desk = desk
        self._store = store
        self._settings = settings
        self._clock = clock
        self._audit = audit

    def sign_in(self, claims: Claims, address: str, before: str) -> str:
        """The secret of a new session of whom these claims are about; `before`: hash of the session it replaces.
        Raises `AccessError`."""
        row = self.current(claims, address)
        secret = self._desk.begin_session(row.id, before or None)
        self._audit(row.id, "sign-in", row.id, f"as {row.role}; {BY}; from {address}")
        return secret

    def current(self, claims: Claims, address: str) -> UserRow:
        """The user whom these claims are about, made or brought up to date. Raises `AccessError`."""
        who = outside_of(claims)
        row, role = self._store.outside(who), self._role(claims)
        if row is not None and row.disabled_us is not None:
            raise self._refused(row.id, "the user is disabled", address, "This user is disabled in motewatch.")
        if role is None:
            if row is not None:
                self._store.end_sessions(row.id, self._clock.now_us())
            told = len(groups_of(claims, self._settings.groups_claim))
            raise self._refused(
                "?" if row is None else row.id,
                "no group with a role",
                address,
                f"None of your groups has a role here (the identity provider told {told}). Ask whoever looks after "
                "the groups.",
            )
        if row is None:
            return self._made(claims, who, role, address)
        name = self._name(claims, row.id)
        if row.role != role:
            self._store.set_role(row.id, role)
            self._audit("console", "user-role", row.id, f"{row.role} to {role}; {BY}")
        if row.name != name:
            self._store.set_name(row.id, name)
            self._audit("console", "user-name", row.id, f"{row.name} to {name}; {BY}")
        return self._store.outside(who) or row

    def _made(self, claims: Claims, who: str, role: Role, address: str) -> UserRow:
        id_ = user_id(claims.get(self._settings.user_claim))
        if not id_:
            raise self._refused(
                "?",
                f"no user id in the claim {self._settings.user_claim}",
                address,
                "The identity provider tells no name of yours that could be a user's id "
                f"(its claim {self._settings.user_claim}).",
            )
        name, now_us = self._name(claims, id_), self._clock.now_us()
        there = self._store.user(id_)
        if there is not None and there.outside == awaited(self._settings.issuer, id_):
            if there.disabled_us is not None:
                raise self._refused(id_, "the user is disabled", address, "This user is disabled in motewatch.")
            self._store.take_over(id_, who, name, role)
            self._audit("console", "user-outside", id_, f"{name}; {there.role} to {role}; {BY}")
        elif self._store.add_user(UserRow(id_, name, role, NO_PASSWORD, None, now_us, None, outside=who)):
            self._audit("console", "user-made", id_, f"{name}; {role}; {BY}")
        row = self._store.outside(who)
        if row is None:
            raise self._refused(
                id_,
                "the id belongs to another user",
                address,
                f"There is a user {id_} here already, who is not yours. An administrator can hand that user over to "
                "the identity provider, if it is you.",
            )
        return row

    def _role(self, claims: Claims) -> Role | None:
        groups = groups_of(claims, self._settings.groups_claim)
        return next((Role(each.role) for each in self._settings.roles if each.group in groups), None)

    @staticmethod
    def _name(claims: Claims, otherwise: str) -> str:
        said = claims.get("name")
        name = " ".join("".join(c if c.isprintable() else " " for c in said).split()) if isinstance(said, str) else ""
        return name[:NAME_MAX].strip() or otherwise

    def _refused(self, user: str, why: str, address: str, text: str) -> AccessError:
        self._desk.failed("sign-in-failed", user, address, f"{why}; {BY}")
        return AccessError(text)


def outside_of(claims: Claims) -> str:
    """Whom the claims are about, as kept: an issuer holds no space."""
    return f"{claims['iss']} {claims['sub']}"


def groups_of(claims: Claims, name: str) -> frozenset[str]:
    """The groups in a claim: a list of texts, or one. A name with dots may lead into objects."""
    found: Any = claims.get(name)
    if found is None:
        found = claims
        for part in name.split("."):
            found = found.get(part) if isinstance(found, Mapping) else None
    listed = [found] if isinstance(found, str) else found
    return frozenset(each for each in listed if isinstance(each, str)) if isinstance(listed, list) else frozenset()


def user_id(said: object) -> str:
    """A user's id made of a name: small letters and digits, the rest becomes `-`; empty where nothing is left."""
    if not isinstance(said, str) or len(said) > 200:
        return ""
    plain = "".join(c for c in unicodedata.normalize("NFKD", said) if not unicodedata.combining(c))
    made = re.sub(r"[^a-z0-9_]+", "-", plain.casefold()).strip("-_")
    return made if USER_PATTERN.fullmatch(made) else ""
