"""The commands that look behind a stream: `truth` (what was really so) and `score` (whether it was told)."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Annotated

import typer

from motewatch_simulator.cli_play import ScenarioFiles, opened, simulated
from motewatch_simulator.cli_words import PhysicsSpeed, Quiet, Seed, instant, line, output, sentences, silent
from motewatch_simulator.clock import iso
from motewatch_simulator.score import Score
from motewatch_simulator.score_text import markdown, remarks, table
from motewatch_simulator.scoring import drawn, score_play, true_of
from motewatch_simulator.timeline import SECOND_US
from motewatch_simulator.truth import to_line

Start = Annotated[
    str | None, typer.Option(help="Start of the stream, ISO 8601 with time zone; absent: the scenario's.")
]
Seconds = Annotated[float | None, typer.Option(min=1.0, help="Length of the stream; absent: the scenario's.")]


def truth(
    scenario: ScenarioFiles,
    out: Annotated[Path, typer.Option(help="File to write (JSON lines); - is the terminal.")] = Path("-"),
    start: Start = None,
    seconds: Seconds = None,
    seed: Seed = None,
    physics_speed: PhysicsSpeed = None,
) -> None:
    """Say what is really so in a stream, and when: incidents, misbehaving sensors, true air beyond a level.

    One JSON object a line: v, kind, what, subject, start, end (null: not over with the stream), detail.
    """
    with sentences():
        piece = opened(scenario)
        start_us = piece.start_us if start is None else instant(start)
        simulation = simulated(piece, seed, start_us, physics_speed)
        end_us = start_us + piece.length_us(seconds)
        drawn(simulation.emissions(), end_us)
        rows = true_of(simulation, end_us)
        with output(out) as file:
            file.writelines(to_line(row) + "\n" for row in rows)


def score(
    scenario: ScenarioFiles,
    start: Start = None,
    seconds: Seconds = None,
    seed: Seed = None,
    physics_speed: PhysicsSpeed = None,
    as_markdown: Annotated[bool, typer.Option("--markdown", help="The table as Markdown, alone.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Everything as one JSON object.")] = False,
    quiet: Quiet = False,
) -> None:
    """Run the daemon's own engine over the stream and hold its alarms against the truth.

    Found, missed, false and the delay until it was known, for each kind of incident. `delay` is the median.
    """
    with sentences():
        piece = opened(scenario)
        start_us = piece.start_us if start is None else instant(start)
        end_us = start_us + piece.length_us(seconds)
        told_us = start_us

        def show(at_us: int) -> None:
            nonlocal told_us
            if at_us - told_us >= (end_us - start_us) / 20 or at_us == end_us:
                told_us = at_us
                line(f"{100 * (at_us - start_us) / (end_us - start_us):3.0f} % judged")

        hidden = quiet or not sys.stderr.isatty()
        result = score_play(
            piece, simulated(piece, seed, start_us, physics_speed), start_us, end_us, silent if hidden else show
        )
        if not hidden:
            sys.stderr.write("\n")
        if as_json:
            sys.stdout.write(json.dumps(_body(result, start_us, end_us)) + "\n")
            return
        lines = markdown(result) if as_markdown else [*table(result), *_behind(result, start_us)]
        sys.stdout.write("\n".join(lines) + "\n")


def _behind(result: Score, start_us: int) -> list[str]:
    found = remarks(result, start_us)
    return ["", *found] if found else []


def _body(result: Score, start_us: int, end_us: int) -> dict[str, object]:
    return {
        "start": iso(start_us),
        "end": iso(end_us),
        "rows": [
            {
                "kind": None if one.kind is None else one.kind.value,
                "what": one.what,
                "happened": one.happened,
                "found": one.found,
                "missed": one.missed,
                "open": one.open,
                "false": one.false,
                "delays_s": [us / SECOND_US for us in one.delays_us],
                "told_by": dict(one.told_by),
            }
            for one in result.lines
        ],
        "alarms": result.alarms,
        "explained": result.explained,
        "missed": [json.loads(to_line(one)) for one in result.missed],
        "false": [{"alarm": a.alarm, "found": iso(a.found_us), "because_of": word} for a, word in result.false],
    }
