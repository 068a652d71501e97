"""Signing in and out, sessions, users and tokens: the rules, over `journal.access`.

Rules: whoever fails is told one and the same thing. A sign-in always makes a new session; a change of password, role or
state ends the user's others. Secrets are random, shown once and kept as hashes. Everything that happens is handed to
`audit`. There is always an administrator who can sign in: without one that has chosen a password, a start makes a
one-time secret. Must not know HTTP.
"""

from __future__ import annotations

import hashlib
import re
import secrets
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Final

from motewatch.engine.records import SignInsFailed
from motewatch.journal.access import AccessStore, SessionRow, TokenRow, UserRow
from motewatch.links.clock import TimeSource
from motewatch.site.console import Console
from motewatch.site.oidc import OwnSignIn
from motewatch.web.access.misuse import Misuse
from motewatch.web.access.passwords import Hashes, fault
from motewatch.web.access.roles import RIGHTS, SCOPES, May, Role
from motewatch.web.access.waits import Waits
from motewatch.web.bodies import one_line
from motewatch.web.guesses import Pace
from motewatch.wire.records import DAY_US, HOUR_US, MINUTE_US, SECOND_US

FIRST: Final = "administrator"
"""The user that the first start makes."""

ONE_TIME_US: Final = 7 * DAY_US
TOKEN_DAYS: Final = (30, 90, 365)
MANAGING_DAYS: Final = 30
"""Whoever finds a token that makes users can come in: not for long."""
SEEN_EVERY_US: Final = 30 * SECOND_US
"""A session's last use is written so seldom: a page that is looked at must not keep the disk busy."""

REASON_MIN: Final = 3
REASON_MAX: Final = 300

WRONG: Final = "User and password do not fit together."
UNUSED_DAYS: Final = 90
"""A user not seen for so long is pointed out (common practice, no source)."""

TOKEN_SEEN_EVERY_US: Final = HOUR_US

NO_PASSWORD: Final = "-"
"""Kept of a user who signs in by an identity provider: no hash, so nothing fits it."""

USER_PATTERN: Final = re.compile(r"[a-z0-9][a-z0-9_-]{0,62}")

Audit = Callable[[str, str, str, str], None]
"""(by, action, subject, detail) for the audit trail."""


class AccessError(Exception):
    """Refused; the text says why, for the user. `wait_s`: not before so long. `field`: which one of what was given is
    wrong; empty: none alone."""

    def __init__(self, text: str, wait_s: float = 0.0, *, field: str = "") -> None:
        super().__init__(text)
        self.wait_s = wait_s
        self.field = field


@dataclass(frozen=True, slots=True)
class Visitor:
    """Who is asking: a signed-in user, or a program with a token."""

    id: str
    name: str
    role: Role
    rights: frozenset[May]
    session: str | None
    """Hash of the session; None: a token."""
    csrf: str
    must_change: bool
    outside: bool = False
    """Signs in by an identity provider, and has no password here."""

    def may(self, what: May) -> bool:
        """Is it allowed?"""
        return what in self.rights


