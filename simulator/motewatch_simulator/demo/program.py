"""The demo as a program: folder, signals, live view, summary, exit status."""

from __future__ import annotations

import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path
from types import FrameType
from typing import Final

from motewatch_simulator.demo.books import Books
from motewatch_simulator.demo.children import dies_with_its_parent
from motewatch_simulator.demo.errors import DemoError
from motewatch_simulator.demo.options import Options, parse
from motewatch_simulator.demo.run import PYTHON, Run

ALARM_WITHIN_S: Final = 60.0
"""The demo's own promise: by then an alarm was raised and has cleared."""


class Stop:
    """Set by the first signal; the second one ends the demo at once, and its parts with it."""

    def __init__(self) -> None:
        self._set = False
        for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
            signal.signal(number, self._take)

    def __call__(self) -> bool:
        return self._set

    def _take(self, number: int, frame: FrameType | None) -> None:
        if self._set:
            raise KeyboardInterrupt
        self._set = True


class View:
    """`motewatch view` in our own terminal. It listens on MQTT, as any display does."""

    def __init__(self, site_file: Path, *, live: bool) -> None:
        command = [*PYTHON, "motewatch", "view", str(site_file), *([] if live else ["--plain"])]
        # In our own process group: Ctrl-C ends it together with us.
        self._process = subprocess.Popen(command, stdin=subprocess.DEVNULL, preexec_fn=dies_with_its_parent())

    def check(self) -> None:
        """DemoError if it failed. It may end by itself: the run goes on without it."""
        if self._process.poll():
            raise DemoError(f"The view (`motewatch view`) ended with status {self._process.returncode}.")

    def stop(self) -> None:
        """End it and leave the terminal as it was."""
        if self._process.poll() is None:
            self._process.send_signal(signal.SIGTERM)
        try:
            self._process.wait(5)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the demo; returns its exit status."""
    options = parse(arguments)
    stop = Stop()
    if options.keep is not None:
        options.keep.mkdir(parents=True, exist_ok=True)
    folder = options.keep.resolve() if options.keep else Path(tempfile.mkdtemp(prefix="motewatch-demo-"))
    wrong = _run(options, folder, stop)
    if wrong:
        _say("", "The demo did not go well:")
        for sentence in wrong:
            _say(f"- {sentence}")
        _say(f"Logs and journal are in {folder}")
        return 1
    if options.keep:
        _say(f"Logs and journal are in {folder}")
    else:
        shutil.rmtree(folder, ignore_errors=True)
    return 0


def _run(options: Options, folder: Path, stop: Stop) -> list[str]:
    """The run from start to summary; returns what went wrong."""
    wrong: list[str] = []
    with Run(options, folder, _say, stop) as run:
        try:
            run.start()
        except DemoError as error:
            return [str(error)]
        ends = "Ctrl-C ends the demo." if options.seconds is None else f"Ends by itself after {options.seconds:g} s."
        _say(ends, "")
        began_s = time.monotonic()
        view = View(run.site_file, live=sys.stdout.isatty() and not options.plain)
        try:
            run.watch(options.seconds, view.check)
        except DemoError as error:
            wrong.append(str(error))
        finally:
            view.stop()
        lasted_s = time.monotonic() - began_s
        _say("", "Ending: sensors, daemon, broker ...")
        run.wind_down()
        books = run.books()
        wrong += run.wrong
        verified = run.verified
    if books is not None:
        wrong += books.wrong
        if lasted_s >= ALARM_WITHIN_S and not books.raised_and_cleared:
            wrong.append(f"no alarm was raised and cleared again within {lasted_s:.0f} s")
        _say(*summary(books, lasted_s, verified=verified))
    return wrong


def summary(books: Books, lasted_s: float, *, verified: bool) -> list[str]:
    """The run in a few lines."""
    verdict = "every one of them is in the journal, once" if not books.wrong else "see below"
    again = f" ({books.again} of them sent again)" if books.again else ""
    heard = f"{books.acknowledged} acknowledged to the sensors{again}, {books.recorded} on record"
    return [
        f"After {lasted_s:.0f} s:",
        f"  readings      {heard}: {verdict}",
        f"  samples       {books.samples}",
        f"  alarms        {books.raised} raised, {books.cleared} cleared, {books.active} still active",
        *(f"                raised and cleared: {alarm}" for alarm in books.raised_and_cleared),
        f"  dead letters  {books.dead_letters}",
        f"  to deliver    {books.backlog}",
        f"  journal       {'verified' if verified else 'see below'}",
    ]


def _say(*lines: str) -> None:
    print(*lines, sep="\n", flush=True)
