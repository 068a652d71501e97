"""Which calls have been answered by their link: each link does its work once.

An answer that was accepted uses up its call. That is remembered until the engine's own time has reached the expiry of
the link, and from then on the link is refused because it has expired: at no instant is it taken a second time, after a
restart or a replay neither, and the memory holds no more than what was answered within the validity of a link.
An answer that was refused (nothing to acknowledge, not entitled) changed nothing and uses nothing up.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Final

from motewatch.engine.records import Answered

USED: Final = "this link has been used already"
EXPIRED: Final = "this link has expired"


@dataclass(slots=True)
class Answers:
    """The calls whose links are used up: until when that is remembered, and what was said."""

    used: dict[str, tuple[int, str]] = field(default_factory=dict)

    def refusal(self, answered: Answered, now_us: int) -> str:
        """Why this answer is not taken, in a sentence; empty when it is."""
        done = self.used.get(answered.told)
        if done is not None and now_us < done[0]:
            return f"{USED}: {done[1]}"
        return EXPIRED if now_us >= answered.expires_us else ""

    def accepted(self, answered: Answered, text: str, now_us: int) -> None:
        """The answer was accepted, with this text as the reply."""
        self.used = {told: done for told, done in self.used.items() if now_us < done[0]}
        self.used[answered.told] = (answered.expires_us, text)

    def to_state(self) -> list[list[Any]]:
        """Plain values for a snapshot."""
        return [[told, expires_us, text] for told, (expires_us, text) in sorted(self.used.items())]

    @classmethod
    def from_state(cls, state: list[list[Any]]) -> Answers:
        """What `to_state` took apart."""
        return cls({told: (expires_us, text) for told, expires_us, text in state})
