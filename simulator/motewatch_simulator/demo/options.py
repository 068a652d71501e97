"""What can be chosen for a demo run."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Literal, cast

DESCRIPTION = """\
Runs a broker, the motewatch daemon and simulated particle counters on this machine, and shows what the daemon sees. An
excursion raises an alarm within the first minute and is seen to clear.
"""

EPILOG = """\
Ctrl-C ends the demo too: the sensors stop, the daemon finishes, and the books are balanced as after --seconds.
Exit status: 0 when every acknowledged reading is in the journal once and nothing went wrong, 1 otherwise, 2 for a
wrong argument.
"""


@dataclass(frozen=True, slots=True)
class Story:
    """Which demo it is: the files in the folder of configurations, and whether the truth is written beside."""

    site: str
    scenario: str
    truth: bool = False


@dataclass(frozen=True, slots=True)
class Options:
    """The choices. `seconds` None: until Ctrl-C. `keep` None: a temporary folder, removed when all went well."""

    seconds: float | None
    broker: Literal["auto", "mosquitto", "iotcore"]
    keep: Path | None
    config: Path
    plain: bool
    story: Story


MAIN_JOB: Final = Story("demo-site.toml", "demo-scenario.toml")
"""The demo of the main job."""


def parse(arguments: Sequence[str] | None) -> Options:
    """Read the arguments; exits with status 2 and a sentence for a wrong one."""
    parser = _parser("demo", DESCRIPTION, EPILOG, MAIN_JOB)
    parser.add_argument(
        "--seconds", type=_seconds, metavar="N", help="end after N seconds with a summary (default: at Ctrl-C)"
    )
    parser.add_argument("--plain", action="store_true", help="lines instead of the live view")
    return _options(parser, arguments, MAIN_JOB)


def parse_day(arguments: Sequence[str] | None, day: Story, length_s: float, text: tuple[str, str]) -> Options:
    """The same for the demo day, which lasts so long by itself; `text` is its description and its epilogue."""
    parser = _parser("demo-day", *text, day)
    parser.add_argument(
        "--seconds", type=_seconds, metavar="N", default=length_s, help="end after N seconds (default: %(default)g)"
    )
    parser.set_defaults(plain=True)
    return _options(parser, arguments, day)


def _parser(program: str, description: str, epilog: str, story: Story) -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog=program,
        description=description,
        epilog=epilog,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument(
        "--broker",
        choices=("auto", "mosquitto", "iotcore"),
        default="auto",
        help="auto: mosquitto where it is installed, else the broker from PyPI (iotcore)",
    )
    parser.add_argument("--keep", type=Path, metavar="DIR", help="write the journal and the logs here and leave them")
    parser.add_argument(
        "--config",
        type=Path,
        default=Path("config"),
        metavar="DIR",
        help=f"folder with {story.site} and {story.scenario} (default: %(default)s)",
    )
    return parser


def _options(parser: argparse.ArgumentParser, arguments: Sequence[str] | None, story: Story) -> Options:
    given = parser.parse_args(arguments)
    for name in (story.site, story.scenario):
        if not (given.config / name).is_file():
            parser.error(f"there is no {name} in {given.config}; name the repository's config folder by --config")
    if given.keep is not None and (given.keep / "motewatch.db").exists():
        parser.error(f"{given.keep} holds the journal of an earlier run; name another folder by --keep, or remove it")
    return Options(
        seconds=given.seconds,
        broker=cast("Literal['auto', 'mosquitto', 'iotcore']", given.broker),
        keep=given.keep,
        config=given.config.resolve(),
        plain=given.plain,
        story=story,
    )


def _seconds(text: str) -> float:
    try:
        seconds = float(text)
    except ValueError:
        seconds = 0.0
    if not 1 <= seconds <= 1_000_000:
        raise argparse.ArgumentTypeError(f"{text!r} is not a number of seconds from 1 to 1000000")
    return seconds
