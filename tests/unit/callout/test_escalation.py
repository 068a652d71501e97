"""The climb of one case, without an engine: who is told by which step, and when it does not wait."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from motewatch.callout.escalation import Case, Climber, Contact, Stage, acknowledge, over
from motewatch.callout.ladders import Ladder, Rung
from motewatch.callout.records import Cause

MIN = 60_000_000
T = 1_000 * MIN


@dataclass
class Duty:
    """A roster of fixed answers."""

    named: dict[str, tuple[str, ...]]
    quiet: dict[str, int] = field(default_factory=dict)

    def resolve(self, target: str, at_us: int) -> tuple[str, ...]:
        return self.named.get(target, ())

    def quiet_until_us(self, person: str, at_us: int) -> int | None:
        until_us = self.quiet.get(person)
        return until_us if until_us is not None and at_us < until_us else None


LADDER = Ladder(
    "usual",
    frozenset(),
    frozenset(),
    None,
    (Rung(0, ("rota:a",)), Rung(5 * MIN, ("rota:b",)), Rung(15 * MIN, ("team:leads",))),
    10 * MIN,
)
DUTY = {"rota:a": ("ada",), "rota:b": ("ben",), "team:leads": ("cy", "dot", "ada")}


def case(priority: str = "high") -> Case:
    return Case("location/x/y", priority, LADDER.id, T, T)


def climber(duty: Duty | None = None) -> Climber:
    return Climber(duty or Duty(DUTY), 15 * MIN)


def test_each_step_tells_whom_it_names_and_nobody_twice() -> None:
    climb, one = climber(), case()
    assert climb.climb(one, LADDER, T) == [("ada", Cause.RAISED)]
    assert one.next_step_us(LADDER) == T + 5 * MIN
    assert climb.climb(one, LADDER, T + 5 * MIN) == [("ben", Cause.CLIMBED)]
    assert climb.climb(one, LADDER, T + 15 * MIN) == [("cy", Cause.CLIMBED), ("dot", Cause.CLIMBED)]
    assert one.next_step_us(LADDER) is None
    assert (one.repeat_us, one.nobody_us) == (T + 25 * MIN, T + 30 * MIN)


def test_a_step_that_names_nobody_does_not_wait() -> None:
    one = case()
    calls = climber(Duty(DUTY | {"rota:a": ()})).climb(one, LADDER, T)
    assert calls == [("ben", Cause.CLIMBED)]
    assert one.next_step_us(LADDER) == T + 15 * MIN


def test_when_all_of_a_step_failed_the_next_is_taken_at_once() -> None:
    climb, one = climber(), case()
    climb.climb(one, LADDER, T)
    assert climb.failed(one, LADDER, "ada", T + MIN) == [("ben", Cause.CLIMBED)]
    assert one.contacts == {"ada": Contact.FAILED, "ben": Contact.CALLED}


def test_a_failure_does_not_hurry_while_another_of_the_step_may_answer() -> None:
    climb, one = climber(), case()
    for at_us in (T, T + 5 * MIN, T + 15 * MIN):
        climb.climb(one, LADDER, at_us)
    assert climb.failed(one, LADDER, "cy", T + 16 * MIN) == []
    assert not one.unreached


def test_nobody_is_reached_when_all_have_failed() -> None:
    climb, one = climber(), case("low")
    climb.climb(one, LADDER, T)
    told = []
    for person in ("ada", "ben", "cy"):
        told += climb.failed(one, LADDER, person, T + MIN)
        assert not one.unreached
    climb.failed(one, LADDER, "dot", T + MIN)
    assert [person for person, _ in told] == ["ben", "cy", "dot"]
    assert one.unreached


def test_nobody_at_all_is_found_at_once() -> None:
    one = case("low")
    assert climber(Duty({})).climb(one, LADDER, T) == []
    assert one.unreached


def test_silence_after_the_last_step_counts_for_high_priority_only() -> None:
    for priority, expected in (("high", T + 15 * MIN + 15 * MIN), ("medium", None)):
        climb, one = climber(), case(priority)
        for at_us in (T, T + 5 * MIN, T + 15 * MIN):
            climb.climb(one, LADDER, at_us)
        assert one.nobody_us == expected


def test_quiet_hours_hold_back_what_is_not_of_high_priority() -> None:
    duty = Duty(DUTY, {"ada": T + 60 * MIN})
    assert climber(duty).climb(case("high"), LADDER, T) == [("ada", Cause.RAISED)]
    climb, one = climber(duty), case("medium")
    assert climb.climb(one, LADDER, T) == []
    assert one.next_step_us(LADDER) == T + 5 * MIN, "the climb goes on meanwhile"
    assert climb.quiet_over(one, LADDER, "ada", T + 60 * MIN) == [("ada", Cause.RAISED)]
    assert climb.quiet_over(one, LADDER, "ada", T + 60 * MIN) == []


def test_quiet_hours_that_end_after_an_acknowledgement_wake_nobody() -> None:
    climb, one = climber(Duty(DUTY, {"ada": T + 60 * MIN})), case("medium")
    climb.climb(one, LADDER, T)
    climb.climb(one, LADDER, T + 5 * MIN)
    assert acknowledge(one) == ["ben"]
    assert climb.quiet_over(one, LADDER, "ada", T + 60 * MIN) == []


def test_repeats_tell_everyone_told_and_whoever_is_on_by_now() -> None:
    duty = Duty(dict(DUTY))
    climb, one = climber(duty), case()
    for at_us in (T, T + 5 * MIN, T + 15 * MIN):
        climb.climb(one, LADDER, at_us)
    duty.named["rota:b"] = ("eve",)
    persons = [person for person, cause in climb.repeat(one, LADDER, T + 25 * MIN) if cause is Cause.REPEATED]
    assert persons == ["ada", "ben", "cy", "dot", "eve"]
    assert one.repeat_us == T + 35 * MIN


def test_what_is_acknowledged_or_over_climbs_no_further() -> None:
    stops: list[Callable[[Case], list[str]]] = [acknowledge, lambda one: over(one, T + MIN)]
    for stop in stops:
        climb, one = climber(), case()
        climb.climb(one, LADDER, T)
        assert stop(one) == ["ada"]
        assert one.next_step_us(LADDER) is None
        assert climb.climb(one, LADDER, T + 5 * MIN) == []
        assert climb.repeat(one, LADDER, T + 25 * MIN) == []


def test_what_is_over_as_it_starts_is_told_once() -> None:
    climb, one = climber(), case()
    assert over(one, T) == []
    assert one.momentary
    assert climb.climb(one, LADDER, T) == [("ada", Cause.RAISED)]
    assert one.next_step_us(LADDER) is None


def test_waits_count_from_when_somebody_could_be_told() -> None:
    climb, one = climber(), case()
    one.shift(LADDER, T + 120 * MIN)
    assert one.next_step_us(LADDER) == T + 120 * MIN
    climb.climb(one, LADDER, T + 120 * MIN)
    one.shift(LADDER, T + 121 * MIN)
    assert one.next_step_us(LADDER) == T + 125 * MIN, "a step that is not due yet is not moved"


def test_a_case_survives_a_snapshot() -> None:
    climb, one = climber(Duty(DUTY, {"ada": T + 60 * MIN})), case("medium")
    climb.climb(one, LADDER, T)
    climb.climb(one, LADDER, T + 5 * MIN)
    one.remark = "It was found late."
    over(one, T + 6 * MIN)
    again = Case.from_state(one.to_state())
    assert again == one
    assert again.stage is Stage.OVER
