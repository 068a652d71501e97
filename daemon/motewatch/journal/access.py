"""Users, sessions and tokens of the console, in the journal's database: what holds now, not what happened.

Rules: nothing here can open anything by itself: passwords come hashed, sessions and tokens as SHA-256 of random
secrets. Users are never deleted. Each method is one transaction. Must not know rules of access.
"""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy import delete, insert, select, update

from motewatch.journal import tables
from motewatch.journal.store import Store

_users, _sessions, _tokens = tables.console_users, tables.console_sessions, tables.console_tokens


@dataclass(frozen=True, slots=True)
class UserRow:
    """One user. `one_time_until_us`: the password is for one sign-in, until then."""

    id: str
    name: str
    role: str
    password: str
    one_time_until_us: int | None
    created_us: int
    disabled_us: int | None


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
                },
            )
        return True

    def set_password(self, user: str, password: str, one_time_until_us: int | None) -> None:
        """Another password (hashed); all sessions of the user end."""
        with self._store.writing() as connection:
            connection.execute(
                update(_users).where(_users.c.id == user).values(password=password, one_time_until_us=one_time_until_us)
            )
            connection.execute(delete(_sessions).where(_sessions.c.user_id == user))

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

    # Sessions

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

    def session(self, hash_: str) -> tuple[SessionRow, UserRow] | None:
        """The session of this hash and its user, or None."""
        with self._store.reading() as connection:
            row = connection.execute(
                select(_sessions, _users)
                .join_from(_sessions, _users, _sessions.c.user_id == _users.c.id)
                .where(_sessions.c.hash == hash_)
            ).one_or_none()
        return None if row is None else (SessionRow(*row[:4]), UserRow(*row[4:]))

    def seen(self, hash_: str, now_us: int) -> None:
        """The session was used."""
        with self._store.writing() as connection:
            connection.execute(update(_sessions).where(_sessions.c.hash == hash_).values(seen_us=now_us))

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
