"""How long the room-months of a study take: one-minute samples of one place through the daemon's engine, on all cores.

    .venv/bin/python tests/benchmarks/studies.py [--months 500] [--workers 2]

Prints wall and CPU seconds, and what 500 room-months would take. CPU time is the fairer figure on a machine that is
shared.
"""

from __future__ import annotations

import argparse
import os
import resource
import sys
import time
from pathlib import Path
from threading import Event

sys.path.insert(0, str(Path(__file__).parents[1]))

from motewatch_simulator.study.file import load_study
from motewatch_simulator.study.resume import Resume
from motewatch_simulator.study.spread import work_off
from motewatch_simulator.study.tasks import Task, Work
from support.studies import STUDIES


def main() -> None:
    """Run it."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--months", type=int, default=20)
    options.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    given = options.parse_args()
    study = load_study(STUDIES / "grade-c-room.toml")
    work = Work(study.model_dump_json(), ("bench",))
    tasks = [Task("month", number, 1, "each-minute") for number in range(given.months)]
    began = time.monotonic()
    work_off(work, tasks, given.workers, Resume(None, work), Event(), lambda done, total: None)
    wall_s = time.monotonic() - began
    used = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    cpu_s = sum(one.ru_utime + one.ru_stime for one in used)
    print(f"{given.months} room-months of 43 200 samples, {given.workers} processes: {wall_s:.1f} s, {cpu_s:.1f} s CPU")
    print(f"500 room-months: {500 / given.months * wall_s / 60:.1f} min as measured, "
          f"{500 / given.months * cpu_s / given.workers / 60:.1f} min on {given.workers} free cores")  # fmt: skip


if __name__ == "__main__":
    main()
