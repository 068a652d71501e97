"""What the simulator's commands share: options, errors as sentences, files, signals, the progress line."""

from __future__ import annotations

import contextlib
import signal
import sys
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from threading import Event
from typing import Annotated, NoReturn, TextIO, overload

import typer

from motewatch.links.site_file import SiteFileError
from motewatch_simulator.clock import micros
from motewatch_simulator.errors import ScenarioError, SimulatorError, StreamError

Seed = Annotated[int | None, typer.Option(min=0, help="Seed of the stream; absent: the scenario's.")]
PhysicsSpeed = Annotated[
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
Passwords = Annotated[
    Path | None,
    typer.Option(
        help="Folder with a file for each sensor, named by its id, holding its password: each comes under its own "
        "account, as a broker wants it that allows an account one connection."
    ),
]
CaFile = Annotated[Path | None, typer.Option(help="Certificate authority of the broker; turns TLS on.")]
Quiet = Annotated[bool, typer.Option("--quiet", help="No progress line.")]


@overload
def secret(path: Path) -> str: ...


@overload
def secret(path: None) -> None: ...


def secret(path: Path | None) -> str | None:
    """The password in a file. Raises `StreamError` where it cannot be read."""
    if path is None:
        return None
    try:
        return path.read_text(encoding="utf-8").strip()
    except OSError as error:
        raise StreamError(f"{path}: the password file cannot be read: {error.strerror}") from None


def instant(text: str) -> int:
    """Microseconds UTC of an instant with its time zone."""
    try:
        at = datetime.fromisoformat(text)
    except ValueError:
        at = None
    if at is None or at.tzinfo is None:
        raise StreamError(f'--start "{text}" is no instant. Write it as 2026-01-01T06:00:00Z.')
    return micros(at)


@contextlib.contextmanager
def output(path: Path) -> Iterator[TextIO]:
    """A text file to write; - is the terminal."""
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
def sentences() -> Iterator[None]:
    """Errors as sentences on stderr: 2 for mistakes in files, 1 for what went wrong while running."""
    try:
        yield
    except (SiteFileError, ScenarioError) as error:
        fail(str(error), 2)
    except SimulatorError as error:
        fail(str(error), 1)
    except BrokenPipeError:
        # Whoever read our output has enough.
        raise typer.Exit(0) from None


def fail(text: str, status: int) -> NoReturn:
    """End with a sentence."""
    sys.stderr.write(text + "\n")
    raise typer.Exit(status)


def stopped_by_signal() -> Event:
    """Set by SIGTERM and SIGINT; a second signal ends the process at once."""
    stop = Event()

    def ask(number: int, _frame: object) -> None:
        stop.set()
        signal.signal(number, signal.SIG_DFL)

    signal.signal(signal.SIGTERM, ask)
    signal.signal(signal.SIGINT, ask)
    return stop


def silent(_: object) -> None:
    """No progress."""


def line(text: str) -> None:
    """One line that is overwritten on a terminal, and a line each elsewhere."""
    if sys.stderr.isatty():
        sys.stderr.write(f"\r\x1b[K{text}")
    else:
        sys.stderr.write(text + "\n")
    sys.stderr.flush()
