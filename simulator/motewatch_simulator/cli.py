"""`motewatch-simulator`: the command line. It parses, calls, and turns errors into sentences; nothing else."""

from __future__ import annotations

import contextlib
import json
import signal
import sys
from collections.abc import Iterator
from dataclasses import asdict
from datetime import datetime
from pathlib import Path
from threading import Event
from typing import Annotated, NoReturn, TextIO

import numpy as np
import typer

from motewatch.links.site_file import SiteFileError, load_site
from motewatch.site.models import Site
from motewatch.wire.topics import Topics
from motewatch_simulator import load as load_test
from motewatch_simulator.clock import Clock, micros
from motewatch_simulator.errors import ScenarioError, SimulatorError, StreamError
from motewatch_simulator.fleet import Fleet
from motewatch_simulator.lean import LeanPublisher
from motewatch_simulator.link import Address
from motewatch_simulator.run import Progress, play
from motewatch_simulator.run import write as write_stream
from motewatch_simulator.scenario import Scenario
from motewatch_simulator.scenario_file import load_scenario
from motewatch_simulator.simulation import Simulation, boot_id

app = typer.Typer(
    help="Plays particle counters in controlled rooms: mass balance, Poisson counts, climate, incidents, over MQTT.",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)

SitePath = Annotated[Path, typer.Argument(metavar="SITE", help="Site file (TOML): rooms, locations, sensors.")]
ScenarioPath = Annotated[
    Path, typer.Argument(metavar="SCENARIO", help="Scenario file (TOML): plant, people, incidents.")
]
Seed = Annotated[int | None, typer.Option(min=0, help="Seed of the stream; absent: the scenario's.")]
Speed = Annotated[
    float | None,
    typer.Option(
        min=0.001,
        max=1000.0,
        help="How much faster the rooms run than the sensors' clocks: recovery, people, doors. Counts stay true: "
        "concentration x flow x real duration. Absent: the scenario's.",
    ),
]
Host = Annotated[str | None, typer.Option(help="Broker; absent: the site file's.")]
Port = Annotated[int | None, typer.Option(min=1, max=65_535, help="Its port; absent: the site file's.")]
Username = Annotated[str | None, typer.Option(help="User name at the broker.")]
PasswordFile = Annotated[Path | None, typer.Option(help="File with the password at the broker.")]
CaFile = Annotated[Path | None, typer.Option(help="Certificate authority of the broker; turns TLS on.")]
Quiet = Annotated[bool, typer.Option("--quiet", help="No progress line.")]


@app.command()
def run(
    site: SitePath,
    scenario: ScenarioPath,
    host: Host = None,
    port: Port = None,
    seconds: Annotated[float | None, typer.Option(min=0.1, help="Stop after so long; absent: on a signal.")] = None,
    seed: Seed = None,
    physics_speed: Speed = None,
    log: Annotated[
        Path | None, typer.Option(help="Write a JSON line for each count message that the broker acknowledged.")
    ] = None,
    username: Username = None,
    password_file: PasswordFile = None,
    ca_file: CaFile = None,
    quiet: Quiet = False,
) -> None:
    """Publish in real time, as the site's sensors would, until stopped.

    Ends with exit status 1 if a message was refused, forgotten or never acknowledged.
    """
    with _sentences():
        facility, story = _load(site, scenario)
        clock = Clock()
        start_us = clock.now_us()
        address = Address(
            host or facility.service.broker.host,
            port or facility.service.broker.port,
            username,
            _secret(password_file),
            ca_file is not None,
            None if ca_file is None else str(ca_file),
        )
        simulation = _simulation(facility, story, seed, start_us, physics_speed)
        with contextlib.ExitStack() as stack:
            out = None if log is None else stack.enter_context(_output(log))
            fleet = Fleet(
                address,
                Topics(facility.service.topic_root, facility.site.id),
                [sensor.id for sensor in facility.sensors],
                story.keeping,
                clock,
                run_id=boot_id(start_us),
                log=out,
            )
            end = play(
                simulation.emissions(),
                fleet,
                clock,
                _stopped_by_signal(),
                start_us=start_us,
                seconds=seconds,
                progress=_silent if quiet else _show,
            )
        if not quiet:
            _show(end)
            sys.stderr.write("\n")
        if end.refused or end.forgotten or end.waiting:
            raise StreamError(
                f"{end.refused} messages refused, {end.forgotten} forgotten, {end.waiting} not acknowledged"
            )


