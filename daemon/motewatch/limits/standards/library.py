"""The standards at hand: those that come with motewatch, and those that a site brings.

Shipped data are code: the `.toml` files beside this module are part of the package, are read once through
`importlib.resources` and never change while it runs, so reading them is no I/O in the sense of the pure packages. No
user's file is read here; a site's own standards come as data within its configuration. A new standard is a new file in
this folder.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from importlib.resources.abc import Traversable

from motewatch.limits.errors import StandardFileError, UnknownStandardError
from motewatch.limits.standards.model import Standard
from motewatch.limits.standards.reading import built, standard_from_text
from motewatch.site.problems import Problem
from motewatch.site.standard_file import StandardFile

ISO_2015 = "iso-14644-1-2015"
ISO_1999 = "iso-14644-1-1999"
FED_STD_209E = "fed-std-209e"
ANNEX_1_2022 = "eu-gmp-annex-1-2022"
ANNEX_1_2008 = "eu-gmp-annex-1-2008"
FDA_2004 = "fda-aseptic-2004"
USP_797 = "usp-797-2023"
USP_800 = "usp-800"


@dataclass(frozen=True, slots=True)
class Library:
    """Standards by id."""

    standards: tuple[Standard, ...]

    def get(self, ident: str) -> Standard:
        """The standard with this id. Raises `UnknownStandardError`."""
        for standard in self.standards:
            if standard.id == ident:
                return standard
        raise UnknownStandardError(ident, self.ids)

    def find(self, name: str) -> Standard:
        """The standard that a person means: by its id, or by its name in capitals or not. Errors as `get`."""
        for standard in self.standards:
            if name.strip().casefold() in (standard.id, standard.name.casefold()):
                return standard
        raise UnknownStandardError(name, self.ids)

    @property
    def ids(self) -> tuple[str, ...]:
        """Every id, in order."""
        return tuple(standard.id for standard in self.standards)

    def __iter__(self) -> Iterator[Standard]:
        return iter(self.standards)

    def with_own(self, own: Iterable[StandardFile]) -> Library:
        """And a site's own standards, which `site.crosscheck` and `flaws_of` found sound."""
        return Library((*self.standards, *(built(model) for model in own)))


def read_folder(folder: Traversable) -> Library:
    """Every standard in a folder of `.toml` files, by name of file.

    Raises `StandardFileError` with the mistakes of all files; two files with one id are one.
    """
    problems: list[Problem] = []
    found: dict[str, Standard] = {}
    for file in sorted(folder.iterdir(), key=lambda entry: entry.name):
        if not file.name.endswith(".toml"):
            continue
        try:
            standard = standard_from_text(file.read_text("utf-8"), file.name)
        except StandardFileError as error:
            problems += error.problems
            continue
        if standard.id in found:
            problems.append(
                Problem(file.name, "id", f'"{standard.id}"', "another file has this id", "Give each file its own id.")
            )
        found.setdefault(standard.id, standard)
    if problems:
        raise StandardFileError(problems)
    return Library(tuple(found.values()))


@cache
def shipped() -> Library:
    """The standards that come with motewatch; read at the first call."""
    return read_folder(files(__package__))
