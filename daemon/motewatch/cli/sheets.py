"""What the tests of a room share: the class asked for, where the samples come from, who tested, and the report."""

from __future__ import annotations

from collections.abc import Sequence
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from motewatch.cli.limits import GradeLetter
from motewatch.links.clock import Clock
from motewatch.site.models import Location, Occupancy, Site
from motewatch.wire.messages import instant

if TYPE_CHECKING:
    from motewatch.limits.classification import Edition, Target

MOST_SAMPLES = 1_000_000
"""Of one location that are read from the journal."""

State = Annotated[Occupancy, typer.Option("--state", help="Occupancy state.", show_default=False)]
Sizes = Annotated[str, typer.Option("--sizes", metavar="UM,UM", help="Considered sizes.", show_default=False)]
Area = Annotated[float, typer.Option("--area", metavar="M2", help="Area of the clean zone in m2.", show_default=False)]
IsoClass = Annotated[str | None, typer.Option("--class", metavar="CLASS", help='ISO 14644-1 class: "ISO 7", 7 or 6.5.')]
Grade = Annotated[
    GradeLetter | None, typer.Option("--grade", case_sensitive=False, help="EU GMP Annex 1 grade instead.")
]
File = Annotated[
    Path | None, typer.Argument(metavar="FILE", help="CSV file of samples. Or give --site.", show_default=False)
]
FromSite = Annotated[
    Path | None,
    typer.Option("--site", metavar="SITE", help="Take the journal's samples of this site file.", show_default=False),
]
Report = Annotated[
    Path | None,
    typer.Option("--report", metavar="OUT", help="Write a report to print, one HTML file for A4.", show_default=False),
]
AsJson = Annotated[bool, typer.Option("--json", help="For programs.")]
On = Annotated[str | None, typer.Option("--on", metavar="TEXT", help="When it was tested.", show_default=False)]
Tester = Annotated[str | None, typer.Option("--by", metavar="NAME", help="Who tested.", show_default=False)]
Counter = Annotated[
    str | None,
    typer.Option("--counter", metavar="TEXT", help="The counter, and when its calibration ends.", show_default=False),
]


def one_target(iso_class: str | None, grade: GradeLetter | None) -> None:
    """Exactly one of the two, or a sentence."""
    if (iso_class is None) == (grade is None):
        raise typer.BadParameter("give one of --class and --grade")


def target_of(iso_class: str | None, grade: GradeLetter | None, state: Occupancy, edition: Edition) -> Target:
    """The class or the grade as the target. Raises `LimitsError`."""
    from motewatch.limits.classification import grade_target, iso_target

    if grade is not None:
        return grade_target(grade.value, state)
    assert iso_class is not None
    return iso_target(iso_class, state, edition)


def one_source(file: Path | None, site: Path | None) -> None:
    """Exactly one of the two, or a sentence."""
    if (file is None) == (site is None):
        raise typer.BadParameter("give a FILE of samples or --site SITE, one of the two")


def only_with_site(given: dict[str, str | None]) -> None:
    """Options that mean nothing for a file."""
    for name, value in given.items():
        if value is not None:
            raise typer.BadParameter(f"{name} is for the journal's samples: give --site too", param_hint=name)


def software() -> str:
    """The version that a report names."""
    return version("motewatch")


def now_text() -> str:
    """When the report is made."""
    return f"{instant(Clock().now_us()):%Y-%m-%d %H:%M} UTC"


def sizes_nm(text: str) -> tuple[int, ...]:
    """`0.5,5` as nanometres. A sentence for what is no size."""
    found = []
    for part in text.split(","):
        try:
            size = float(part.strip().removesuffix("um").strip())
        except ValueError:
            size = float("nan")
        if not 0 < size <= 100:
            raise typer.BadParameter(f"'{part.strip()}' is no size: give um, such as 0.5,5", param_hint="--sizes")
        found.append(round(size * 1000))
    return tuple(found)


def sizes_text(sizes: Sequence[int]) -> str:
    """`0.5, 5 um`."""
    return ", ".join(f"{size / 1000:g}" for size in sizes) + " um"


def locations_of(facility: Site, room: str | None) -> tuple[Location, ...]:
    """The locations of a room; the room may be left out where the site has one only."""
    rooms = [each.id for each in facility.rooms]
    if room is None:
        if len(rooms) != 1:
            raise typer.BadParameter(f"which room? One of {', '.join(rooms)}", param_hint="--room")
        room = rooms[0]
    if room not in rooms:
        raise typer.BadParameter(f"no room '{room}' in this site; there are {', '.join(rooms)}", param_hint="--room")
    found = tuple(location for location in facility.locations if location.room == room)
    if not found:
        raise typer.BadParameter(f"room '{room}' has no sampling location", param_hint="--room")
    return found


def room_name(facility: Site, room: str) -> str:
    """The room's name with the site's."""
    return next(f"{each.name}, {facility.site.name}" for each in facility.rooms if each.id == room)


def span_text(since: str | None, until: str | None) -> str:
    """What was asked of the journal."""
    return f"from {since or 'the beginning'} to {until or 'now'}"


def write_report(path: Path, text: str) -> None:
    """Write it; said on standard error, which leaves the output to the result."""
    path.write_text(text, encoding="utf-8", newline="\n")
    typer.echo(f"report written to {path}", err=True)
