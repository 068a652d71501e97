"""What a channel is handed: one call in words, and the names that stand in it.

Apart from `call_text`, which writes those words: that loads a template engine, and a service without channels is to
start without it. Rules: pure. Whatever people wrote comes through `one_line` before it stands in a message. Must not
know channels.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

from motewatch.callout.records import Fact
from motewatch.site.models import Site

LONGEST_WORDS: Final = 300
_BIDI: Final = frozenset("\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069\u200e\u200f\u061c")
"""Marks that turn the reading order: they could make a message read as what it does not say."""

_SPACES: Final = frozenset("\u202f\u00a0\u2009")
"""Spaces that were put there on purpose, within figures."""


@dataclass(frozen=True, slots=True)
class Names:
    """What the words must know of the site."""

    site: str
    """Its id."""
    name: str
    """What people call it."""
    persons: Mapping[str, str] = field(default_factory=dict)
    console: str = ""
    """Where the console is reached; empty: there is none."""

    @classmethod
    def of(cls, site: Site) -> Names:
        """From the site file."""
        persons = {person.id: person.name for person in site.persons}
        return cls(site.site.id, site.site.name, persons, "" if site.console is None else site.console.public_url)


@dataclass(frozen=True, slots=True)
class CallMessage:
    """A call as a channel sends it. `id` is the same however often it is sent."""

    id: str
    person: str
    name: str
    """Of the person, on one line."""
    address: str
    subject: str
    """One line."""
    text: str = field(repr=False)
    html: str | None = field(repr=False)
    short: str = field(repr=False)
    """At most 160 characters, for SMS and what is read aloud."""
    urgent: bool
    maybe_repeat: bool
    """It may have been delivered before: a crash or a lost answer lies between."""
    link: str | None = field(repr=False)
    """It answers in the person's name, so neither it nor what it stands in is shown by accident."""
    at_us: int
    """The nominal instant of the step that asked for it."""
    site: str = ""
    """Id of the site."""
    site_name: str = ""
    cause: str = ""
    note: str = ""
    facts: tuple[Fact, ...] = ()
    files: tuple[tuple[str, str, bytes], ...] = field(default=(), repr=False)
    """Name, media type and content of what is sent with it; only e-mail does."""


def one_line(text: str, longest: int = LONGEST_WORDS) -> str:
    """The text on one line, without what does not print or turns the reading order, and not longer than `longest`."""
    kept = (" " if unicodedata.category(char) in ("Cc", "Zl", "Zp", "Zs") and char not in _SPACES else char
            for char in text if unicodedata.category(char) != "Cs" and char not in _BIDI)  # fmt: skip
    line = " ".join("".join(kept).split(" ")).strip()
    while "  " in line:
        line = line.replace("  ", " ")
    return line if len(line) <= longest else f"{line[: longest - 3].rstrip()}..."
