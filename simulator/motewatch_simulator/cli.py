"""`motewatch-simulator`: the command line. It parses, calls, and turns errors into sentences; nothing else."""

from __future__ import annotations

import contextlib
import json
import sys
from dataclasses import asdict
from pathlib import Path
from typing import Annotated

import typer

from motewatch_simulator import cli_play, cli_score, cli_study
from motewatch_simulator import load as load_test
from motewatch_simulator.cli_words import (
    PasswordFile,
    Quiet,
    Username,
    line,
    output,
    secret,
    sentences,
    silent,
    stopped_by_signal,
)
from motewatch_simulator.clock import Clock
from motewatch_simulator.errors import StreamError
from motewatch_simulator.lean import LeanPublisher
from motewatch_simulator.simulation import boot_id

app = typer.Typer(
    help="Plays particle counters in controlled rooms: mass balance, Poisson counts, climate, incidents, over MQTT.",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)

app.command()(cli_play.run)
app.command()(cli_play.write)
app.command()(cli_play.check)
app.command()(cli_score.truth)
app.command()(cli_score.score)
app.command()(cli_study.study)


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
    with sentences():
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
                note = load_test.log_to(stack.enter_context(output(log)), plan, clock)
            publisher = LeanPublisher(
                host,
                port,
                f"load-{plan.boot}",
                clock,
                acknowledged=note or (lambda _: None),
                resend_s=resend_s,
                username=username,
                password=secret(password_file),
            )
            result = load_test.publish(
                plan,
                publisher,
                clock,
                stopped_by_signal(),
                rate=None if rate == 0 else rate,
                messages=total,
                progress=silent if quiet or as_json else _show_load,
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
    with sentences(), output(out) as file:
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


def _show_load(now: load_test.LoadResult) -> None:
    rate = now.acknowledged / now.seconds if now.seconds else 0.0
    line(
        f"{now.seconds:6.0f} s  {now.made} made, {now.acknowledged} acknowledged ({rate:.0f}/s), "
        f"{now.waiting} waiting, {now.resent} sent again, {now.unheard} heard by nobody, {now.refused} refused, "
        f"{now.connections} connections"
    )
