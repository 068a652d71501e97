"""When failed sign-ins are told of: so many within so long, once, and anew when it goes on."""

from __future__ import annotations

from motewatch.engine.records import SignInsFailed
from motewatch.web.access.misuse import Misuse

HERE, THERE = "192.0.2.1", "198.51.100.7"


def test_so_many_within_so_long_are_told_once_and_then_counted_anew() -> None:
    misuse = Misuse(3, 60.0)
    assert misuse.failed("mira", HERE, 0.0, 10) is None
    assert misuse.failed("mira", THERE, 1.0, 11) is None
    assert misuse.failed("?", HERE, 59.0, 69) == SignInsFailed(3, 2, 2, "mira", 10)
    assert misuse.failed("mira", HERE, 59.5, 70) is None


def test_what_is_long_ago_does_not_count() -> None:
    misuse = Misuse(2, 60.0)
    assert misuse.failed("mira", HERE, 0.0, 0) is None
    assert misuse.failed("mira", HERE, 60.0, 60) is None
    assert misuse.failed("mira", HERE, 119.0, 119) == SignInsFailed(2, 1, 1, "mira", 60)
