"""Run rules: patterns that chance alone seldom makes, in the two published sets, kept apart.

The sets look alike and are not: Western Electric asks for 8 points on one side of the centre, Nelson for 9. A rule
signals at the point that completes its pattern, and again at each further point while the pattern goes on. "Beyond"
is strictly beyond; a point on the centre line is on neither side. In "2 of 3" and "4 of 5" the last point must itself
be beyond, so that a signal is never dated by a point that is well.

Input is each point's deviation from the centre in sigmas. For counts that needs means of about 5 and more
(`signals.LEAST_MEAN_FOR_SIGMA`): at 0.1 particles a sample nearly all points are 0, just below the centre, and a run
on one side is what clean air looks like. Western Electric's handbook (1956) and L. S. Nelson, Journal of Quality
Technology 16 (1984): rule texts from documentation that repeats them, the citations from memory, not confirmed.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, Final, Self

from motewatch.measure.errors import BadInputError
from motewatch.measure.signals import Side, Signal, finite


class Pattern(StrEnum):
    """What a rule looks for."""

    SAME_SIDE = "same side"
    """`k` of `n` beyond `sigmas`, all on one side."""
    STEADY = "steady"
    """`n` points, each above the one before, or each below."""
    ALTERNATING = "alternating"
    """`n` points going up and down in turn."""
    WITHIN = "within"
    """`n` points not beyond `sigmas`: too good, the limits are too wide."""
    OUTSIDE = "outside"
    """`n` points beyond `sigmas`, on whichever side: two states mixed."""


@dataclass(frozen=True, slots=True)
class Rule:
    """One row of a set. `text` is what a person reads."""

    name: str
    pattern: Pattern
    k: int
    n: int
    sigmas: float
    text: str


_SAME, _STEADY, _TURNS = Pattern.SAME_SIDE, Pattern.STEADY, Pattern.ALTERNATING

WESTERN_ELECTRIC: Final = (
    Rule("WE1", _SAME, 1, 1, 3.0, "one point beyond 3 sigma"),
    Rule("WE2", _SAME, 2, 3, 2.0, "2 of 3 points beyond 2 sigma on one side"),
    Rule("WE3", _SAME, 4, 5, 1.0, "4 of 5 points beyond 1 sigma on one side"),
    Rule("WE4", _SAME, 8, 8, 0.0, "8 points in a row on one side of the centre"),
)

NELSON: Final = (
    Rule("N1", _SAME, 1, 1, 3.0, "one point beyond 3 sigma"),
    Rule("N2", _SAME, 9, 9, 0.0, "9 points in a row on one side of the centre"),
    Rule("N3", _STEADY, 6, 6, 0.0, "6 points in a row steadily rising or falling"),
    Rule("N4", _TURNS, 14, 14, 0.0, "14 points in a row going up and down in turn"),
    Rule("N5", _SAME, 2, 3, 2.0, "2 of 3 points beyond 2 sigma on one side"),
    Rule("N6", _SAME, 4, 5, 1.0, "4 of 5 points beyond 1 sigma on one side"),
    Rule("N7", Pattern.WITHIN, 15, 15, 1.0, "15 points in a row within 1 sigma"),
    Rule("N8", Pattern.OUTSIDE, 8, 8, 1.0, "8 points in a row beyond 1 sigma, on either side"),
)

SETS: Final[Mapping[str, tuple[Rule, ...]]] = {"western-electric": WESTERN_ELECTRIC, "nelson": NELSON}


class RunRules:
    """A set of rules at work. The state is a few small integers and the last deviation."""

    __slots__ = ("_down", "_falls", "_last", "_rises", "_turns", "_up", "rules")

    def __init__(self, rules: tuple[Rule, ...] | str) -> None:
        if isinstance(rules, str):
            if rules not in SETS:
                raise BadInputError("rule set", rules, " or ".join(SETS))
            rules = SETS[rules]
        self.rules = rules
        self.restart()

    @classmethod
    def from_state(cls, rules: tuple[Rule, ...] | str, state: Mapping[str, Any]) -> Self:
        """The rules as they were when `to_state` was called."""
        found = cls(rules)
        up, down = [int(value) for value in state["up"]], [int(value) for value in state["down"]]
        if len(up) != len(found.rules) or len(down) != len(found.rules):
            raise BadInputError("state", f"of {len(up)} rules", f"one of {len(found.rules)} rules")
        found._up, found._down = up, down
        found._rises, found._falls, found._turns = int(state["rises"]), int(state["falls"]), int(state["turns"])
        last = state["last"]
        found._last = None if last is None else finite("last", float(last))
        return found

    def to_state(self) -> dict[str, Any]:
        """Plain values."""
        return {
            "up": list(self._up),
            "down": list(self._down),
            "rises": self._rises,
            "falls": self._falls,
            "turns": self._turns,
            "last": self._last,
        }

    def restart(self) -> None:
        """Forget all points."""
        # Bits of the last n - 1 points, the newest lowest: beyond (within, outside) or not.
        self._up = [0] * len(self.rules)
        self._down = [0] * len(self.rules)
        # Steps from point to point: how many of a kind in a row.
        self._rises = self._falls = self._turns = 0
        self._last: float | None = None

    def observe(self, sigmas: float) -> list[Signal]:
        """Take the next point's deviation in sigmas; value of a signal is that deviation, limit the rule's sigmas."""
        finite("deviation", sigmas)
        self._walk(sigmas)
        found = []
        for number, rule in enumerate(self.rules):
            side = self._side(number, rule, sigmas)
            if side is not None:
                found.append(Signal(rule.name, side, sigmas, rule.sigmas))
        self._last = sigmas
        return found

    def _walk(self, sigmas: float) -> None:
        last = self._last
        if last is None:
            return
        rising, falling = sigmas > last, sigmas < last
        if (rising and self._falls) or (falling and self._rises):
            self._turns += 1
        else:
            self._turns = 1 if rising or falling else 0
        self._rises = self._rises + 1 if rising else 0
        self._falls = self._falls + 1 if falling else 0

    def _side(self, number: int, rule: Rule, sigmas: float) -> Side | None:
        if rule.pattern is Pattern.STEADY:
            if self._rises >= rule.n - 1:
                return 1
            return -1 if self._falls >= rule.n - 1 else None
        if rule.pattern is Pattern.ALTERNATING:
            return 0 if self._turns >= rule.n - 1 else None
        if rule.pattern is Pattern.SAME_SIDE:
            above, below = sigmas > rule.sigmas, sigmas < -rule.sigmas
            high = self._push(self._up, number, rule, above)
            low = self._push(self._down, number, rule, below)
            if above and high >= rule.k:
                return 1
            return -1 if below and low >= rule.k else None
        beyond = abs(sigmas) > rule.sigmas
        wanted = beyond if rule.pattern is Pattern.OUTSIDE else not beyond
        return 0 if self._push(self._up, number, rule, wanted) >= rule.k else None

    @staticmethod
    def _push(masks: list[int], number: int, rule: Rule, bit: bool) -> int:
        """Append a point and say how many of the last n have the bit; n - 1 of them are kept."""
        # Where all must have it, what was before one that has not will never matter.
        whole = 0 if rule.k == rule.n and not bit else masks[number] << 1 | bit
        masks[number] = whole & ((1 << (rule.n - 1)) - 1)
        return whole.bit_count()