class AccessDesk:
    """See the module. From any thread."""

    def __init__(
        self,
        store: AccessStore,
        settings: Console,
        site_name: str,
        clock: TimeSource,
        audit: Audit,
        hashes: Hashes | None = None,
        *,
        tell: Callable[[SignInsFailed], None] = lambda _: None,
    ) -> None:
        """`tell`: is given what looks like misuse."""
        self._store = store
        self._settings = settings
        self._site_name = site_name
        self._clock = clock
        self._audit = audit
        self._hashes = Hashes() if hashes is None else hashes
        self._waits = Waits()
        # Failures on the audit trail; who tries thousands must not fill the record.
        self._pace = Pace(30, 60.0)
        self._misuse = Misuse(settings.failures_alarm, settings.failures_within_min * 60.0)
        self._tell = tell

    @property
    def password_min(self) -> int:
        """The characters that a password has at least."""
        return self._settings.password_min

    # Signing in and out

    def sign_in(self, user: str, password: str, address: str, before: str | None = None) -> str:
        """The secret of a new session. `before`: that of the session it replaces. Raises `AccessError`."""
        now_us = self._clock.now_us()
        user = user.strip().casefold()
        row = self._store.user(user) if USER_PATTERN.fullmatch(user) else None
        known = row.id if row is not None else "?"
        self._wait(known, address)
        fits = self._hashes.fits(None if row is None or row.outside else row.password, password[:1024])
        why = "wrong password" if row is not None else "no such user"
        if fits and row is not None:
            if row.disabled_us is not None:
                fits, why = False, "the user is disabled"
            elif row.one_time_until_us is not None and now_us >= row.one_time_until_us:
                fits, why = False, "the one-time secret has expired"
        if not fits or row is None:
            # What was typed as an unknown user's name is not put on record: it may be a password.
            self.failed("sign-in-failed", known, address, why)
            raise AccessError(WRONG)
        self._waits.succeeded(known, address)
        if not self.own_password(row.role):
            self.failed("sign-in-failed", known, address, "only administrators have a password here")
            raise AccessError(f"Only administrators sign in with a password here. Use {self.outside_label}.")
        if self._hashes.outdated(row.password):
            self._store.rehash(row.id, row.password, self._hashes.make(password))
        secret = self.begin_session(row.id, None if before is None else digest(before))
        self._audit(row.id, "sign-in", row.id, f"as {row.role}; from {address}")
        return secret

    def sign_out(self, visitor: Visitor) -> None:
        """End the session."""
        if visitor.session is not None:
            self._store.end_session(visitor.session)
            self._audit(visitor.id, "sign-out", visitor.id, "")

    def visitor(self, secret: str, *, used: bool = True) -> Visitor | None:
        """Whose session this is, or None. `used`: asked for by the user; a page that refreshes itself is no use.

        A viewer can change nothing, so a display may stay: for that role only the absolute end counts.
        """
        if not _looks_right(secret):
            return None
        found = self._store.session(digest(secret))
        return None if found is None else self._visitor(secret, *found, used=used)

    def visitor_of(self, session: str) -> Visitor | None:
        """The same, by the session's hash: for who comes back from elsewhere, where the cookie is not sent along."""
        found = self._store.session(session)
        return None if found is None else self._visitor("", *found, used=True)

    def visitors(self, secrets_: Iterable[str]) -> dict[str, Visitor | None]:
        """The same of many, with one question to the record; to be asked about is no use of a session."""
        hashes = {secret: digest(secret) for secret in secrets_ if _looks_right(secret)}
        found = self._store.sessions(hashes.values())
        return {
            secret: self._visitor(secret, *found[hash_], used=False) if hash_ in found else None
            for secret, hash_ in hashes.items()
        }

    def _visitor(self, secret: str, session: SessionRow, user: UserRow, *, used: bool) -> Visitor | None:
        hash_ = session.hash
        now_us = self._clock.now_us()
        role = Role(user.role)
        if user.disabled_us is not None or now_us >= session.created_us + self.absolute_us(role):
            self._store.end_session(hash_)
            return None
        if role is not Role.VIEWER and now_us - session.seen_us >= self._settings.idle_min * MINUTE_US:
            self._store.end_session(hash_)
            self._audit("console", "session-ended", user.id, f"not used for {self._settings.idle_min:g} min")
            return None
        if used and now_us - session.seen_us >= SEEN_EVERY_US:
            self._store.seen(hash_, user.id, now_us)
        must_change = user.one_time_until_us is not None
        rights = frozenset[May]() if must_change else RIGHTS[role]
        csrf, outside = digest(f"csrf {secret}") if secret else "", user.outside is not None
        return Visitor(user.id, user.name, role, rights, hash_, csrf, must_change, outside)

    def absolute_us(self, role: Role) -> int:
        """How long a sign-in lasts at most."""
        hours = self._settings.viewer_session_h if role is Role.VIEWER else self._settings.session_h
        return round(hours * HOUR_US)

    def change_password(self, visitor: Visitor, old: str, new: str, again: str, address: str) -> str:
        """The user's own; returns the secret of the session that goes on. Raises `AccessError`."""
        self._wait(visitor.id, address)
        row = self._store.user(visitor.id)
        if row is not None and row.outside is not None:
            raise AccessError(f"You have no password here: you sign in with {self.outside_label}.")
        if row is None or not self._hashes.fits(row.password, old[:1024]):
            self.failed("password-change-failed", visitor.id, address, "wrong present password")
            raise AccessError("The present password is not right.", field="old")
        self._waits.succeeded(visitor.id, address)
        if new != again:
            raise AccessError("The two new passwords are not the same.", field="again")
        wrong = fault(new, self._settings.password_min, (row.id, row.name, self._site_name))
        if wrong or new == old:
            raise AccessError(f"This password is not taken: {wrong or 'it is the old one'}.", field="new")
        self._store.set_password(row.id, self._hashes.make(new), None, self._clock.now_us())
        self._audit(row.id, "password-changed", row.id, "")
        return self.begin_session(row.id, None)

    def confirm(self, visitor: Visitor, user: str, password: str, address: str) -> None:
        """The visitor says once more who they are, before a signature. Raises `AccessError`."""
        self._wait(visitor.id, address)
        row = self._store.user(visitor.id)
        same = user.strip().casefold() == visitor.id and row is not None and row.disabled_us is None
        same = same and row is not None and row.outside is None
        fits = self._hashes.fits(row.password if row is not None and same else None, password[:1024])
        if not fits:
            self.failed("signature-failed", visitor.id, address, "wrong user or password")
            raise AccessError(f"{WRONG} Nothing was signed.", field="password")
        self._waits.succeeded(visitor.id, address)

    def failed(self, action: str, user: str, address: str, why: str) -> None:
        """Somebody was not who they had to be: for the audit trail, and for the alarm where that happens often."""
        now_s, now_us = self._clock.monotonic_s(), self._clock.now_us()
        if self._pace.wait_s("failures", now_s) == 0:
            self._audit("console", action, user, f"{why}; from {address}")
        self._suspect(user, address, now_s, now_us)

    def _suspect(self, user: str, address: str, now_s: float, now_us: int) -> None:
        found = self._misuse.failed(user, address, now_s, now_us)
        if found is not None:
            self._tell(found)

    def _wait(self, user: str, address: str) -> None:
        """Count an attempt; raises `AccessError` where it comes too early after failures."""
        now_s = self._clock.monotonic_s()
        wait_s = self._waits.attempt(user, address, now_s)
        if wait_s > 0:
            self._suspect(user, address, now_s, self._clock.now_us())
            raise AccessError(f"Too many wrong attempts from here. Try again in {int(wait_s) + 1} s.", wait_s)

    def begin_session(self, user: str, before: str | None) -> str:
        """The secret of a new session of a user who has shown who they are; `before`: hash of the one it replaces."""
        secret = secrets.token_urlsafe(32)
        now_us = self._clock.now_us()
        self._store.add_session(SessionRow(digest(secret), user, now_us, now_us), before)
        return secret

    # Users

    def first_administrator(self) -> str | None:
        """A one-time secret, where no administrator could sign in with a password of their own; else None."""
        # With a password: an identity provider may be away, or taken out of the site file.
        administrators = [
            user for user in self._store.users() if user.role == Role.ADMINISTRATOR and user.outside is None
        ]
        if any(user.disabled_us is None and user.one_time_until_us is None for user in administrators):
            return None
        secret, now_us = one_time_secret(), self._clock.now_us()
        until_us, hashed = now_us + ONE_TIME_US, self._hashes.make(secret)
        if not self._store.add_user(
            UserRow(FIRST, "Administrator", Role.ADMINISTRATOR, hashed, until_us, now_us, None)
        ):
            self._store.set_password(FIRST, hashed, until_us, now_us)
            self._store.set_role(FIRST, Role.ADMINISTRATOR)
            self._store.set_disabled(FIRST, None)
        self._audit("service", "administrator-made", FIRST, "with a one-time secret")
        return secret

    def users(self) -> list[UserRow]:
        """All users, by id."""
        return self._store.users()

    def add_user(self, by: Visitor, user: str, name: str, role: str, reason: str) -> str:
        """Make a user; returns the one-time secret. Raises `AccessError`."""
        reason = _why(by, reason)
        if not USER_PATTERN.fullmatch(user):
            said = "A user's id has small letters, digits, - and _, 63 at most, such as: mira."
            raise AccessError(said, field="user")
        name = " ".join(name.split())
        if not 1 <= len(name) <= 100 or not name.isprintable():
            raise AccessError("Give the person's full name, in 100 characters at most.", field="name")
        chosen, secret, now_us = _role(role), one_time_secret(), self._clock.now_us()
        self._to_have_password(chosen)
        made = UserRow(user, name, chosen, self._hashes.make(secret), now_us + ONE_TIME_US, now_us, None)
        if not self._store.add_user(made):
            raise AccessError(f"There is a user {user} already; ids are never used again.", field="user")
        self._audit(by.id, "user-made", user, f"{name}; {chosen}; {reason}")
        return secret

    def new_secret(self, by: Visitor, user: str, reason: str) -> str:
        """A one-time secret in place of a forgotten password. Raises `AccessError`."""
        self._to_have_password(self._with_password(self._other(by, user)).role)
        reason, secret, now_us = _why(by, reason), one_time_secret(), self._clock.now_us()
        self._store.set_password(user, self._hashes.make(secret), now_us + ONE_TIME_US, now_us)
        self._audit(by.id, "user-secret", user, f"one-time secret made; {reason}")
        return secret

    def set_role(self, by: Visitor, user: str, role: str, reason: str) -> None:
        """Another role. Raises `AccessError`."""
        row, chosen, reason = self._with_password(self._other(by, user)), _role(role), _why(by, reason)
        self._store.set_role(user, chosen)
        self._audit(by.id, "user-role", user, f"{row.role} to {chosen}; {reason}")

    def set_enabled(self, by: Visitor, user: str, reason: str, *, enabled: bool) -> None:
        """Let sign in, or no longer. Raises `AccessError`."""
        self._other(by, user)
        reason = _why(by, reason)
        self._store.set_disabled(user, None if enabled else self._clock.now_us())
        self._audit(by.id, "user-enabled" if enabled else "user-disabled", user, reason)

    def hand_over(self, by: Visitor, user: str, reason: str) -> None:
        """From now on this user signs in by the identity provider, with the same id. Raises `AccessError`."""
        self._with_password(self._other(by, user))
        reason = _why(by, reason)
        if self._settings.oidc is None:
            raise AccessError("There is no identity provider in the site file.")
        if user == FIRST:
            # Whom a start gives a way in when nobody else has one.
            raise AccessError("This administrator keeps a password: the identity provider may be away.")
        self._store.hand_over(user, awaited(self._settings.oidc.issuer, user), NO_PASSWORD)
        self._audit(by.id, "user-outside", user, f"handed over to the identity provider; {reason}")

    def own_password(self, role: str) -> bool:
        """May users of this role sign in with a password of this console?"""
        oidc = self._settings.oidc
        return oidc is None or oidc.own_sign_in is OwnSignIn.EVERYONE or role == Role.ADMINISTRATOR

    @property
    def outside_label(self) -> str:
        """What the identity provider is called."""
        oidc = self._settings.oidc
        return "an identity provider that is no longer in the site file" if oidc is None else oidc.label

    def _to_have_password(self, role: str) -> None:
        if not self.own_password(role):
            raise AccessError(f"Only administrators have a password here; others come with {self.outside_label}.")

    def _with_password(self, row: UserRow) -> UserRow:
        if row.outside is not None:
            raise AccessError(f"This user comes with {self.outside_label}: role and sign-in are decided there.")
        return row

    def _other(self, by: Visitor, user: str) -> UserRow:
        row = self._store.user(user)
        if row is None:
            raise AccessError("There is no such user.")
        # So there is always one administrator left: the one who is doing it.
        if user == by.id:
            raise AccessError("That is yourself: another administrator has to do it.")
        return row

    # Tokens

    def tokens(self, visitor: Visitor) -> list[TokenRow]:
        """The user's own, newest first."""
        return self._store.tokens(visitor.id)

    def add_token(self, visitor: Visitor, label: str, scope: str, days: str) -> str:
        """The secret of a new token, shown once. Raises `AccessError`."""
        label = " ".join(label.split())
        if not 1 <= len(label) <= 100 or not label.isprintable():
            raise AccessError("Say what the token is for, in 100 characters at most.", field="label")
        if scope not in SCOPES or not SCOPES[scope] <= visitor.rights:
            raise AccessError("This scope is more than you may do yourself.", field="scope")
        if days not in {str(each) for each in TOKEN_DAYS}:
            raise AccessError("Choose how long it is valid.", field="days")
        if May.MANAGE in SCOPES[scope] and int(days) > MANAGING_DAYS:
            raise AccessError(f"A token that manages users is valid for {MANAGING_DAYS} days at most.", field="days")
        secret, id_, now_us = f"mw_{secrets.token_urlsafe(32)}", secrets.token_hex(6), self._clock.now_us()
        until_us = now_us + int(days) * DAY_US
        self._store.add_token(TokenRow(id_, digest(secret), visitor.id, scope, label, now_us, until_us, None))
        self._audit(visitor.id, "token-made", id_, f"{label}; scope {scope}; {days} days")
        return secret

    def end_token(self, visitor: Visitor, token: str) -> None:
        """End one of the user's own. Raises `AccessError`."""
        if not self._store.end_token(token, visitor.id, self._clock.now_us()):
            raise AccessError("There is no such token in use.")
        self._audit(visitor.id, "token-ended", token, "")

    def bearer(self, secret: str) -> Visitor | None:
        """Whose token this is, with no more rights than its scope and its user have; or None."""
        found = self._store.token(digest(secret)) if 20 <= len(secret) <= 100 else None
        if found is None:
            return None
        token, user = found
        now_us = self._clock.now_us()
        if token.ended_us is not None or now_us >= token.until_us:
            return None
        if user.disabled_us is not None or user.one_time_until_us is not None:
            return None
        if user.used_us is None or now_us - user.used_us >= TOKEN_SEEN_EVERY_US:
            self._store.used(user.id, now_us)
        role = Role(user.role)
        rights = RIGHTS[role] & SCOPES.get(token.scope, frozenset())
        return Visitor(user.id, user.name, role, rights, None, "", False, user.outside is not None)

    def prune(self) -> None:
        """Forget sessions that nobody could use any more."""
        longest_us = max(self.absolute_us(role) for role in Role)
        self._store.prune_sessions(self._clock.now_us() - longest_us)


