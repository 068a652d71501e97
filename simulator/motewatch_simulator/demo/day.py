"""The demo day as a program: a day of a filling suite in minutes, told as it goes and held against the truth.

What `deploy/demo-day` hands over to. The parts are those of the demo (broker, daemon, simulated counters, as processes
of their own); here the day is told instead of shown in the live view, and after the books the alarms that the real
daemon has on record are scored against what the simulator says was really so.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Final

from motewatch.journal.journal import Journal
from motewatch_simulator.clock import Clock
from motewatch_simulator.demo.books import EVERYTHING
from motewatch_simulator.demo.day_talk import Talk
from motewatch_simulator.demo.errors import DemoError
from motewatch_simulator.demo.options import Options, Story, parse_day
from motewatch_simulator.demo.program import Stop, summary
from motewatch_simulator.demo.run import Run
from motewatch_simulator.library import Play, open_play
from motewatch_simulator.planned import planned
from motewatch_simulator.score import Score
from motewatch_simulator.score_text import remarks, table
from motewatch_simulator.scoring import compared
from motewatch_simulator.timeline import SECOND_US
from motewatch_simulator.truth import Truth, from_line

DAY: Final = Story("day-site.toml", "day-scenario.toml", truth=True)
LENGTH_S: Final = 240.0
"""Sixteen hours, 240 times as fast."""

DESCRIPTION = """\
Shows a day of a small sterile filling suite in four minutes: broker, motewatch daemon and simulated particle counters
on this machine. Incidents happen in the rooms and to the counters, the daemon finds them over MQTT, and at the end its
alarms are held against what was really so.
"""

EPILOG = """\
Ctrl-C ends the day early. Exit status: 0 when every acknowledged reading is in the journal once and nothing went wrong,
1 otherwise, 2 for a wrong argument. What is found or missed does not change it.
"""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the day; returns its exit status."""
    options = parse_day(arguments, DAY, LENGTH_S, (DESCRIPTION, EPILOG))
    play = open_play(options.config / DAY.scenario, options.config / DAY.site)
    stop = Stop()
    if options.keep is not None:
        options.keep.mkdir(parents=True, exist_ok=True)
    folder = options.keep.resolve() if options.keep else Path(tempfile.mkdtemp(prefix="motewatch-day-"))
    wrong = _run(options, play, folder, stop)
    if wrong:
        _say("", "The day did not go well:", *(f"- {sentence}" for sentence in wrong))
    if wrong or options.keep:
        _say(f"Logs, journal and truth are in {folder}")
    else:
        shutil.rmtree(folder, ignore_errors=True)
    return 1 if wrong else 0


def _run(options: Options, play: Play, folder: Path, stop: Callable[[], bool]) -> list[str]:
    """The day from morning to score; returns what went wrong."""
    wrong: list[str] = []
    speed = play.scenario.scenario.physics_speed
    clock = Clock()

    def coming(start_us: int) -> list[Truth]:
        return planned(play.scenario, start_us, start_us + round(LENGTH_S * SECOND_US))

    with Run(options, folder, _say, stop) as run, Talk(play.site, coming, speed, _say) as talk:
        try:
            run.start(lambda: talk.open(run.port, run.topics))
        except DemoError as error:
            return [str(error)]
        _say(f"A day from 06:00 on: a second is {speed / 60:.0f} minutes of it. Ctrl-C ends it.", "")
        began_s = time.monotonic()
        try:
            run.watch(options.seconds, lambda: talk.turn(clock.now_us()))
        except DemoError as error:
            wrong.append(str(error))
        lasted_s = time.monotonic() - began_s
        _say("", "Ending: sensors, daemon, broker ...")
        until_us = clock.now_us()
        run.wind_down()
        books = run.books()
        wrong += run.wrong
        if books is not None:
            wrong += books.wrong
            _say(*summary(books, lasted_s, verified=run.verified))
            _tell_score(run, play, until_us, wrong)
    return wrong


def _tell_score(run: Run, play: Play, until_us: int, wrong: list[str]) -> None:
    """The daemon's alarms against the truth."""
    try:
        truths = [from_line(line) for line in run.truth_file.read_text(encoding="utf-8").splitlines()]
    except OSError as error:
        wrong.append(f"the simulator left no truth: {error.strerror}")
        return
    result, start_us = judged(run.journal, play, truths, until_us)
    speed = play.scenario.scenario.physics_speed
    _say("", "What was found, against what was really so (delays as time of the day):", *table(result, speed))
    behind = remarks(result, start_us)
    if behind:
        _say("", "Behind it, with the time of the stream:", *(f"  {one}" for one in behind))


def judged(journal: Path, play: Play, truths: list[Truth], until_us: int) -> tuple[Score, int]:
    """The score of the alarms on record, and the start of the first truth. That the sensors went was the end itself."""
    with Journal.open_reader(journal) as record:
        events = record.query_alarm_events(limit=EVERYTHING)
    result = compared(play, truths, [one for one in events if one.found_us <= until_us], until_us)
    return result, min((truth.start_us for truth in truths), default=until_us)


def _say(*lines: str) -> None:
    print(*lines, sep="\n", flush=True)


if __name__ == "__main__":
    sys.exit(main())
