"""Puts the standards that a site names as files into its content, so that the configuration on record is whole.

What the service was judged by must be in the journal, not in a file beside it that may change: a replay reads the
journal alone. Each file is checked by itself, and its mistakes are told with its own name and keys. Knows files; what
a standard may hold is `limits.standards.reading`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from motewatch.limits.errors import StandardFileError
from motewatch.limits.standards.reading import standard_from
from motewatch.site.problems import Problem, key_text, value_text

KEY = "standard_files"


@dataclass(frozen=True, slots=True)
class Embedded:
    """The content with its standards in place, and what was found wrong in their files."""

    data: dict[str, Any]
    problems: list[Problem]

    @property
    def complete(self) -> bool:
        """Is every standard that the site names there?"""
        return not self.problems and KEY not in self.data


def embed(data: dict[str, Any], path: Path, read: Callable[[Path], dict[str, Any] | Problem]) -> Embedded:
    """The content of the site file at `path` with each file of `standard_files` moved into `standards`.

    `read` gives the content of a file, or the problem with it as a whole. A `standard_files` that is no list of texts
    stays as it is, for the models to tell.
    """
    names = data.get(KEY)
    own = data.get("standards", [])
    if not isinstance(names, list) or not all(isinstance(name, str) for name in names) or not isinstance(own, list):
        return Embedded(data, [])
    whole = {key: value for key, value in data.items() if key != KEY}
    found = list(own)
    problems: list[Problem] = []
    for number, name in enumerate(names):
        file = path.parent / name
        content = read(file)
        if isinstance(content, Problem):
            at = key_text((KEY, number)) + (f", {content.key}" if content.key else "")
            problems.append(
                Problem(str(path), at, value_text(name), f"{content.message} ({file})", _mend(content), table="")
            )
            continue
        try:
            standard_from(content, str(file))
        except StandardFileError as error:
            problems += error.problems
        else:
            found.append(content)
    if found:
        whole["standards"] = found
    return Embedded(whole, problems)


def _mend(content: Problem) -> str:
    if content.mend.startswith("Give the path"):
        return "Give the path of an existing file with a standard, relative to the site file."
    return content.mend