@app.command()
def write(
    site: SitePath,
    scenario: ScenarioPath,
    out: Annotated[Path, typer.Argument(metavar="OUT", help="File to write (JSON lines); - is the terminal.")],
    start: Annotated[str, typer.Option(help="Start of the stream, ISO 8601 with time zone: 2026-01-01T06:00:00Z.")],
    seconds: Annotated[float, typer.Option(min=0.001, help="Length of the stream on the sensors' clocks.")],
    seed: Seed = None,
    physics_speed: Speed = None,
) -> None:
    """Write the same stream into a file at full speed.

    Each line has `at`, `topic`, `retain` and `payload`. The same site, scenario, seed and start give the same file.
    """
    with _sentences():
        facility, story = _load(site, scenario)
        start_us = _instant(start)
        simulation = _simulation(facility, story, seed, start_us, physics_speed)
        topics = Topics(facility.service.topic_root, facility.site.id)
        end_us = start_us + round(seconds * 1_000_000)
        with _output(out) as file:
            lines = write_stream(simulation.emissions(), topics, file, end_us)
        sys.stderr.write(f"{lines} messages\n")


@app.command()
def check(scenario: ScenarioPath, site: SitePath) -> None:
    """Say every mistake in a scenario, against its site."""
    with _sentences():
        facility, story = _load(site, scenario)
        sys.stdout.write(
            f"{scenario.name}: no mistakes. {len(story.rooms)} rooms, {len(facility.sensors)} sensors, "
            f"{len(story.incidents)} incidents.\n"
        )


