"""Looks for `check` whether the libraries are there that only some site files need.

Rules: warnings, since `check` also runs on other machines than the service. Loads none of them.
"""

from __future__ import annotations

from collections.abc import Callable
from importlib.util import find_spec
from pathlib import Path

from motewatch.site.models import Site
from motewatch.site.problems import Problem, Severity


def installed(library: str) -> bool:
    """Whether it could be loaded here."""
    return find_spec(library) is not None


def check_libraries(site: Site, path: Path, has: Callable[[str], bool] = installed) -> list[Problem]:
    """Warnings about what the site in the file `path` asks for and this machine cannot do."""
    kept = site.retention
    if kept is None or (kept.messages_days is None and kept.samples_days is None) or has("pyarrow"):
        return []
    message = "archive files need the library pyarrow, which is not installed here; nothing would leave the journal"
    return [Problem(str(path), "retention", "", message, "Run: pip install 'motewatch[files]'", Severity.WARNING)]
