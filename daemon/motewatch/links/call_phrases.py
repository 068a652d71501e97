"""An alarm's own sentence as a call says it: without what stands beside it, in figures that do not break across lines,
and brief where there is little room. Pure.
"""

from __future__ import annotations

import re
from typing import Final

from motewatch.callout.words import glued

_COUNT: Final = re.compile(
    r"(?P<value>[\d ]+) particles/m3 >= (?P<size>[\d.]+ um), above the (?P<grade>\w+) level of (?P<limit>[\d ]+)"
)
_SOURCE: Final = re.compile(r" \((?:[^()]|\([^()]*\))*\)(?=$|;)")
_MICRO: Final = re.compile(r"(?<=[\d.]) um\b")


def without_place(what: str, where: str) -> str:
    """An alarm's sentence begins with its place, which is said beside it."""
    place, colon, rest = what.partition(": ")
    if colon and rest and f"{where}, ".startswith(f"{place}, "):
        return rest[:1].upper() + rest[1:]
    return what


def readable(what: str) -> str:
    """Figures that do not break, and units as the trade writes them."""
    return glued(_MICRO.sub(" µm", what.replace("/m3", "/m³").replace(" >= ", " ≥ ")))


def brief(what: str, where: str) -> str:
    """An alarm's sentence without its source, and of a count its value and level."""
    bare = _SOURCE.sub("", without_place(what, where)) or what
    count = _COUNT.search(bare)
    if count is None:
        return readable(bare)
    rest = bare[count.end() :]
    return readable(f"{count['value']}/m3 >= {count['size']}, {count['grade']} level {count['limit'].strip()}/m3{rest}")
