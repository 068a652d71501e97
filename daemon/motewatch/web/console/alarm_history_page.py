"""What somebody asks of the history of alarms, from the fields of a form or of a query, and its choices. Pure.

Rules: local times are in the site's zone; what cannot be understood is said in a sentence, with its field.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final
from zoneinfo import ZoneInfo

from motewatch.alarms.priority import Priority
from motewatch.journal.alarm_history import Narrowed
from motewatch.site.alarm_kinds import ALARM_KINDS
from motewatch.site.models import Site
from motewatch.web.console.record_wanted import UnclearError, instant_in

FIELDS: Final = ("since", "until", "priority", "kind", "room")


def narrowed(fields: Mapping[str, str], site: Site) -> Narrowed:
    """What is asked for. Raises `UnclearError`."""
    zone = ZoneInfo(site.site.time_zone)
    since_us = instant_in(fields.get("since", ""), zone, "from")
    until_us = instant_in(fields.get("until", ""), zone, "until")
    if since_us is not None and until_us is not None and since_us >= until_us:
        raise UnclearError("'from' is not before 'until': nothing lies between them", "until")
    return Narrowed(
        priority=_one_of(fields, "priority", [each.value for each in Priority]),
        kind=_one_of(fields, "kind", ALARM_KINDS),
        room=_one_of(fields, "room", [each.id for each in site.rooms]),
        since_us=since_us,
        until_us=until_us,
    )


def words_of(fields: Mapping[str, str], site: Site) -> str:
    """What the list is narrowed to; empty: nothing."""
    rooms = {each.id: each.name for each in site.rooms}
    said = (
        fields.get("since") and f"from {fields['since']}",
        fields.get("until") and f"until {fields['until']}",
        fields.get("priority") and f"{fields['priority']} priority",
        fields.get("kind", "").replace("-", " "),
        rooms.get(fields.get("room", ""), ""),
    )
    return "; ".join(each[:120] for each in said if each)


def _one_of(fields: Mapping[str, str], name: str, known: Sequence[str]) -> str | None:
    value = fields.get(name, "")
    if not value:
        return None
    if value not in known:
        raise UnclearError(f"there is no {name} '{value[:60]}' here", name)
    return value
