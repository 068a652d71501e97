"""Signing in at the console: waits, sessions, users, tokens, passwords."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from argon2 import PasswordHasher

from motewatch.journal.access import AccessStore
from motewatch.journal.journal import Journal
from motewatch.site.console import Console
from motewatch.web.access.desk import FIRST, AccessDesk, AccessError, Visitor
from motewatch.web.access.passwords import Hashes, fault
from motewatch.web.access.roles import May, Role
from motewatch.web.access.waits import Waits
from support.links_fakes import FakeClock

OWN = "three quiet herons wade"
WHY = "the shift asked for it"
QUICK = Hashes(PasswordHasher(time_cost=1, memory_cost=8, parallelism=1))
HERE, THERE = "192.0.2.1", "198.51.100.7"
MINUTE_S, HOUR_S, DAY_S = 60, 3_600, 86_400


@dataclass
class Ground:
    store: AccessStore
    clock: FakeClock
    audited: list[tuple[str, str, str, str]] = field(default_factory=list)

    def __post_init__(self) -> None:
        settings = Console(public_url="http://127.0.0.1")
        self.desk = AccessDesk(self.store, settings, "North works", self.clock, self.audit, QUICK)
        secret = self.desk.first_administrator()
        assert secret is not None
        self.secret = secret

    def audit(self, by: str, action: str, subject: str, detail: str) -> None:
        self.audited.append((by, action, subject, detail))

    def who(self, session: str, *, used: bool = True) -> Visitor:
        found = self.desk.visitor(session, used=used)
        assert found is not None
        return found

    def chosen(self, user: str, secret: str) -> str:
        """The session of a user who has just chosen a password."""
        visitor = self.who(self.desk.sign_in(user, secret, HERE))
        return self.desk.change_password(visitor, secret, OWN, OWN, HERE)

    def made(self, role: Role, user: str = "mira") -> str:
        return self.chosen(user, self.desk.add_user(self.administrator, user, "Mira", role, WHY))

    @property
    def administrator(self) -> Visitor:
        if self.secret:
            self.session, self.secret = self.chosen(FIRST, self.secret), ""
        return self.who(self.session)


@pytest.fixture
def ground(tmp_path: Path) -> Iterator[Ground]:
    with Journal(tmp_path / "journal.db") as journal:
        yield Ground(AccessStore(journal.store), FakeClock())


def test_a_one_time_secret_lets_choose_a_password_and_nothing_else(ground: Ground) -> None:
    visitor = ground.who(ground.desk.sign_in(FIRST, ground.secret, HERE))
    assert visitor.must_change
    assert not any(visitor.may(what) for what in May)
    session = ground.desk.change_password(visitor, ground.secret, OWN, OWN, HERE)
    assert ground.who(session).may(May.MANAGE)
    assert not ground.who(session).may(May.ACKNOWLEDGE)
    with pytest.raises(AccessError):
        ground.desk.sign_in(FIRST, ground.secret, HERE)
    # Only until there is an administrator with a password of their own.
    assert ground.desk.first_administrator() is None


def test_a_one_time_secret_expires_and_the_next_start_makes_another(ground: Ground) -> None:
    ground.clock.go(7 * DAY_S)
    with pytest.raises(AccessError, match="do not fit"):
        ground.desk.sign_in(FIRST, ground.secret, HERE)
    assert ground.audited[-1][3] == f"the one-time secret has expired; from {HERE}"
    again = ground.desk.first_administrator()
    assert again is not None
    assert ground.desk.sign_in(FIRST, again, HERE)


def test_whoever_fails_is_told_the_same_whatever_was_wrong(ground: Ground) -> None:
    ground.made(Role.VIEWER)
    ground.desk.set_enabled(ground.administrator, "mira", WHY, enabled=False)
    told = set()
    for user, password in ((FIRST, "wrong"), ("mira", OWN), ("nobody", OWN), ("../x\0", OWN)):
        with pytest.raises(AccessError) as caught:
            ground.desk.sign_in(user, password, HERE)
        told.add(str(caught.value))
        ground.clock.go(20)
    assert len(told) == 1
    failed = [row[2:] for row in ground.audited if row[1] == "sign-in-failed"]
    # A name that no user has may be a password: it is not put on record.
    assert failed == [
        (FIRST, f"wrong password; from {HERE}"),
        ("mira", f"the user is disabled; from {HERE}"),
        ("?", f"no such user; from {HERE}"),
        ("?", f"no such user; from {HERE}"),
    ]


def test_waits_grow_where_somebody_guesses_and_not_elsewhere(ground: Ground) -> None:
    ground.made(Role.VIEWER)
    waits = []
    for _ in range(9):
        try:
            ground.desk.sign_in("mira", "wrong", HERE)
        except AccessError as error:
            if error.wait_s:
                waits.append(error.wait_s)
                ground.clock.go(error.wait_s)
    assert waits == [2.0, 4.0, 8.0]
    with pytest.raises(AccessError):
        ground.desk.sign_in("mira", "wrong", HERE)
    with pytest.raises(AccessError, match="Try again in 17 s"):
        ground.desk.sign_in("mira", OWN, HERE)
    # Neither the same person elsewhere nor others here are held up.
    assert ground.desk.sign_in("mira", OWN, THERE)
    ground.clock.go(17)
    assert ground.desk.sign_in("mira", OWN, HERE)


def test_nobody_is_locked_out_from_elsewhere() -> None:
    waits = Waits()
    for number in range(5_000):
        waits.attempt("mira", f"2001:db8:{number:x}::1", number * 10.0)
    # From an address that has tried nothing: seconds at most, however many have been tried by others.
    assert waits.attempt("mira", HERE, 49_990.0) <= 5.0
    assert waits.attempt("mira", HERE, 49_996.0) == 0.0
    assert len(waits._tries) <= 4_096


def test_tries_at_the_same_moment_are_counted_one_by_one() -> None:
    waits = Waits()
    assert [waits.attempt("mira", HERE, 0.0) > 0 for _ in range(6)] == [False, False, False, True, True, True]


def test_a_session_ends_when_it_is_not_used_and_in_any_case(ground: Ground) -> None:
    session = ground.made(Role.OPERATOR)
    for _ in range(4):
        ground.clock.go(25 * MINUTE_S)
        ground.who(session)
    # A page that refreshes itself is no use.
    ground.clock.go(29 * MINUTE_S)
    ground.who(session, used=False)
    ground.clock.go(MINUTE_S)
    assert ground.desk.visitor(session) is None
    assert ground.audited[-1] == ("console", "session-ended", "mira", "not used for 30 min")
    session = ground.desk.sign_in("mira", OWN, HERE)
    for _ in range(11 * 3):
        ground.clock.go(20 * MINUTE_S)
        ground.who(session)
    ground.clock.go(15 * MINUTE_S)
    ground.who(session)
    ground.clock.go(28 * MINUTE_S)
    ground.who(session)
    ground.clock.go(17 * MINUTE_S)
    assert ground.desk.visitor(session) is None


def test_a_viewer_stays_signed_in_for_a_display(ground: Ground) -> None:
    session = ground.made(Role.VIEWER)
    ground.clock.go(29 * DAY_S)
    assert ground.who(session, used=False).role is Role.VIEWER
    ground.clock.go(DAY_S)
    assert ground.desk.visitor(session, used=False) is None


def test_many_sessions_are_looked_at_with_one_question_by_the_same_rules(ground: Ground) -> None:
    _ = ground.administrator
    operator, viewer = ground.made(Role.OPERATOR), ground.made(Role.VIEWER, "screen")
    unknown, short = "x" * 43, "x"
    asked = [operator, viewer, unknown, short]
    found = ground.desk.visitors(asked)
    assert found == {operator: ground.who(operator, used=False), viewer: ground.who(viewer, used=False), unknown: None}
    ground.clock.go(31 * MINUTE_S)
    found = ground.desk.visitors(asked)
    # Only a display may stay without use.
    assert found == {operator: None, viewer: ground.who(viewer, used=False), unknown: None}
    assert ground.audited[-1][1:3] == ("session-ended", "mira")
    assert ground.desk.visitors([]) == {}


def test_a_sign_in_makes_a_new_session_and_ends_the_one_before(ground: Ground) -> None:
    first = ground.made(Role.OPERATOR)
    second = ground.desk.sign_in("mira", OWN, HERE, before=first)
    assert second != first
    assert ground.desk.visitor(first) is None
    ground.desk.sign_out(ground.who(second))
    assert ground.desk.visitor(second) is None
    assert ground.desk.visitor("") is None
    assert ground.desk.visitor("x" * 10_000) is None


def test_another_role_password_or_state_ends_the_sessions_there_are(ground: Ground) -> None:
    session, admin = ground.made(Role.OPERATOR), ground.administrator
    ground.desk.set_role(admin, "mira", "quality", WHY)
    assert ground.desk.visitor(session) is None
    session, other = (ground.desk.sign_in("mira", OWN, HERE) for _ in range(2))
    again = ground.desk.change_password(ground.who(session), OWN, OWN + "s", OWN + "s", HERE)
    assert ground.desk.visitor(other) is None
    assert ground.desk.visitor(session) is None
    ground.desk.set_enabled(admin, "mira", WHY, enabled=False)
    assert ground.desk.visitor(again) is None
    ground.desk.set_enabled(admin, "mira", WHY, enabled=True)
    session = ground.desk.sign_in("mira", OWN + "s", HERE)
    secret = ground.desk.new_secret(admin, "mira", WHY)
    assert ground.desk.visitor(session) is None
    assert ground.who(ground.desk.sign_in("mira", secret, HERE)).must_change
    actions = [row[:3] for row in ground.audited if row[0] == FIRST][-4:]
    assert actions == [(FIRST, word, "mira") for word in ("user-role", "user-disabled", "user-enabled", "user-secret")]


def test_administrators_leave_themselves_alone_so_that_one_is_left(ground: Ground) -> None:
    admin = ground.administrator
    for act in (
        lambda: ground.desk.set_role(admin, FIRST, "viewer", WHY),
        lambda: ground.desk.set_enabled(admin, FIRST, WHY, enabled=False),
        lambda: ground.desk.new_secret(admin, FIRST, WHY),
    ):
        with pytest.raises(AccessError, match="yourself"):
            act()
    ground.made(Role.VIEWER)
    with pytest.raises(AccessError, match="never used again"):
        ground.desk.add_user(admin, "mira", "Another", "viewer", WHY)
    for user, name, role in (("Mira X", "Mira", "viewer"), ("mo", " ", "viewer"), ("mo", "Mo", "king")):
        with pytest.raises(AccessError):
            ground.desk.add_user(admin, user, name, role, WHY)


def test_a_token_can_do_no_more_than_its_scope_and_its_user(ground: Ground) -> None:
    session, admin = ground.made(Role.OPERATOR), ground.administrator
    mira = ground.who(session)
    reading = ground.desk.add_token(mira, "dashboard", "read", "30")
    acting = ground.desk.add_token(mira, "panel", "acknowledge", "90")
    with pytest.raises(AccessError, match="more than you may"):
        ground.desk.add_token(admin, "panel", "acknowledge", "30")
    found = ground.desk.bearer(reading)
    assert found is not None
    assert found.rights == {May.LOOK}
    acts = ground.desk.bearer(acting)
    assert acts is not None
    assert acts.may(May.ACKNOWLEDGE)
    ground.desk.set_role(admin, "mira", "viewer", WHY)
    acts = ground.desk.bearer(acting)
    assert acts is not None
    assert not acts.may(May.ACKNOWLEDGE)
    ground.clock.go(30 * DAY_S)
    assert ground.desk.bearer(reading) is None
    (panel, _) = sorted(ground.desk.tokens(mira), key=lambda one: one.label, reverse=True)
    with pytest.raises(AccessError):
        ground.desk.end_token(admin, panel.id)
    ground.desk.end_token(mira, panel.id)
    assert ground.desk.bearer(acting) is None
    assert ground.desk.bearer("mw_nonsense") is None


def test_nothing_that_opens_anything_is_kept(ground: Ground, tmp_path: Path) -> None:
    secret = ground.secret
    session = ground.made(Role.OPERATOR)
    token = ground.desk.add_token(ground.who(session), "panel", "read", "30")
    kept = b"".join(file.read_bytes() for file in tmp_path.iterdir())
    for each in (secret, session, token, OWN):
        assert each.encode() not in kept
    assert b"$argon2id$" in kept


@pytest.mark.parametrize(
    "password",
    [
        "Password1234",
        "P@ssw0rd2026!",
        "qwertyuiop12",
        "Summer-2026!!",
        "123456789012",
        "abcdefghijklm",
        "zyxwvutsrqpo",
        "aaaaaaaaaaaa",
        "abcabcabcabc",
        "letmeinplease",
        "changeme12345",
        "20261125-2230",
        "administrator1",
    ],
)
def test_what_is_guessed_first_is_not_taken(password: str) -> None:
    assert fault(password, 12)


@pytest.mark.parametrize(
    "password",
    [OWN, "wade herons slowly", "k3jx-91qp-zz8m", "mein Dackel frisst Äpfel", "水鳥が三羽しずかに歩いている"],
)
def test_length_is_enough(password: str) -> None:
    assert fault(password, 12) == ""


def test_names_of_the_user_and_the_site_are_no_passwords() -> None:
    assert "name" in fault("xx-northworks-yy", 12, ("mira", "Northworks"))
    assert "at least 12" in fault("short", 12)
    assert "at most 256" in fault("wade " * 60, 12)
    assert "cannot be seen" in fault("three quiet\nherons", 12)
