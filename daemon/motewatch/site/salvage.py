"""The sound part of a broken site file, so that the cross checks can report on it in the same run.

A table of a list in which anything is wrong is left out whole: with its mistake mended by a guess, the cross checks
would report mistakes that nobody made.
"""

from __future__ import annotations

from typing import Any

from pydantic import ValidationError

from motewatch.site.findings import Lost
from motewatch.site.models import Site

LISTS = (
    *("areas", "rooms", "programmes", "locations", "sensors", "levels", "cascade", "rationalisation", "standards"),
    *("channels", "persons", "teams", "rotas", "escalations"),
)
_STAND_IN = {"id": "stand-in", "name": "stand-in", "time_zone": "UTC"}


def salvage(data: dict[str, Any], failure: ValidationError) -> tuple[Site, Lost] | None:
    """The site without what failed, and what that leaves out. None where nothing sound remains."""
    broken: dict[str, set[int]] = {name: set() for name in LISTS}
    whole: set[str] = set()
    tables: set[str] = set()
    for error in failure.errors(include_url=False, include_context=False, include_input=False):
        head, *rest = error["loc"] or ("",)
        if head in broken:
            if rest and isinstance(rest[0], int):
                broken[str(head)].add(rest[0])
            else:
                whole.add(str(head))
        elif head in ("site", "service"):
            tables.add(str(head))
    sound: dict[str, Any] = {"format": 1, "site": data.get("site"), "service": data.get("service", {})}
    ids: dict[str, frozenset[str]] = {}
    index: dict[str, list[int]] = {}
    if "site" in tables:
        sound["site"] = _STAND_IN
    if "service" in tables:
        sound["service"] = {}
    for name in LISTS:
        entries = [] if name in whole else data.get(name, [])
        index[name] = [number for number in range(len(entries)) if number not in broken[name]]
        sound[name] = [entries[number] for number in index[name]]
        if broken[name] and name not in whole:
            dropped = [entries[number] for number in sorted(broken[name])]
            known = [entry["id"] for entry in dropped if isinstance(entry, dict) and isinstance(entry.get("id"), str)]
            ids[name] = frozenset(known)
            if len(known) < len(dropped):
                # A table without a readable id: any reference may be to it.
                whole.add(name)
    try:
        return Site.model_validate(sound), Lost(ids, frozenset(whole), index, frozenset(tables))
    except ValidationError:  # pragma: no cover - a mistake that is in no table; there is none today
        return None
