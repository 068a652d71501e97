"""Reads the site file and the files with secrets that it names; tells every mistake at once.

    LinkError (links.errors)
    +-- SiteFileError             the site file cannot be used; `problems` holds every mistake

Rules: broken tables are told and left out, and the rest is still checked, so that one run shows all there is to mend.
What is a mistake is decided in `site`; here are only files, bytes and TOML. A secret is never part of a message.
"""

from __future__ import annotations

import logging
import re
import tomllib
from dataclasses import replace
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from motewatch.links.duty_calendars import embed_calendars
from motewatch.links.errors import LinkError
from motewatch.links.secret_checks import check_secret_files
from motewatch.links.secrets import Secret, SecretFileError, read_secret
from motewatch.links.site_limits import check_limits
from motewatch.links.site_priorities import check_priorities
from motewatch.links.site_rotas import check_rotas
from motewatch.links.standard_files import embed
from motewatch.site.canonical import canonical_text, digest, site_from_text
from motewatch.site.crosscheck import crosscheck
from motewatch.site.explain import explain
from motewatch.site.findings import NOTHING
from motewatch.site.instants import instant
from motewatch.site.models import Site
from motewatch.site.problems import STARS, Problem, errors, is_secret, printable
from motewatch.site.salvage import salvage

__all__ = [
    "Secret",
    "SecretFileError",
    "SiteFileError",
    "canonical_text",
    "check_site",
    "digest",
    "load_site",
    "read_secret",
    "site_from_text",
]

log = logging.getLogger(__name__)

MAX_BYTES = 16 * 1024 * 1024
"""A site of thousands of sensors has well under one megabyte."""

_POSITION = re.compile(r"\s*\(at (?:line (\d+), column (\d+)|end of document)\)$")


class SiteFileError(LinkError):
    """The site file cannot be used. `problems`: every mistake, warnings included."""

    final = True

    def __init__(self, problems: list[Problem]) -> None:
        self.problems = problems
        super().__init__("\n".join(str(problem) for problem in problems))


class _UnreadableError(Exception):
    """The file has no content to look at; carries the one problem."""

    def __init__(self, problem: Problem) -> None:
        super().__init__(str(problem))
        self.problem = problem


def load_site(path: Path) -> Site:
    """The site in the file. Raises SiteFileError with every mistake; warnings alone do not raise."""
    site, problems = _examine(path, None)
    if site is None or errors(problems):
        raise SiteFileError(problems)
    return site


def check_site(path: Path, now_us: int | None = None) -> list[Problem]:
    """Every mistake and warning, in the order of the checks. Calibration dates are held against `now_us`, and gaps in
    the rotas are looked for from then on; without it, neither."""
    return _examine(path, now_us)[1]


def _examine(path: Path, now_us: int | None) -> tuple[Site | None, list[Problem]]:
    file = str(path)
    today = None if now_us is None else instant(now_us).date()
    try:
        data = _parse(_read(path), file)
    except _UnreadableError as error:
        return None, [error.problem]
    embedded = embed(data, path, _standard)
    data, calendar_problems = embed_calendars(embedded.data, path)
    problems = embedded.problems + calendar_problems
    # A reference to a standard whose file is broken was meant for it, and is no mistake of its own.
    unknown = frozenset() if embedded.complete else frozenset({"standards"})
    try:
        site = Site.model_validate(data)
    except ValidationError as failure:
        problems += explain(failure, data, file)
        rest = salvage(data, failure)
        if rest is not None:
            lost = replace(rest[1], whole=rest[1].whole | unknown)
            problems += crosscheck(rest[0], file, lost, today) + check_limits(rest[0], file, lost)
            problems += check_priorities(rest[0], file, lost) + check_rotas(rest[0], file, lost, now_us)
        return None, problems
    lost = replace(NOTHING, whole=unknown)
    problems += crosscheck(site, file, lost, today) + check_limits(site, file, lost)
    problems += check_priorities(site, file, lost) + check_rotas(site, file, lost, now_us)
    return site, problems + check_secret_files(site, path)


def _standard(path: Path) -> dict[str, Any] | Problem:
    try:
        return _parse(_read(path), str(path))
    except _UnreadableError as error:
        return error.problem


def _whole_file(file: str, message: str, mend: str, key: str = "", value: str = "") -> _UnreadableError:
    return _UnreadableError(Problem(file, key, value, message, mend))


def _read(path: Path) -> str:
    file = str(path)
    try:
        if path.is_dir():
            raise _whole_file(file, "this is a folder, not a file", "Give the path of a site file in it.")
        with path.open("rb") as stream:
            content = stream.read(MAX_BYTES + 1)
    except FileNotFoundError:
        raise _whole_file(file, "there is no such file", "Give the path of an existing site file.") from None
    except OSError as error:
        raise _whole_file(
            file, f"the file cannot be read: {error.strerror}", "Allow the service's user to read it."
        ) from None
    if len(content) > MAX_BYTES:
        raise _whole_file(
            file, f"the file has more than {MAX_BYTES} bytes", "A site file is far smaller: is this the right file?"
        )
    try:
        # Some editors put a byte-order mark in front; it means nothing in UTF-8.
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        # Counted in the bytes that came before, which are sound UTF-8 (or the mark, which has no width).
        before = content[: error.start].decode("utf-8-sig", errors="replace")
        line = before.count("\n") + 1
        column = len(before) - (before.rfind("\n") + 1) + 1
        raise _whole_file(
            file,
            f"the file is not UTF-8: byte 0x{content[error.start]:02X} cannot stand here",
            "Save the file as UTF-8 (it may have been saved as Latin-1, Windows-1252 or UTF-16).",
            key=f"line {line}, column {column}",
        ) from None


def _parse(text: str, file: str) -> dict[str, Any]:
    try:
        data = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, ValueError, RecursionError) as error:
        raise _syntax(text, file, error) from None
    if not data:
        raise _whole_file(
            file, "the file is empty", "Start from config/example-site.toml; it explains every table and key."
        )
    return data


def _syntax(text: str, file: str, error: Exception) -> _UnreadableError:
    lines = text.splitlines() or [""]
    message = str(error)
    found = _POSITION.search(message)
    if found is None:
        return _whole_file(file, f"this is not TOML: {message or 'nested too deeply'}", "Correct it.")
    message = message[: found.start()]
    line = int(found[1]) if found[1] else len(lines)
    column = int(found[2]) if found[2] else len(lines[-1]) + 1
    shown = lines[min(line, len(lines)) - 1].strip()
    # A line of the file may hold a secret in the wrong place: shown by the same rule as values.
    key = shown.partition("=")[0].strip()
    return _whole_file(
        file,
        f"this is not TOML: {message[:1].lower()}{message[1:]}",
        _hint(message, shown),
        key=f"line {line}, column {column}",
        value=STARS if is_secret(key) else printable(shown),
    )


def _hint(message: str, line: str) -> str:
    if "overwrite" in message.lower() or "twice" in message.lower() or "cannot declare" in message.lower():
        return "A key may stand once in a table, and [name] once in a file; a list of tables is written [[name]]."
    if "invalid value" in message.lower() or re.search(r"=\s*[-+]?\d+,\d+\s*$", line):
        return 'Text needs quotes ("..."), true and false have none, numbers have a point and no comma.'
    if ":" in line and "=" not in line:
        return "Write key = value."
    return "Correct the line, or the end of the one before it."