@app.command()
def load(
    sensors: Annotated[int, typer.Option(min=1, max=9_999, help="Synthetic sensors.")],
    rate: Annotated[float, typer.Option(min=0, help="Messages per second in all; 0: as fast as the broker takes.")],
    seconds: Annotated[float, typer.Option(min=0.1, help="For so long (with --rate 0: see --messages).")] = 10.0,
    messages: Annotated[int | None, typer.Option(min=1, help="So many messages instead of --seconds.")] = None,
    host: Annotated[str, typer.Option(help="Broker.")] = "127.0.0.1",
    port: Annotated[int, typer.Option(min=1, max=65_535, help="Its port.")] = 1883,
    log: Annotated[
        Path | None, typer.Option(help="Write a JSON line for each message that the broker acknowledged.")
    ] = None,
    resend_s: Annotated[
        float, typer.Option(min=0, help="After a reconnection send what is younger than this again.")
    ] = 30.0,
    excursions: Annotated[
        bool, typer.Option("--excursions/--calm", help="Now and then each sensor goes beyond the levels.")
    ] = True,
    username: Username = None,
    password_file: PasswordFile = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print the result as JSON.")] = False,
    quiet: Quiet = False,
) -> None:
    """Publish valid count messages of many synthetic sensors, for benchmarks and crash tests.

    Each sensor sends a reading every SENSORS / RATE seconds. `load-site` makes the site file that fits. With --rate 0
    readings last one second each and lie in the past.
    """
    with _sentences():
        clock = Clock()
        if rate == 0 and messages is None:
            raise StreamError("--rate 0 needs --messages")
        total = messages if messages is not None else round(seconds * rate)
        interval_us = 1_000_000 if rate == 0 else max(1, round(sensors / rate * 1_000_000))
        now_us = clock.now_us()
        # A reading is published when it ends; flat out they must not lie in the future.
        rounds = -(-total // sensors) if rate == 0 else 0
        plan = load_test.LoadPlan(
            sensors, interval_us, now_us - interval_us * (1 + rounds), boot_id(now_us), excursions=excursions
        )
        with contextlib.ExitStack() as stack:
            note = None
            if log is not None:
                note = load_test.log_to(stack.enter_context(_output(log)), plan, clock)
            publisher = LeanPublisher(
                host,
                port,
                f"load-{plan.boot}",
                clock,
                acknowledged=note or (lambda _: None),
                resend_s=resend_s,
                username=username,
                password=_secret(password_file),
            )
            result = load_test.publish(
                plan,
                publisher,
                clock,
                _stopped_by_signal(),
                rate=None if rate == 0 else rate,
                messages=total,
                progress=_silent if quiet or as_json else _show_load,
            )
        if as_json:
            sys.stdout.write(json.dumps({"boot": plan.boot, **asdict(result)}) + "\n")
        elif not quiet:
            _show_load(result)
            sys.stderr.write("\n")
        if result.refused or result.waiting:
            raise StreamError(f"{result.refused} messages refused, {result.waiting} not acknowledged")


@app.command("load-site")
def load_site_file(
    sensors: Annotated[int, typer.Option(min=1, max=9_999, help="Synthetic sensors.")],
    out: Annotated[Path, typer.Option(help="Site file to write; - is the terminal.")],
    interval_s: Annotated[
        float, typer.Option(min=0.001, help="How often each sensor sends: sensors / rate of `load`.")
    ] = 1.0,
    period_s: Annotated[float, typer.Option(min=1, help="Sample period.")] = 60.0,
    each_reading: Annotated[bool, typer.Option("--each-reading", help="Each reading is a sample.")] = False,
    host: Annotated[str, typer.Option(help="Broker of the daemon.")] = "127.0.0.1",
    port: Annotated[int, typer.Option(min=1, max=65_535, help="Its port.")] = 1883,
    journal: Annotated[str, typer.Option(help="Journal of the daemon, relative to the site file.")] = "motewatch.db",
    time_series_url: Annotated[str | None, typer.Option(help="Time-series server of the daemon.")] = None,
) -> None:
    """Write the site file for `load`: one location per sensor, ten to a room, levels at 0.5 um."""
    with _sentences(), _output(out) as file:
        file.write(
            load_test.site_text(
                sensors,
                interval_s=interval_s,
                period_s=period_s,
                each_reading=each_reading,
                host=host,
                port=port,
                journal=journal,
                time_series_url=time_series_url,
            )
        )


def main() -> None:
    """Entry point of the installed script."""
    app()


def _load(site: Path, scenario: Path) -> tuple[Site, Scenario]:
    facility = load_site(site)
    return facility, load_scenario(scenario, facility)


def _simulation(site: Site, scenario: Scenario, seed: int | None, start_us: int, speed: float | None) -> Simulation:
    rng = np.random.default_rng(scenario.scenario.seed if seed is None else seed)
    return Simulation(site, scenario, rng=rng, start_us=start_us, physics_speed=speed)


def _secret(path: Path | None) -> str | None:
    if path is None:
        return None
    try:
        return path.read_text(encoding="utf-8").strip()
    except OSError as error:
        raise StreamError(f"{path}: the password file cannot be read: {error.strerror}") from None


def _instant(text: str) -> int:
    try:
        instant = datetime.fromisoformat(text)
    except ValueError:
        instant = None
    if instant is None or instant.tzinfo is None:
        raise StreamError(f'--start "{text}" is no instant. Write it as 2026-01-01T06:00:00Z.')
    return micros(instant)


@contextlib.contextmanager
def _output(path: Path) -> Iterator[TextIO]:
    if str(path) == "-":
        yield sys.stdout
        return
    try:
        file = path.open("w", encoding="utf-8", newline="\n")
    except OSError as error:
        raise StreamError(f"{path}: cannot be written: {error.strerror}") from None
    with file:
        yield file


@contextlib.contextmanager
def _sentences() -> Iterator[None]:
    """Errors as sentences on stderr: 2 for mistakes in files, 1 for what went wrong while running."""
    try:
        yield
    except (SiteFileError, ScenarioError) as error:
        _fail(str(error), 2)
    except SimulatorError as error:
        _fail(str(error), 1)
    except BrokenPipeError:
        # Whoever read our output has enough.
        raise typer.Exit(0) from None


def _fail(text: str, status: int) -> NoReturn:
    sys.stderr.write(text + "\n")
    raise typer.Exit(status)


def _stopped_by_signal() -> Event:
    """Set by SIGTERM and SIGINT; a second signal ends the process at once."""
    stop = Event()

    def ask(number: int, _frame: object) -> None:
        stop.set()
        signal.signal(number, signal.SIG_DFL)

    signal.signal(signal.SIGTERM, ask)
    signal.signal(signal.SIGINT, ask)
    return stop


def _silent(_: object) -> None:
    """No progress."""


def _show(now: Progress) -> None:
    trouble = f"; {now.trouble}" if now.trouble else ""
    lost = f", {now.unheard} heard by nobody" * bool(now.unheard)
    lost += f", {now.refused} refused" * bool(now.refused) + f", {now.forgotten} forgotten" * bool(now.forgotten)
    _line(
        f"{now.elapsed_s:6.0f} s  {now.connected}/{now.connections} connected, {now.sent} sent, "
        f"{now.acknowledged} acknowledged, {now.waiting} waiting{lost}{trouble}"
    )


def _show_load(now: load_test.LoadResult) -> None:
    rate = now.acknowledged / now.seconds if now.seconds else 0.0
    _line(
        f"{now.seconds:6.0f} s  {now.made} made, {now.acknowledged} acknowledged ({rate:.0f}/s), "
        f"{now.waiting} waiting, {now.resent} sent again, {now.unheard} heard by nobody, {now.refused} refused, "
        f"{now.connections} connections"
    )


def _line(text: str) -> None:
    """One line that is overwritten on a terminal, and a line each elsewhere."""
    if sys.stderr.isatty():
        sys.stderr.write(f"\r\x1b[K{text}")
    else:
        sys.stderr.write(text + "\n")
    sys.stderr.flush()
