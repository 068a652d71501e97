"""The commands that play a scenario: `run` on a broker, `write` into a file, `check`.

Each takes the scenario, and before it the site file where the scenario does not name its own.
"""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Annotated

import numpy as np
import typer

from motewatch.wire.topics import Topics
from motewatch_simulator.bulk import BulkSimulation
from motewatch_simulator.cli_words import (
    CaFile,
    Host,
    PasswordFile,
    Passwords,
    PhysicsSpeed,
    Port,
    Quiet,
    Seed,
    Username,
    instant,
    line,
    output,
    secret,
    sentences,
    silent,
    stopped_by_signal,
)
from motewatch_simulator.clock import Clock
from motewatch_simulator.errors import StreamError
from motewatch_simulator.files import wants_parquet, write_counts, write_parquet
from motewatch_simulator.fleet import Fleet
from motewatch_simulator.library import Play, open_play
from motewatch_simulator.link import Address
from motewatch_simulator.run import Progress, play
from motewatch_simulator.run import write as write_lines
from motewatch_simulator.scoring import true_of
from motewatch_simulator.simulation import boot_id
from motewatch_simulator.study.file import is_study, load_study
from motewatch_simulator.timeline import Timeline
from motewatch_simulator.truth import to_line

ScenarioFiles = Annotated[
    list[Path],
    typer.Argument(
        metavar="[SITE] SCENARIO",
        help="Scenario file (TOML): plant, people, incidents. Before it its site file, where it names none.",
    ),
]


def run(
    scenario: ScenarioFiles,
    host: Host = None,
    port: Port = None,
    seconds: Annotated[
        float | None,
        typer.Option(min=0.1, help="Stop after so long; absent: after the scenario's length_s, else on a signal."),
    ] = None,
    speed: Annotated[
        float,
        typer.Option(
            min=1.0,
            max=1000.0,
            help="How much faster than real time. Faster the stream lies in the past, ends now, and needs a length: "
            "who hears it sees sensors that send late and catch up.",
        ),
    ] = 1.0,
    seed: Seed = None,
    physics_speed: PhysicsSpeed = None,
    log: Annotated[
        Path | None, typer.Option(help="Write a JSON line for each count message that the broker acknowledged.")
    ] = None,
    truth: Annotated[
        Path | None, typer.Option(help="Write what was really so meanwhile, as the command `truth` does.")
    ] = None,
    username: Username = None,
    password_file: PasswordFile = None,
    passwords: Passwords = None,
    ca_file: CaFile = None,
    quiet: Quiet = False,
) -> None:
    """Publish as the site's sensors would, in real time or faster, until the end or until stopped.

    Ends with exit status 1 if a message was refused, forgotten or never acknowledged, or if no broker ever answered.
    """
    with sentences():
        piece = opened(scenario)
        site, story = piece.site, piece.scenario
        length_s = story.scenario.length_s if seconds is None else seconds
        clock = Clock()
        now_us = clock.now_us()
        # What is sent faster than it is measured must lie in the past, or the sensors' clocks would be ahead.
        start_us = now_us if speed == 1.0 else now_us - piece.length_us(seconds)
        address = Address(
            host or site.service.broker.host,
            port or site.service.broker.port,
            username,
            secret(password_file),
            ca_file is not None,
            None if ca_file is None else str(ca_file),
        )
        accounts = None if passwords is None else {each.id: secret(passwords / each.id) for each in site.sensors}
        simulation = simulated(piece, seed, start_us, physics_speed)
        show = silent if quiet else _shows(Timeline(story.incidents, start_us, story.scenario.repeat_s), length_s)
        with contextlib.ExitStack() as stack:
            out = None if log is None else stack.enter_context(output(log))
            fleet = Fleet(
                address,
                Topics(site.service.topic_root, site.site.id),
                [sensor.id for sensor in site.sensors],
                story.keeping,
                clock,
                run_id=boot_id(now_us),
                log=out,
                passwords=accounts,
            )
            end = play(
                simulation.emissions(),
                fleet,
                clock,
                stopped_by_signal(),
                start_us=start_us,
                seconds=length_s,
                speed=speed,
                progress=show,
            )
        if not quiet:
            show(end)
            sys.stderr.write("\n")
        if truth is not None:
            with output(truth) as file:
                file.writelines(to_line(row) + "\n" for row in true_of(simulation, end.stream_us))
        if fleet.tally.connections == 0:
            raise StreamError(
                f"no connection came up: {end.trouble or 'the run was too short'}. Check --host and --port."
            )
        if end.refused or end.forgotten or end.waiting:
            raise StreamError(
                f"{end.refused} messages refused, {end.forgotten} forgotten, {end.waiting} not acknowledged"
            )