def unused(user: UserRow, now_us: int, days: int = UNUSED_DAYS) -> bool:
    """May this user sign in, but has not been here for so long?"""
    return user.disabled_us is None and now_us - (user.used_us or user.created_us) >= days * DAY_US


def _looks_right(secret: str) -> bool:
    return 20 <= len(secret) <= 100


def awaited(issuer: str, user: str) -> str:
    """What is kept of a user who was handed over and has not come yet. No subject holds a line break."""
    return f"{issuer}\n{user}"


def digest(secret: str) -> str:
    """What is kept of a random secret. It has 256 bits, so a fast hash is enough."""
    return hashlib.sha256(secret.encode()).hexdigest()


def one_time_secret() -> str:
    """100 bits to be typed from a screen: no letters that look alike."""
    signs = "abcdefghjkmnpqrstuvwxyz23456789"
    return "-".join("".join(secrets.choice(signs) for _ in range(5)) for _ in range(4))


def reason_of(text: str) -> str:
    """Why access is changed, in one line."""
    text = one_line(text)
    if not REASON_MIN <= len(text) <= REASON_MAX:
        text = f"Say why, in {REASON_MIN} to {REASON_MAX} characters: it goes on the audit trail."
        raise AccessError(text, field="reason")
    return text


def _why(by: Visitor, reason: str) -> str:
    """The same, with the word that it was a program where it was."""
    text = reason_of(reason)
    return text if by.session is not None else f"{text}; by a program"


def _role(word: str) -> Role:
    try:
        return Role(word)
    except ValueError:
        raise AccessError("There is no such role.", field="role") from None
