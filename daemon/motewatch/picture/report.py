"""A report as data: what is put together, its content hash and id, and how two of them differ.

Rules: the same record gives the same data, the same canonical text and the same hash, whoever makes it and when:
nothing here is of the moment of making. Instants are whole microseconds, places are ids with their names. Pure; must
not know the record or documents.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping
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


def differences(before: Mapping[str, Any], now: Mapping[str, Any], most: int = 200) -> list[str]:
    """What differs, one line for each place, where it stands in the data. Charts are left out: they follow the rest.

    `record` is left out too: it says how far the record had come.
    """
    found: list[str] = []
    for line in _differences(before, now, ""):
        found.append(line)
        if len(found) == most:
            found.append("and more")
            break
    return found


def _differences(before: Any, now: Any, where: str) -> Iterator[str]:
    if isinstance(before, Mapping) and isinstance(now, Mapping):
        for key in sorted({*before, *now}):
            if (not where and key == "record") or key == "charts":
                continue
            here = f"{where}.{key}" if where else key
            if key not in before:
                yield f"{here}: new: {_short(now[key])}"
            elif key not in now:
                yield f"{here}: gone: {_short(before[key])}"
            else:
                yield from _differences(before[key], now[key], here)
    elif isinstance(before, list) and isinstance(now, list):
        if len(before) == len(now):
            for number, (one, other) in enumerate(zip(before, now, strict=True)):
                yield from _differences(one, other, f"{where}[{_name(one, number)}]")
            return
        old, new = ([canonical({"": each}) for each in each_side] for each_side in (before, now))
        yield f"{where}: {len(before)} became {len(now)}"
        yield from (f"{where}: gone: {_short(each)}" for each, text in zip(before, old, strict=True) if text not in new)
        yield from (f"{where}: new: {_short(each)}" for each, text in zip(now, new, strict=True) if text not in old)
    elif before != now:
        show = _instant if where.endswith("_us") else _short
        yield f"{where.removesuffix('_us')}: {show(before)} became {show(now)}"


def _name(one: Any, number: int) -> str:
    """What names an entry of a list."""
    if isinstance(one, Mapping):
        for key in ("id", "alarm", "location", "size_nm", "quantity", "grade"):
            if one.get(key) is not None:
                return str(one[key])
    return str(number)


def _instant(value: Any) -> str:
    """An instant so that a person can read it, and pages can put it into the site's time."""
    return f"{instant(value):%Y-%m-%d %H:%M:%S} UTC" if isinstance(value, int) else "none"


def _short(value: Any) -> str:
    text = json.dumps(value, ensure_ascii=False, sort_keys=True)
    return text if len(text) <= 160 else f"{text[:157]}..."
