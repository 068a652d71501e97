"""What two reports of the same time say otherwise, in the words of the report: which figure of which place, both values
with their unit.

Rules: every difference is told, also one that rounding would hide; what has no words here is told by its name in the
data. Instants are written as UTC, so that pages can put them into the site's time. Charts follow from the rest and are
left out, and so is how far the record had come. Pure; must not know documents or pages.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Hashable, Iterator, Mapping, Sequence
from itertools import islice
from typing import Any, Final

from motewatch.picture.report_alarms import size_of
from motewatch.picture.words import EVENTS, UNICODE, figure, lasting, limit_figure, size
from motewatch.site.instants import instant

LEFT_OUT: Final = frozenset({"record", "charts"})

Entry = Mapping[str, Any]
Show = Callable[[Any], str]


def differences(before: Entry, now: Entry, most: int = 200, *, leave: Sequence[str] = ()) -> list[str]:
    """A sentence for each. `before`: the report at hand; `now`: made again. `leave`: top parts that do not count."""
    told = _Told(_names(before) | _names(now), frozenset(leave))
    found = list(islice(told.of(before, now, (), ""), most + 1))
    return [*found[:most], "and more"] if len(found) > most else found


# How values are shown


def _short(value: Any) -> str:
    if value is None or isinstance(value, bool):
        return {None: "nothing", True: "yes", False: "no"}[value]
    text = value if isinstance(value, str) else json.dumps(value, ensure_ascii=False, sort_keys=True)
    return (text if len(text) <= 160 else f"{text[:157]}...") or "nothing"


def _instant(value: Any) -> str:
    if not isinstance(value, int):
        return "none on record"
    return f"{instant(value):%Y-%m-%d %H:%M:%S} UTC"


def _number(value: Any) -> str:
    return limit_figure(value) if isinstance(value, int | float) and not isinstance(value, bool) else _short(value)


def _rounded(value: Any) -> str:
    return figure(value) if isinstance(value, int | float) and not isinstance(value, bool) else _short(value)


def _lasting(value: Any) -> str:
    return lasting(value) if isinstance(value, int) else _short(value)


def _share(value: Any) -> str:
    return f"{100 * value:.1f} %" if isinstance(value, int | float) else _short(value)


def _air(value: Any) -> str:
    return f"{value / 1_000_000:,.10g} l".replace(",", " ") if isinstance(value, int) else _short(value)


_PER_M3: Final = "per m³"
_OF_ENTRY: Final = "its own"
"""The unit stands in the entry itself."""

_FIGURES: Final[dict[str, tuple[str, Show, str]]] = {
    "samples": ("samples", _number, ""),
    "samples_with_air": ("samples with air", _number, ""),
    "late_revisions": ("samples revised by late data", _number, ""),
    "doubtful": ("samples of doubtful quality", _number, ""),
    "coverage": ("coverage", _share, ""),
    "missing_us": ("time without data", _lasting, ""),
    "n": ("samples", _number, ""),
    "mean_per_m3": ("mean", _rounded, _PER_M3),
    "median_per_m3": ("median", _rounded, _PER_M3),
    "p95_per_m3": ("95th percentile", _rounded, _PER_M3),
    "max_per_m3": ("highest sample", _rounded, _PER_M3),
    "max_end_us": ("end of the highest sample", _instant, ""),
    "zeros": ("samples in which nothing was counted", _number, ""),
    "air_ul": ("air counted", _air, ""),
    "per_m3": ("level", _number, _PER_M3),
    "judged": ("samples held against it", _number, ""),
    "above": ("samples above it", _number, ""),
    "source": ("where it comes from", _short, ""),
    "min": ("least", _rounded, _OF_ENTRY),
    "mean": ("mean", _rounded, _OF_ENTRY),
    "max": ("highest", _rounded, _OF_ENTRY),
    "unit": ("unit", _short, ""),
    "until_us": ("returned to normal", _instant, ""),
    "closed_us": ("off the list", _instant, ""),
    "limit": ("limit", _rounded, _OF_ENTRY),
    "peak": ("peak", _rounded, _OF_ENTRY),
    "peak_us": ("time of the peak", _instant, ""),
    "starts": ("how often it was raised", _number, ""),
    "late": ("found by late data", _short, ""),
    "acknowledged_us": ("acknowledged", _instant, ""),
    "acknowledged_by": ("acknowledged by", lambda who: who or "nobody", ""),
    "text": ("what is said of it", _short, ""),
    "final": ("the record reaches its end", _short, ""),
    "software": ("software that made it", _short, ""),
    "standard": ("class", _short, ""),
    "room_name": ("name of its room", _short, ""),
    "area_name": ("name of its area", _short, ""),
    "readable": ("can be read by this version", _short, ""),
    "calibration": ("calibration at the end", _short, ""),
    "calibration_due": ("calibration due", lambda due: due or "not stated", ""),
    "outcome": ("outcome", lambda outcome: outcome or "not known", ""),
    "annunciated": ("alarms presented to people", _number, ""),
    "operators": ("people on shift", _number, ""),
    "value": ("value", _rounded, ""),
}
"""Of each name in the data: its words, how it is shown, and its unit."""

_MEMBERS: Final[dict[str, tuple[str, Show]]] = {
    "states": ("time {}", _lasting),
    "flags": ("samples flagged {}", _number),
    "outside_us": ("time outside an {} bound", _lasting),
    "sensors": ("samples in which {} took part", _number),
    "samples": ("samples at {}", _number),
}
"""Figures by a name: the words with the name."""

_BY_ID: Final = frozenset({"sensors", "samples"})
"""The names are ids of the site file, which are shown as they are."""

_SECTIONS: Final = {
    "alarm_figures": "alarm performance",
    "method": "method",
    "site": "site",
    "scope": "scope",
}


class _Told:
    """The walk over both. `names`: of each location."""

    def __init__(self, names: Mapping[str, str], leave: frozenset[str]) -> None:
        self._names = names
        self._leave = leave
        self._lists: Final[dict[str, tuple[Callable[[Any], Hashable], Callable[[Any], str]]]] = {
            "locations": (lambda one: one["id"], self._place_of),
            "places": (lambda one: one["location"], lambda one: self._place(one["location"])),
            "sizes": (lambda one: one["size_nm"], lambda one: size(one["size_nm"], UNICODE)),
            "levels": (lambda one: (one["grade"], one["state"]), lambda one: f"{one['grade']} level, {one['state']}"),
            "climate": (lambda one: one["quantity"], lambda one: _spaced(one["quantity"])),
            "bounds": (_whole, _bound),
            "gaps": (_whole, lambda one: f"nobody measured from {_instant(one[0])} until {_instant(one[1])}"),
            "unmeasured_levels": (_whole, lambda one: f"a level for {size(one, UNICODE)}, which nobody counted"),
            "excursions": (_life, lambda one: f"excursion at {self._alarm(one)}"),
            "other_alarms": (_life, lambda one: f"alarm {self._alarm(one)}"),
            "comments": (
                lambda one: (one["at_us"], one["event"], one["by"]),
                lambda one: (
                    f"{EVENTS.get(one['event'], one['event'])} by {one['by'] or 'nobody'} at {_instant(one['at_us'])}"
                ),
            ),
            "notes": (_whole, lambda one: _said("note", one)),
            "signatures": (_whole, lambda one: _said("signature", one)),
            "sensors": (lambda one: one["id"], lambda one: f"sensor {one['id']}"),
            "calls": (
                lambda one: (one["at_us"], one["person"], one["channel"], one["cause"]),
                lambda one: f"call to {one['person']} by {one['channel']} at {_instant(one['at_us'])}",
            ),
            "configurations": (
                lambda one: (one["from_us"], one["digest"]),
                lambda one: f"configuration {one['digest'][:12]} in force from {_instant(one['from_us'])}",
            ),
            "targets": (lambda one: one["figure"], lambda one: _spaced(one["figure"])),
        }

    def of(self, before: Any, now: Any, where: tuple[str, ...], key: str, unit: str = "") -> Iterator[str]:
        """The sentences about one part."""
        if before == now:
            return
        if isinstance(before, Mapping) and isinstance(now, Mapping):
            yield from self._fields(before, now, where, key)
        elif isinstance(before, list) and isinstance(now, list):
            yield from self._entries(before, now, where, key)
        else:
            words, show, its = _FIGURES.get(key, (_spaced(key), _short, ""))
            yield _sentence(where, words, show, before, now, unit.replace("/m3", _PER_M3) if its == _OF_ENTRY else its)

    def _fields(self, before: Entry, now: Entry, where: tuple[str, ...], key: str) -> Iterator[str]:
        for each in [*before, *(name for name in now if name not in before)]:
            if each in LEFT_OUT or (not where and not key and each in self._leave):
                continue
            one, other = before.get(each), now.get(each)
            if one == other:
                continue
            if key in _MEMBERS and not isinstance(one, Mapping | list) and not isinstance(other, Mapping | list):
                words, show = _MEMBERS[key]
                name = self._place(each) if key in _BY_ID else _spaced(each)
                yield _sentence(where, words.format(name), show, one or 0, other or 0, "")
                continue
            section = (_SECTIONS[each],) if each in _SECTIONS and not where else ()
            yield from self.of(one, other, (*where, *section), each, str(now.get("unit") or before.get("unit") or ""))

    def _entries(self, before: Sequence[Any], now: Sequence[Any], where: tuple[str, ...], key: str) -> Iterator[str]:
        known, name = self._lists.get(key, (_whole, lambda one: f"{_spaced(key)}: {_short(one)}"))
        try:
            ours, theirs = _by(known, before), _by(known, now)
            named = {id_: name(one) for id_, one in [*ours.items(), *theirs.items()]}
        except (KeyError, TypeError, IndexError, AttributeError):
            # A file that somebody wrote by hand.
            ours, theirs = _by(_whole, before), _by(_whole, now)
            named = {id_: f"{_spaced(key)}: {_short(one)}" for id_, one in [*ours.items(), *theirs.items()]}
        for id_, one in ours.items():
            if id_ not in theirs:
                yield f"{_joined(where)}only in the report: {named[id_]}"
            yield from self.of(one, theirs.get(id_, one), (*where, named[id_]), "")
        for id_ in theirs:
            if id_ not in ours:
                yield f"{_joined(where)}not in the report: {named[id_]}"
        if ours.keys() == theirs.keys() and [*ours] != [*theirs]:
            yield f"{_joined(where)}{_spaced(key)}: in another order"

    def _place(self, location: str) -> str:
        return self._names.get(location, location)

    def _place_of(self, one: Entry) -> str:
        return self._place(one["id"])

    def _alarm(self, one: Entry) -> str:
        """Which alarm a life is of: its place, what, and since when."""
        place = self._place(one.get("location") or "") or one.get("sensor") or one.get("room") or "the service"
        nm = size_of(one["alarm"])
        what = _spaced(str(one.get("kind") or one["alarm"])) if nm is None else size(nm, UNICODE)
        grade = f", {one['alarm'].rpartition('/')[2]}" if nm is not None else ""
        return f"{place}, {what}{grade}, from {_instant(one.get('from_us'))}"


def _sentence(where: tuple[str, ...], words: str, show: Show, before: Any, now: Any, unit: str) -> str:
    one, other = show(before), show(now)
    if one == other:
        # Rounding would hide it.
        one, other = repr(before), repr(now)
    ones, others = (f" {unit}" if unit and isinstance(value, int | float) else "" for value in (before, now))
    return f"{_joined(where)}{words}: {one}{ones} in the report, {other}{others} by the record"


def _by(known: Callable[[Any], Hashable], entries: Sequence[Any]) -> dict[Hashable, Any]:
    """The entries by what tells them apart; the second of equals by its number, so that none is lost."""
    found: dict[Hashable, Any] = {}
    for one in entries:
        id_, number = known(one), 2
        while id_ in found:
            id_, number = (known(one), number), number + 1
        found[id_] = one
    return found


def _joined(where: tuple[str, ...]) -> str:
    return f"{', '.join(where)}: " if where else ""


def _names(data: Entry) -> dict[str, str]:
    """What the report calls each location."""
    return {
        str(one["id"]): str(one.get("name") or one["id"])
        for one in data.get("locations", ())
        if isinstance(one, Mapping) and "id" in one
    }


def _spaced(text: str) -> str:
    return text.removesuffix("_us").replace("_", " ").replace("-", " ")


def _whole(one: Any) -> str:
    return json.dumps(one, ensure_ascii=False, sort_keys=True)


def _life(one: Entry) -> tuple[Any, Any]:
    return one["alarm"], one.get("from_us")


def _bound(one: Entry) -> str:
    side = "at least" if one["side"] == "low" else "at most"
    return f"{one['grade']} bound: {side} {limit_figure(one['value'])}"


def _said(what: str, one: Entry) -> str:
    return f"{what} of {one['by']} at {_instant(one['at_us'])} on {one['subject']}: “{one['text']}”"
