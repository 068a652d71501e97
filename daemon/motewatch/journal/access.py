"""Users, sessions and tokens of the console, in the journal's database: what holds now, not what happened.

Rules: nothing here can open anything by itself: passwords come hashed, sessions and tokens as SHA-256 of random
secrets. Users are never deleted. Each method is one transaction. Must not know rules of access.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from sqlalchemy import Update, delete, insert, select, update

from motewatch.journal import tables
from motewatch.journal.store import Store

_users, _sessions, _tokens = tables.console_users, tables.console_sessions, tables.console_tokens
_notices = tables.console_notices


@dataclass(frozen=True, slots=True)
class UserRow:
    """One user. `one_time_until_us`: the password is for one sign-in, until then.

    `used_us`: last sign-in or use. `outside`: whom an identity provider means by it; then there is no password.
    """

    id: str
    name: str
    role: str
    password: str
    one_time_until_us: int | None
    created_us: int
    disabled_us: int | None
    password_set_us: int | None = None
    used_us: int | None = None
    outside: str | None = None


@dataclass(frozen=True, slots=True)
class NoticeRow:
    """Something done to a user from the machine's own shell, which is to go on the audit trail."""

    id: int
    at_us: int
    by: str
    action: str
    subject: str
    detail: str


@dataclass(frozen=True, slots=True)
class SessionRow:
    """One sign-in that has not been ended."""

    hash: str
    user_id: str
    created_us: int
    seen_us: int


@dataclass(frozen=True, slots=True)
class TokenRow:
    """One token of the HTTP API, in use or ended."""

    id: str
    hash: str
    user_id: str
    scope: str
    label: str
    created_us: int
    until_us: int
    ended_us: int | None


