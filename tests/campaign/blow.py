"""What a fault is made of: the blow that is being dealt, and the kind it is of. See `faults`, which lists all kinds."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Literal

from campaign.ground import Ground
from support.crash_publisher import Publisher

Lane = Literal["way", "sinks"]


@dataclass(slots=True)
class Blow:
    """One fault that is being dealt."""

    here: Ground
    publisher: Publisher
    rng: random.Random
    haste: float = 1.0
    """How long faults last, as a share of how long they would."""
    kill: bool = False
    """Kill the daemon while it lasts."""
    restart: bool = True
    """A daemon that was killed may start while the fault lasts."""
    notes: dict[str, int] = field(default_factory=dict)
    thrown_away_us: list[tuple[int, int]] = field(default_factory=list)
    """From when to when the broker kept too little, in all faults so far."""
    excused: list[tuple[int, int]] = field(default_factory=list)
    """From which byte of the daemon's log to which all may stand there: without memory, errors may be anywhere."""

    def hold(self, low_s: float, high_s: float) -> None:
        """Let it last, and kill the daemon meanwhile if so decided."""
        whole_s = self.rng.uniform(low_s, high_s) * self.haste
        first_s = whole_s * self.rng.random() if self.kill else whole_s
        self.here.over.wait(first_s)
        if self.kill and self.here.daemon.pid is not None:
            self.here.daemon.kill()
            self.note("with the daemon killed meanwhile")
            if self.restart:
                self.here.daemon.start()
            self.here.over.wait(whole_s - first_s)

    def note(self, what: str, count: int = 1) -> None:
        self.notes[what] = self.notes.get(what, 0) + count

    def seen(self, words: str, since: int, timeout_s: float = 30.0) -> None:
        """Wait until the daemon's log says so, after so many bytes of it: that a fault is felt is no matter of luck."""
        daemon = self.here.daemon
        daemon.wait_for(lambda: words in daemon.log_since(since), f"'{words}' in the log", timeout_s)


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of fault. `kill`: the daemon may be killed meanwhile; and `restart`ed before the fault is over."""

    name: str
    lane: Lane
    strike: Callable[[Blow], None]
    kill: bool = False
    restart: bool = False
