"""A report as data: what is put together, its content hash and id.

Rules: the same record gives the same data, the same canonical text and the same hash, whoever makes it and when:
nothing here is of the moment of making. Instants are whole microseconds, places are ids with their names. Pure; must
not know the record or documents.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from typing import Any, Final
from zoneinfo import ZoneInfo

from motewatch.picture.report_scope import Scope
from motewatch.site.instants import instant

FORMAT: Final = 1

CAUTIONS: Final = (
    "This report states what was recorded, by the rules that it names. It releases nothing: whether a product, a batch "
    "or a room is released rests with the site's quality unit and the regulations that hold there.",
    "A value equal to a level is within it. Samples above a level are counted one by one; an alarm follows its judging "
    "rule, which may ask for several of them.",
    "Where nobody measured nothing is known: missing time is stated, and is neither good nor bad.",
)


def canonical(data: Mapping[str, Any]) -> str:
    """The one text of this data: keys sorted, no blanks."""
    return json.dumps(data, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)


def content_hash(data: Mapping[str, Any]) -> str:
    """SHA-256 of the canonical text of all but `record`.

    That part says up to which seal of its chain the record was looked at. It grows with every message, and a report
    that is made again from the same facts is to have the same hash; `check-report` proves that part against the chain.
    """
    return hashlib.sha256(
        canonical({key: value for key, value in data.items() if key != "record"}).encode()
    ).hexdigest()


def report_id(data: Mapping[str, Any]) -> str:
    """A name for people and files; it follows from the content, so the same report has the same id."""
    scope = data["scope"]
    at = instant(scope["start_us"]).astimezone(ZoneInfo(data["site"]["time_zone"]))
    return f"{scope['kind']}-{at:%Y%m%d-%H%M}-{content_hash(data)[:12]}"


def scope_data(scope: Scope, places: Mapping[str, Mapping[str, str]], whole: bool) -> dict[str, Any]:
    """The scope as data. `places`: each location with its names."""
    return {
        "kind": scope.span.kind.value,
        "start_us": scope.span.start_us,
        "end_us": scope.span.end_us,
        "batch": scope.batch,
        "whole_site": whole,
        "places": [{"location": key, **names} for key, names in places.items()],
    }