class AccessStore:
    """See the module. From any thread."""

    def __init__(self, store: Store) -> None:
        self._store = store

    # Users

    def users(self) -> list[UserRow]:
        """All users, by id."""
        with self._store.reading() as connection:
            return [UserRow(*row) for row in connection.execute(select(_users).order_by(_users.c.id))]

    def user(self, user: str) -> UserRow | None:
        """The user of this id, or None."""
        with self._store.reading() as connection:
            row = connection.execute(select(_users).where(_users.c.id == user)).one_or_none()
        return None if row is None else UserRow(*row)

    def add_user(self, user: UserRow) -> bool:
        """False where there is a user of this id already."""
        with self._store.writing() as connection:
            if connection.execute(select(_users.c.id).where(_users.c.id == user.id)).one_or_none() is not None:
                return False
            connection.execute(
                insert(_users),
                {
                    "id": user.id,
                    "name": user.name,
                    "role": user.role,
                    "password": user.password,
                    "one_time_until_us": user.one_time_until_us,
                    "created_us": user.created_us,
                    "disabled_us": user.disabled_us,
                    "outside": user.outside,
                },
            )
        return True

    def set_password(self, user: str, password: str, one_time_until_us: int | None, now_us: int) -> None:
        """Another password (hashed); all sessions of the user end."""
        with self._store.writing() as connection:
            connection.execute(_other_password(user, password, one_time_until_us, now_us))
            connection.execute(delete(_sessions).where(_sessions.c.user_id == user))

    def rescue(self, user: str, password: str, one_time_until_us: int, notice: NoticeRow) -> None:
        """A one-time password for a user, who may sign in again; with what is to be told of it, in one transaction."""
        with self._store.writing() as connection:
            connection.execute(_other_password(user, password, one_time_until_us, notice.at_us))
            connection.execute(update(_users).where(_users.c.id == user).values(disabled_us=None))
            connection.execute(delete(_sessions).where(_sessions.c.user_id == user))
            said = {"action": notice.action, "subject": notice.subject, "detail": notice.detail}
            connection.execute(insert(_notices), {"at_us": notice.at_us, "who": notice.by, **said})

    def notices(self) -> list[NoticeRow]:
        """What the audit trail does not have yet, oldest first."""
        columns = [_notices.c[name] for name in ("id", "at_us", "who", "action", "subject", "detail")]
        query = select(*columns).where(_notices.c.taken_us.is_(None)).order_by(_notices.c.id)
        with self._store.reading() as connection:
            return [NoticeRow(*row) for row in connection.execute(query)]

    def noticed(self, notice: int, now_us: int) -> None:
        """It is on the audit trail."""
        with self._store.writing() as connection:
            connection.execute(update(_notices).where(_notices.c.id == notice).values(taken_us=now_us))

    def rehash(self, user: str, before: str, password: str) -> None:
        """The same password hashed anew, unless it was changed meanwhile."""
        with self._store.writing() as connection:
            connection.execute(
                update(_users).where(_users.c.id == user, _users.c.password == before).values(password=password)
            )

    def set_role(self, user: str, role: str) -> None:
        """Another role; all sessions of the user end."""
        with self._store.writing() as connection:
            connection.execute(update(_users).where(_users.c.id == user).values(role=role))
            connection.execute(delete(_sessions).where(_sessions.c.user_id == user))

    def set_disabled(self, user: str, disabled_us: int | None) -> None:
        """Disable or enable; all sessions of the user end."""
        with self._store.writing() as connection:
            connection.execute(update(_users).where(_users.c.id == user).values(disabled_us=disabled_us))
            connection.execute(delete(_sessions).where(_sessions.c.user_id == user))

    def set_name(self, user: str, name: str) -> None:
        """Another full name."""
        with self._store.writing() as connection:
            connection.execute(update(_users).where(_users.c.id == user).values(name=name))

    # Users of an identity provider

    def outside(self, outside: str) -> UserRow | None:
        """The user whom an identity provider means by this, or None."""
        with self._store.reading() as connection:
            row = connection.execute(select(_users).where(_users.c.outside == outside)).one_or_none()
        return None if row is None else UserRow(*row)

    def hand_over(self, user: str, outside: str, password: str) -> None:
        """Make a user of our own one of an identity provider; all sessions of the user end."""
        with self._store.writing() as connection:
            values = {"outside": outside, "password": password, "one_time_until_us": None, "password_set_us": None}
            connection.execute(update(_users).where(_users.c.id == user).values(**values))
            connection.execute(delete(_sessions).where(_sessions.c.user_id == user))

    def take_over(self, user: str, outside: str, name: str, role: str) -> None:
        """The user who was handed over has come."""
        with self._store.writing() as connection:
            values = {"outside": outside, "name": name, "role": role}
            connection.execute(update(_users).where(_users.c.id == user).values(**values))

    # Sessions

    def end_sessions(self, user: str, now_us: int) -> None:
        """All sessions and tokens of the user end."""
        with self._store.writing() as connection:
            connection.execute(delete(_sessions).where(_sessions.c.user_id == user))
            mine = (_tokens.c.user_id == user) & _tokens.c.ended_us.is_(None)
            connection.execute(update(_tokens).where(mine).values(ended_us=now_us))

    def add_session(self, session: SessionRow, replaces: str | None = None) -> None:
        """Begin a session; the one that it replaces ends."""
        with self._store.writing() as connection:
            if replaces is not None:
                connection.execute(delete(_sessions).where(_sessions.c.hash == replaces))
            connection.execute(
                insert(_sessions),
                {
                    "hash": session.hash,
                    "user_id": session.user_id,
                    "created_us": session.created_us,
                    "seen_us": session.seen_us,
                },
            )
            connection.execute(_used(session.user_id, session.seen_us))

    def session(self, hash_: str) -> tuple[SessionRow, UserRow] | None:
        """The session of this hash and its user, or None."""
        with self._store.reading() as connection:
            row = connection.execute(
                select(_sessions, _users)
                .join_from(_sessions, _users, _sessions.c.user_id == _users.c.id)
                .where(_sessions.c.hash == hash_)
            ).one_or_none()
        return None if row is None else (SessionRow(*row[:4]), UserRow(*row[4:]))

    def sessions(self, hashes: Iterable[str]) -> dict[str, tuple[SessionRow, UserRow]]:
        """Those of these hashes that there are, with their users: one question for many."""
        with self._store.reading() as connection:
            rows = connection.execute(
                select(_sessions, _users)
                .join_from(_sessions, _users, _sessions.c.user_id == _users.c.id)
                .where(_sessions.c.hash.in_(list(hashes)))
            ).all()
        return {row[0]: (SessionRow(*row[:4]), UserRow(*row[4:])) for row in rows}

    def seen(self, hash_: str, user: str, now_us: int) -> None:
        """The session was used."""
        with self._store.writing() as connection:
            connection.execute(update(_sessions).where(_sessions.c.hash == hash_).values(seen_us=now_us))
            connection.execute(_used(user, now_us))

    def used(self, user: str, now_us: int) -> None:
        """The user's program was here."""
        with self._store.writing() as connection:
            connection.execute(_used(user, now_us))

    def end_session(self, hash_: str) -> None:
        """The session is over."""
        with self._store.writing() as connection:
            connection.execute(delete(_sessions).where(_sessions.c.hash == hash_))

    def prune_sessions(self, created_before_us: int) -> None:
        """Forget sessions so old that no role could use them."""
        with self._store.writing() as connection:
            connection.execute(delete(_sessions).where(_sessions.c.created_us < created_before_us))

    # Tokens

    def add_token(self, token: TokenRow) -> None:
        """Another token."""
        with self._store.writing() as connection:
            connection.execute(
                insert(_tokens),
                {
                    "id": token.id,
                    "hash": token.hash,
                    "user_id": token.user_id,
                    "scope": token.scope,
                    "label": token.label,
                    "created_us": token.created_us,
                    "until_us": token.until_us,
                    "ended_us": token.ended_us,
                },
            )

    def tokens(self, user: str) -> list[TokenRow]:
        """The tokens of a user, newest first."""
        with self._store.reading() as connection:
            rows = connection.execute(
                select(_tokens).where(_tokens.c.user_id == user).order_by(_tokens.c.created_us.desc(), _tokens.c.id)
            ).all()
        return [TokenRow(*row) for row in rows]

    def token(self, hash_: str) -> tuple[TokenRow, UserRow] | None:
        """The token of this hash and its user, or None."""
        with self._store.reading() as connection:
            row = connection.execute(
                select(_tokens, _users)
                .join_from(_tokens, _users, _tokens.c.user_id == _users.c.id)
                .where(_tokens.c.hash == hash_)
            ).one_or_none()
        return None if row is None else (TokenRow(*row[:8]), UserRow(*row[8:]))

    def end_token(self, token: str, user: str, now_us: int) -> bool:
        """End a token of this user; False where there is none in use."""
        with self._store.writing() as connection:
            found = connection.execute(
                update(_tokens)
                .where(_tokens.c.id == token, _tokens.c.user_id == user, _tokens.c.ended_us.is_(None))
                .values(ended_us=now_us)
            )
            return found.rowcount == 1


def _other_password(user: str, password: str, one_time_until_us: int | None, now_us: int) -> Update:
    chosen_us = now_us if one_time_until_us is None else None
    values = {"password": password, "one_time_until_us": one_time_until_us, "password_set_us": chosen_us}
    return update(_users).where(_users.c.id == user).values(**values)


def _used(user: str, now_us: int) -> Update:
    return update(_users).where(_users.c.id == user).values(used_us=now_us)
