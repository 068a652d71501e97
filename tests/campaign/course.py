"""The course of a campaign: which fault when, beside each other in two lanes, and what is measured meanwhile.

Each lane draws from a shuffled deck of its kinds, so that every kind comes before any comes twice. Seeds make the
schedule; how far the programs are at a moment they do not.
"""

from __future__ import annotations

import math
import random
import sys
import threading
from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from campaign.blow import Blow, Kind
from campaign.ground import Ground
from campaign.stream import TOPICS
from motewatch.journal.errors import JournalError
from motewatch.journal.journal import Journal
from support.crash_publisher import Publisher

KILL: Final = 0.3
"""In so many faults that allow it the daemon is killed meanwhile."""
RECOVERY_S: Final = 400.0
LOOK_S: Final = 0.05


@dataclass(frozen=True, slots=True)
class Pace:
    """How long faults are dealt: until `end_s` of the monotonic clock, or each kind `once`. `haste`: as in `Blow`."""

    end_s: float = math.inf
    once: bool = False
    haste: float = 1.0

    def deck(self, kinds: Sequence[Kind], rng: random.Random) -> Iterator[Kind]:
        """The kinds in any order, again and again; every one comes before any comes twice."""
        while kinds:
            yield from rng.sample(kinds, len(kinds))
            if self.once:
                return


@dataclass(slots=True)
class Course:
    """What was done and measured."""

    dealt: Counter[str] = field(default_factory=Counter)
    notes: dict[str, Counter[str]] = field(default_factory=lambda: defaultdict(Counter))
    recovery_s: dict[str, list[float]] = field(default_factory=lambda: defaultdict(list))
    thrown_away_us: list[tuple[int, int]] = field(default_factory=list)
    excused: list[tuple[int, int]] = field(default_factory=list)
    """As in `Blow`."""
    quiet_s: dict[str, float] = field(default_factory=dict)
    """The longest time without a commit, by what was dealt when it was longest."""
    rss_mb: float = 0.0
    acknowledged: int = 0
    """Alarms that somebody took, as far as was heard."""
    now: str = "the beginning"


def way(
    here: Ground, publisher: Publisher, journal: Journal, kinds: Sequence[Kind], course: Course, pace: Pace
) -> None:
    """Deal faults on the way of a reading, one after the other, each recovered from before the next."""
    rng = random.Random(here.seed)
    for kind in pace.deck(kinds, rng):
        here.over.wait(rng.uniform(0.0, 1.5) * pace.haste)
        if here.clock.monotonic_s() >= pace.end_s or here.over.is_set():
            return
        blow = Blow(
            here, publisher, rng, haste=pace.haste, kill=kind.kill and rng.random() < KILL, restart=kind.restart
        )
        blow.thrown_away_us, blow.excused = course.thrown_away_us, course.excused
        course.now = kind.name
        kind.strike(blow)
        if here.daemon.pid is None:
            here.daemon.start()
        over_us, over_s = here.clock.now_us(), here.clock.monotonic_s()
        here.daemon.wait_for(lambda: here.caught_up(journal, over_us), f"the way back after {kind.name}", RECOVERY_S)  # noqa: B023
        course.recovery_s[kind.name].append(here.clock.monotonic_s() - over_s)
        course.dealt[kind.name] += 1
        print(f"{sum(course.dealt.values())}: {kind.name}", file=sys.stderr, flush=True)
        course.notes[kind.name].update(blow.notes)


def sinks(here: Ground, publisher: Publisher, kinds: Sequence[Kind], course: Course, pace: Pace) -> None:
    """Deal faults of the sinks, beside those."""
    rng = random.Random(here.seed + 1)
    for kind in pace.deck(kinds, rng):
        here.over.wait(rng.uniform(0.5, 4.0) * pace.haste)
        if here.clock.monotonic_s() >= pace.end_s or here.over.is_set():
            return
        kind.strike(Blow(here, publisher, rng, haste=pace.haste))
        course.dealt[kind.name] += 1


@contextmanager
def watched(here: Ground, course: Course) -> Iterator[None]:
    """Meanwhile somebody takes alarms, and somebody looks at memory and at the time without a commit."""
    done = threading.Event()
    threads = [threading.Thread(target=work, args=(here, course, done)) for work in (_measure, _take_alarms)]
    for thread in threads:
        thread.start()
    try:
        yield
    finally:
        done.set()
        for thread in threads:
            thread.join(60)


def _measure(here: Ground, course: Course, done: threading.Event) -> None:
    with Journal.open_reader(here.journal_path) as journal:
        last, since_s = journal.last_input_id(), here.clock.monotonic_s()
        while not done.wait(LOOK_S):
            now_s = here.clock.monotonic_s()
            if (newest := journal.last_input_id()) != last:
                last, since_s = newest, now_s
            elif now_s - since_s > course.quiet_s.get(course.now, 0.0):
                course.quiet_s[course.now] = now_s - since_s
            pid = here.daemon.pid
            with suppress(OSError, ValueError):  # it may just have ended
                status = Path(f"/proc/{pid}/status").read_text()
                for line in status.splitlines():
                    if line.startswith("VmHWM"):
                        course.rss_mb = max(course.rss_mb, int(line.split()[1]) * 1024 / 1e6)


def _take_alarms(here: Ground, course: Course, done: threading.Event) -> None:
    """Takes half of the alarms that nobody has taken, now and then. What gets lost on the way is nobody's loss."""
    rng = random.Random(here.seed + 2)
    with Journal.open_reader(here.journal_path) as journal:
        while not done.wait(rng.uniform(0.5, 2.5)):
            with suppress(OSError, ValueError, RuntimeError, JournalError):
                standing = [
                    one.alarm for one in journal.standing_alarms() if one.after.value.endswith("unacknowledged")
                ]
                chosen = rng.sample(standing, (len(standing) + 1) // 2)
                course.acknowledged += _send(here.broker.port, chosen, rng)


def _send(port: int, alarms: Sequence[str], rng: random.Random) -> int:
    client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
    client.connect("127.0.0.1", port)
    client.loop_start()
    sent = 0
    try:
        for alarm in alarms:
            id_, by = f"take-{rng.randrange(10**15)}", rng.choice(["ada", "ben"])
            order = f'{{"v":1,"id":"{id_}","command":"acknowledge","by":"{by}","alarm":"{alarm}"}}'
            info = client.publish(TOPICS.command, order, 1)
            info.wait_for_publish(2)
            sent += info.is_published()
    finally:
        client.disconnect()
        client.loop_stop()
    return sent
