"""The fault campaign: is anything lost, doubled or untold, whatever fails? By hand: python tests/campaign/run.py --help

Runs a facility of 52 counters (about 240 messages a second) through a seeded schedule of faults of the daemon, the
broker, the lines to it, the journal's disk, the time-series server and the channels of calls; then reconciles what was
published with journal, samples, alarms, points and calls, and prints one table. Exit status 1 when anything is wrong.

    python tests/campaign/run.py --seconds 7200 --seed 7          a long run
    python tests/campaign/run.py --seconds 60 --faults disk-full,daemon-kill
    python tests/campaign/run.py --once --haste 0.4               each kind once, and in haste: the run of CI
    python tests/campaign/run.py --backlog 100000                 begins with so many messages waiting at the broker
"""

from __future__ import annotations

import argparse
import math
import os
import sys
import tempfile
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from statistics import median

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from campaign import course as courses
from campaign.blow import Kind
from campaign.course import Course, Pace
from campaign.faults import KINDS, possible
from campaign.ground import Ground, ground
from campaign.reckoning import Reckoning, reckon, settle
from campaign.stream import TOPICS, CampaignStream
from motewatch.journal.journal import Journal
from motewatch.links.clock import Clock
from motewatch.service import Service
from support.crash_publisher import Publisher
from support.crash_stream import PERIOD_US
from support.servers import wait_until

RATE = 245.0
"""Messages a second, about."""


class ClockBehind(Clock):
    """The host's clock, so much behind."""

    def __init__(self, behind_us: int) -> None:
        self._behind_us = behind_us

    def now_us(self) -> int:
        return super().now_us() - self._behind_us


