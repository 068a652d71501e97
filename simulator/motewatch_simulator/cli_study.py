"""The command `study`: an engineer's questions about a room before it is built."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from motewatch_simulator.cli_words import Quiet, fail, sentences, stopped_by_signal
from motewatch_simulator.study.command import run_study, show
from motewatch_simulator.study.model import MOST_DRAWS, MOST_MONTHS, MOST_RUNS, MOST_SEED
from motewatch_simulator.study.spread import Stopped

INTERRUPTED = 130
"""Exit status after Ctrl-C, as shells have it."""

INSTEAD = "Instead of the file's."


def study(
    room: Annotated[Path, typer.Argument(metavar="ROOM", help="The room as it is planned (TOML).")],
    report: Annotated[Path | None, typer.Option(help="Write the printable report (HTML, A4).")] = None,
    as_json: Annotated[Path | None, typer.Option("--json", help="Write every figure as JSON.")] = None,
    workers: Annotated[
        str | None, typer.Option(help="Processes, or a Dask cluster as tcp://host:port; absent: all cores.")
    ] = None,
    resume: Annotated[
        Path | None, typer.Option(help="Keep what is done in this file, and go on from it after an interruption.")
    ] = None,
    months: Annotated[int | None, typer.Option(min=1, max=MOST_MONTHS, help=INSTEAD)] = None,
    runs: Annotated[int | None, typer.Option(min=10, max=MOST_RUNS, help=INSTEAD)] = None,
    draws: Annotated[int | None, typer.Option(min=100, max=MOST_DRAWS, help=INSTEAD)] = None,
    seed: Annotated[int | None, typer.Option(min=0, max=MOST_SEED, help=INSTEAD)] = None,
    quiet: Quiet = False,
) -> None:
    """Answer what a planned room will do: class held, air needed, recovery, counters, sample period and rule.

    The answers depend on the file and its seed alone, on any number of workers. A study is no qualification.
    """
    stop = stopped_by_signal()
    given = {"months": months, "runs": runs, "draws": draws, "seed": seed}
    with sentences():
        try:
            text = run_study(
                room,
                workers=workers,
                resume=resume,
                report=report,
                as_json=as_json,
                changes={key: value for key, value in given.items() if value is not None},
                stop=stop,
                progress=_silent if quiet else show,
            )
        except Stopped as stopped:
            on = f" The same command goes on from {resume}." if resume else " With --resume FILE it could go on."
            fail(f"\n{stopped}.{on}", INTERRUPTED)
        sys.stdout.write(text)


def _silent(done: int, total: int) -> None:
    """No progress."""
