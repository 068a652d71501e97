"""The program `motewatch`: its commands, and what becomes of errors.

Rules: what is expected to go wrong ends in one sentence on standard error and exit status 1, without a traceback; a
defect of ours keeps its traceback. Heavy imports are made by the command that needs them.
"""

from __future__ import annotations

from importlib.metadata import version
from typing import Annotated, Any, Final

import typer
from typer.core import TyperGroup

from motewatch.cli import (
    access,
    alarm_commands,
    alarm_figures,
    alarm_register,
    archive,
    backup,
    calls,
    classify,
    limits,
    oncall,
    people,
    propose,
    record,
    recovery,
    rehearse,
    reports,
    rule_power,
    sampling_plan,
    sequential,
    site,
    status,
    trial_calls,
    try_channel,
)
from motewatch.journal.errors import JournalError
from motewatch.limits.tables import LimitsError
from motewatch.links.errors import LinkError
from motewatch.links.site_file import SiteFileError
from motewatch.site.problems import errors
from motewatch.view.errors import ViewError

EXPECTED: Final = (JournalError, LinkError, LimitsError, ViewError)


class Sentences(TyperGroup):
    """Turns the errors that are expected into sentences."""

    def invoke(self, ctx: Any) -> Any:
        try:
            return super().invoke(ctx)
        except SiteFileError as error:
            raise _failed(_site_file(error)) from None
        except EXPECTED as error:
            raise _failed(str(error)) from None
        except OSError as error:
            # Pipes that nobody reads any more are the library's business.
            if error.filename is None:
                raise
            raise _failed(f"{error.filename}: {error.strerror}") from None


def _failed(sentence: str) -> typer.Exit:
    typer.echo(f"motewatch: {sentence}", err=True)
    return typer.Exit(1)


def _site_file(error: SiteFileError) -> str:
    problems = errors(error.problems)
    text = str(problems[0])
    if len(problems) > 1:
        text += f"\nand {len(problems) - 1} more; see them all with: motewatch check {problems[0].file}"
    return text


app = typer.Typer(
    cls=Sentences,
    name="motewatch",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"motewatch {version('motewatch')}")
        raise typer.Exit


@app.callback()
def _root(
    show_version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version and exit.")
    ] = False,
) -> None:
    """Monitors airborne particle counts in controlled environments.

    SITE and FILE are site files (TOML); config/demo-site.toml is one to learn from.

    \b
    motewatch check site.toml                     is the site file sound?
    motewatch serve site.toml                     monitor, until stopped
    motewatch view site.toml                      look at the rooms, live
    motewatch alarms site.toml                    which alarms stand?
    motewatch samples site.toml --since -2h       the last two hours on record

    Monitoring supports qualified judgement and never replaces it.
    """


site.add_to(app)
people.add_to(app)
alarm_commands.add_to(app)
record.add_to(app)
backup.add_to(app)
archive.add_to(app)
status.add_to(app)
alarm_register.add_to(app)
alarm_figures.add_to(app)
limits.add_to(app)
rule_power.add_to(app)
propose.add_to(app)
rehearse.add_to(app)
classify.add_to(app)
recovery.add_to(app)
sampling_plan.add_to(app)
sequential.add_to(app)
oncall.add_to(app)
calls.add_to(app)
trial_calls.add_to(app)
try_channel.add_to(app)
reports.add_to(app)
access.add_to(app)


def main() -> None:
    """What the installed script calls."""
    app(prog_name="motewatch")
