"""Where the cross checks write what they find, and what they know to be missing from the site they look at.

When single tables of a file are broken the rest is still checked, with the broken ones left out. `Lost` remembers
what was left out, so that no check mistakes it for absent and every index is that of the file.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from difflib import get_close_matches
from typing import Any

from motewatch.site.models import Site
from motewatch.site.problems import KeyPath, Problem, Severity, key_text, quoted, value_text


@dataclass(frozen=True, slots=True)
class Lost:
    """What the checked site lacks of the file's content.

    `ids`: ids of the tables left out, by list. `whole`: lists that hold ids we cannot know. `index`: for each list the
    position in the file of each table kept. `tables`: single tables replaced by stand-ins (`site`, `service`).
    """

    ids: Mapping[str, frozenset[str]] = field(default_factory=dict)
    whole: frozenset[str] = frozenset()
    index: Mapping[str, Sequence[int]] = field(default_factory=dict)
    tables: frozenset[str] = frozenset()


NOTHING = Lost()


@dataclass(slots=True)
class Findings:
    """Collects problems of one site."""

    site: Site
    file: str
    lost: Lost = NOTHING
    problems: list[Problem] = field(default_factory=list)

    def error(self, path: KeyPath, value: Any, message: str, mend: str) -> None:
        """A mistake that stops the daemon. `path` starts with the list and the position in the checked site."""
        self._add(path, value, message, mend, Severity.ERROR)

    def warning(self, path: KeyPath, value: Any, message: str, mend: str) -> None:
        """Something possible, but rarely meant."""
        self._add(path, value, message, mend, Severity.WARNING)

    def complete(self, *lists: str) -> bool:
        """Is every table of these lists there? What is absent can only be told from complete lists."""
        return not any(name in self.lost.whole or self.lost.ids.get(name) is not None for name in lists)

    def ids(self, name: str) -> frozenset[str]:
        """Every id of the list in the file, those of broken tables included."""
        return frozenset(entry.id for entry in getattr(self.site, name)) | self.lost.ids.get(name, frozenset())

    def path(self, path: KeyPath) -> KeyPath:
        """The path with the position that the table has in the file."""
        if len(path) > 1 and isinstance(path[1], int) and path[0] in self.lost.index:
            return (path[0], self.lost.index[str(path[0])][path[1]], *path[2:])
        return path

    def _add(self, path: KeyPath, value: Any, message: str, mend: str, severity: Severity) -> None:
        table = ""
        if len(path) > 1 and isinstance(path[1], int):
            ident = getattr(getattr(self.site, str(path[0]))[path[1]], "id", None)
            table = f"{path[0]} {quoted(ident)}" if ident is not None else ""
        self.problems.append(
            Problem(self.file, key_text(self.path(path)), value_text(value), message, mend, severity, table)
        )


def did_you_mean(wrong: str, known: Iterable[str], otherwise: str) -> str:
    """`Did you mean "x"?` where something known is close, else `otherwise`."""
    close = get_close_matches(wrong, sorted(known), n=1, cutoff=0.6)
    return f"Did you mean {quoted(close[0])}?" if close else otherwise