def campaign(here: Ground, kinds: list[Kind], pace: Pace, backlog: int) -> tuple[Course, Reckoning]:
    """The whole of it. `pace`: with the end counted from the moment when all runs."""
    clock, course, reckoning = here.clock, Course(), Reckoning()
    behind_us = round(backlog / RATE * 1_000_000)
    # Journal and session as of that long ago, as if the daemon had been away since.
    with Service(here.site_path, ClockBehind(behind_us)) as service:
        assert service.writer.drained.wait(30)
        start_us = ((clock.now_us() - behind_us) // PERIOD_US + 1) * PERIOD_US
    stream = CampaignStream(here.seed, TOPICS, start_us)
    with (
        Journal.open_reader(here.journal_path) as journal,
        Publisher(here.sensors_line.port, stream) as publisher,
        ThreadPoolExecutor(1) as pool,
    ):
        if backlog:
            wait_until(lambda: len(publisher.acknowledged()) > backlog, f"{backlog} messages at the broker", 600)
            reckoning.note("messages that waited at the broker at the first start", len(publisher.acknowledged()))
        began_us, began_s = clock.now_us(), clock.monotonic_s()
        here.daemon.start()
        here.daemon.wait_for(lambda: here.caught_up(journal, began_us), "the way back after the backlog", 600)
        if backlog:
            reckoning.note("taken, from the start of the daemon, within", f"{clock.monotonic_s() - began_s:.1f} s")
        pace = replace(pace, end_s=clock.monotonic_s() + pace.end_s)
        with courses.watched(here, course):
            beside = [kind for kind in kinds if kind.lane == "sinks"]
            job = pool.submit(courses.sinks, here, publisher, beside, course, pace)
            try:
                courses.way(here, publisher, journal, [kind for kind in kinds if kind.lane == "way"], course, pace)
                job.result(120)
                if not pace.once:
                    here.over.wait(max(0.0, pace.end_s - clock.monotonic_s()))
            finally:
                here.over.set()
            messages = publisher.finish(60)
        settle(here, journal, stream.end_us, reckoning)
        here.daemon.stop()
        reckoning.note("stream", f"{(stream.end_us - stream.start_us) / 1e6:.0f} s")
        reckon(here, journal, course, messages, stream.end_us, reckoning)
        figures = publisher.figures
        reckoning.note("sensors connected, and sent again", f"{figures.connections} times, {figures.again:,} messages")
        reckoning.note("readings overtaken by later ones", stream.overtaken)
        reckoning.note("sensor clocks set wrong or right, by an hour or ten years", stream.steps)
    reckoning.note("alarms that somebody took", course.acknowledged)
    reckoning.note("daemon: kill -9", here.daemon.kills)
    longest = max(course.quiet_s, key=lambda name: course.quiet_s[name], default="")
    reckoning.note("longest time without a commit", f"{course.quiet_s.get(longest, 0.0):.1f} s, in {longest}")
    reckoning.note("most memory of a daemon", f"{course.rss_mb:.0f} MB")
    return course, reckoning


def table(here: Ground, course: Course, reckoning: Reckoning, seconds: float) -> str:
    """All of it as Markdown."""
    total = sum(course.dealt.values())
    lines = [
        f"Fault campaign, seed {here.seed}, {seconds:.0f} s, {total} faults",
        "",
        "| what | figure |",
        "| --- | --- |",
    ]
    lines += [f"| {what} | {value} |" for what, value in reckoning.rows]
    lines += [
        "",
        "| fault | times | longest without a commit | recovery: median, longest | notes |",
        "| --- | --- | --- | --- | --- |",
    ]
    for name, times in sorted(course.dealt.items()):
        took = course.recovery_s.get(name)
        shown = f"{median(took):.1f} s, {max(took):.1f} s" if took else ""
        notes = ", ".join(f"{what}: {count}" for what, count in sorted(course.notes[name].items()))
        quiet = f"{course.quiet_s[name]:.1f} s" if name in course.quiet_s and took else ""
        lines.append(f"| {name} | {times} | {quiet} | {shown} | {notes} |")
    lines += ["", "Nothing is wrong." if not reckoning.wrong else "WRONG:", *reckoning.wrong]
    return "\n".join(lines)


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seconds", type=float, default=120.0, help="how long faults are dealt")
    parser.add_argument("--once", action="store_true", help="deal each kind once, however long that takes")
    parser.add_argument("--haste", type=float, default=1.0, help="how long faults last, as a share of their own time")
    parser.add_argument("--seed", type=int, default=int.from_bytes(os.urandom(3)), help="of the schedule and stream")
    parser.add_argument("--faults", default="", help=f"only these, by commas: {', '.join(kind.name for kind in KINDS)}")
    parser.add_argument("--backlog", type=int, default=0, help="messages that wait at the broker when it begins")
    parser.add_argument("--folder", type=Path, help="keep everything here (a new folder) instead of throwing it away")
    asked = parser.parse_args(arguments)
    names = [name for name in asked.faults.split(",") if name] or [kind.name for kind in KINDS]
    if unknown := set(names) - {kind.name for kind in KINDS}:
        parser.error(f"no such fault: {', '.join(sorted(unknown))}")
    with tempfile.TemporaryDirectory(prefix="campaign-") as folder:
        if asked.folder is not None:
            asked.folder.mkdir(parents=True)
        with ground(asked.folder or Path(folder), asked.seed) as here:
            kinds = [kind for kind in KINDS if kind.name in names and possible(kind, here)]
            for name in sorted(set(names) - {kind.name for kind in kinds}):
                print(f"not possible on this machine: {name}")
            print(f"seed {asked.seed}", flush=True)
            try:
                pace = Pace(math.inf if asked.once else asked.seconds, asked.once, asked.haste)
                began_s = here.clock.monotonic_s()
                course, reckoning = campaign(here, kinds, pace, asked.backlog)
            except BaseException:
                with suppress(OSError):
                    print(here.daemon.log_end(60), file=sys.stderr)
                raise
            print(table(here, course, reckoning, here.clock.monotonic_s() - began_s if asked.once else asked.seconds))
    return 1 if reckoning.wrong else 0


if __name__ == "__main__":
    sys.exit(main())
