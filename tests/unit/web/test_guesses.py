"""Back-off for wrong links, and the pace of one link. Time is handed in."""

from __future__ import annotations

from motewatch.web.guesses import ADDRESSES_KEPT, FORGOTTEN_S, FREE, LONGEST_WAIT_S, Guesses, Pace


def waits(guesses: Guesses, address: str, now_s: float) -> float:
    return guesses.wrong(address, now_s, round(now_s * 1_000_000))


def test_the_first_few_cost_nothing_then_each_costs_twice_the_last() -> None:
    guesses = Guesses()
    assert [waits(guesses, "198.51.100.7", 0.0) for _ in range(FREE + 1)] == [0.0] * (FREE + 1)
    assert [waits(guesses, "198.51.100.7", 0.0) for _ in range(4)] == [1.0, 2.0, 4.0, 8.0]
    # Another address is not to blame.
    assert waits(guesses, "198.51.100.8", 0.0) == 0.0


def test_who_waits_it_out_is_answered() -> None:
    guesses = Guesses()
    for _ in range(FREE + 1):
        waits(guesses, "a", 0.0)
    assert waits(guesses, "a", 0.5) == 0.5
    assert waits(guesses, "a", 0.5 + 2.0) == 0.0


def test_the_wait_has_an_end_and_is_forgotten_after_an_hour() -> None:
    guesses = Guesses()
    for _ in range(1_000):
        longest_s = waits(guesses, "a", 0.0)
    assert longest_s == LONGEST_WAIT_S
    assert waits(guesses, "a", FORGOTTEN_S) == 0.0
    assert [waits(guesses, "a", FORGOTTEN_S) for _ in range(FREE)] == [0.0] * FREE


def test_a_customer_of_ipv6_is_one_address() -> None:
    guesses = Guesses()
    for number in range(FREE + 1):
        waits(guesses, f"2001:db8:1:2::{number:x}", 0.0)
    assert waits(guesses, "2001:db8:1:2:ffff::1", 0.0) == 1.0
    assert waits(guesses, "2001:db8:1:3::1", 0.0) == 0.0


def test_they_are_counted_for_the_record() -> None:
    guesses = Guesses()
    assert guesses.take() is None
    waits(guesses, "a", 7.0)
    waits(guesses, "a", 8.0)
    waits(guesses, "b", 9.0)
    assert guesses.take() == (3, 2, 7_000_000)
    assert guesses.take() is None
    waits(guesses, "c", 11.0)
    assert guesses.take() == (1, 1, 11_000_000)


def test_memory_is_bounded_whatever_is_tried() -> None:
    guesses = Guesses()
    for number in range(ADDRESSES_KEPT + 500):
        waits(guesses, f"10.{number >> 16}.{number >> 8 & 255}.{number & 255}", 0.0)
    assert len(guesses._tries) == ADDRESSES_KEPT
    assert guesses.take() == (ADDRESSES_KEPT + 500, ADDRESSES_KEPT, 0)


def test_the_pace_of_one_name() -> None:
    pace = Pace(3, 60.0)
    assert [pace.wait_s("x", now) for now in (0.0, 1.0, 2.0)] == [0.0] * 3
    assert pace.wait_s("x", 10.0) == 50.0
    assert pace.wait_s("y", 10.0) == 0.0
    # Those that were turned away do not count.
    assert pace.wait_s("x", 60.0) == 0.0
    assert pace.wait_s("x", 60.5) == 0.5


def test_the_pace_forgets_names_that_it_has_no_room_for() -> None:
    pace = Pace(1, 60.0, names=2)
    for name in ("a", "b", "c"):
        assert pace.wait_s(name, 0.0) == 0.0
    assert pace.wait_s("c", 1.0) == 59.0
    assert pace.wait_s("a", 1.0) == 0.0