def write(
    scenario: Annotated[
        list[Path],
        typer.Argument(
            metavar="[SITE] SCENARIO OUT",
            help="Scenario file, before it its site file where it names none, and the file to write: Parquet where its "
            "name ends in .parquet, else JSON lines; - is the terminal.",
        ),
    ],
    start: Annotated[
        str | None,
        typer.Option(
            help="Start of the stream, ISO 8601 with time zone: 2026-01-01T06:00:00Z. Absent: the scenario's."
        ),
    ] = None,
    seconds: Annotated[
        float | None,
        typer.Option(min=0.001, help="Length of the stream on the sensors' clocks; absent: the scenario's."),
    ] = None,
    seed: Seed = None,
    physics_speed: PhysicsSpeed = None,
    counts_only: Annotated[
        bool,
        typer.Option(
            "--counts-only",
            help="Parquet with the same counts, differential and without climate: many times faster, for months. Only "
            "for counters that stay and are in order.",
        ),
    ] = False,
) -> None:
    """Write the same stream into a file at full speed.

    JSON lines have `at`, `topic`, `retain` and `payload`; Parquet has a row for each count message. The same site,
    scenario, seed and start give the same file.
    """
    with sentences():
        *files, out = scenario
        if not files:
            raise StreamError(f"{out}: the file to write is missing. Give the scenario first, then the file.")
        piece = opened(files)
        start_us = piece.start_us if start is None else instant(start)
        end_us = start_us + piece.length_us(seconds)
        simulation = simulated(piece, seed, start_us, physics_speed)
        if counts_only:
            if not wants_parquet(out):
                raise StreamError(f"{out}: --counts-only writes Parquet. Give a name that ends in .parquet.")
            sys.stderr.write(f"{write_counts(simulation.blocks(end_us), out)} rows\n")
            return
        if wants_parquet(out):
            sys.stderr.write(f"{write_parquet(simulation.emissions(), out, end_us)} rows\n")
            return
        topics = Topics(piece.site.service.topic_root, piece.site.site.id)
        with output(out) as file:
            lines = write_lines(simulation.emissions(), topics, file, end_us)
        sys.stderr.write(f"{lines} messages\n")


def check(scenario: ScenarioFiles) -> None:
    """Say every mistake in a scenario, against its site; or in a room to study, which needs no site."""
    with sentences():
        if len(scenario) == 1 and is_study(scenario[0]):
            study = load_study(scenario[0])
            sys.stdout.write(
                f"{scenario[0].name}: no mistakes. {_number(study.positions, 'place')}, "
                f"{_number(study.incidents, 'incident')}, {_number(study.rules, 'rule')}.\n"
            )
            return
        piece = opened(scenario)
        sys.stdout.write(
            f"{piece.scenario_path.name}: no mistakes. {_number(piece.scenario.rooms, 'room')}, "
            f"{_number(piece.site.sensors, 'sensor')}, {_number(piece.scenario.incidents, 'incident')}.\n"
        )


def _number(of: Sequence[object], what: str) -> str:
    return f"{len(of)} {what}" + ("" if len(of) == 1 else "s")


def opened(files: list[Path]) -> Play:
    """The scenario named last, with the site named before it or by it."""
    if len(files) > 2:
        raise StreamError(f"{len(files)} files are named. Give the scenario, and before it its site file at most.")
    return open_play(files[-1], files[0] if len(files) == 2 else None)


def simulated(piece: Play, seed: int | None, start_us: int, physics_speed: float | None = None) -> BulkSimulation:
    """The stream of a scenario from an instant on, to be drawn message by message or in blocks."""
    rng = np.random.default_rng(piece.scenario.scenario.seed if seed is None else seed)
    return BulkSimulation(piece.site, piece.scenario, rng=rng, start_us=start_us, physics_speed=physics_speed)


def _shows(timeline: Timeline, length_s: float | None) -> Callable[[Progress], None]:
    """The progress line of a run, with what goes on at the moment."""

    def show(now: Progress) -> None:
        of = "" if length_s is None else f" of {length_s:.0f}"
        trouble = f"; {now.trouble}" if now.trouble else ""
        lost = f", {now.unheard} heard by nobody" * bool(now.unheard)
        lost += f", {now.refused} refused" * bool(now.refused) + f", {now.forgotten} forgotten" * bool(now.forgotten)
        active = ", ".join(dict.fromkeys(one.incident.kind for one in timeline.active(now.stream_us)))
        line(
            f"{now.stream_s:6.0f}{of} s  {now.connected}/{now.connections} connected, {now.sent} sent, "
            f"{now.acknowledged} acknowledged, {now.waiting} waiting{lost}{trouble}"
            + (f"  [{active}]" if active else "")
        )

    return show
