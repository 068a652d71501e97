"""Trends for pages and programs: from the record to `picture.trend`, and what it says in words.

Asks the record, so call it in a thread of the pool. Must not know HTML or JSON.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final
from zoneinfo import ZoneInfo

from motewatch.engine.plan import Grade
from motewatch.journal.rollups import locations_on_record
from motewatch.journal.series import (
    NotSummedYetError,
    RulesOnRecord,
    alarm_bars,
    note_marks,
    series,
)
from motewatch.links.publications import quality_words
from motewatch.measure.samples import Sample, Spread
from motewatch.picture.trend import Bucket, Trend, beyond, moved, shown_share
from motewatch.picture.words import UNICODE, figure, lasting, limit_figure, share, size
from motewatch.site.models import standard_text
from motewatch.web.console.house import House
from motewatch.web.console.record_lines import sample_path
from motewatch.web.console.trend_asked import WEEK, Asked, TrendLaterError, UnclearTrendError
from motewatch.web.words import local
from motewatch.wire.records import DAY_US

POINTS: Final = 480


@dataclass(frozen=True, slots=True)
class Place:
    """A location, also one that is no longer configured but has samples."""

    id: str
    name: str
    room: str
    """Empty: it is not in the site file any more."""
    room_name: str
    standard: str


@dataclass(frozen=True, slots=True)
class Verdict:
    """What a time says of one size, in words."""

    css: str
    sign: str
    head: str
    detail: str


@dataclass(frozen=True, slots=True)
class Row:
    """One sample in the table."""

    when: str
    path: str
    values: tuple[tuple[str, str, str], ...]
    """Of each size: class, sign with word, concentration with count."""
    occupancy: str
    coverage: str
    quality: str
    revised: str
    climate: tuple[str, str, str]


class Trends:
    """See the module."""

    def __init__(self, house: House) -> None:
        self._house = house
        self._rules = RulesOnRecord(house.record.store)

    @property
    def zone(self) -> ZoneInfo:
        """The site's."""
        return self._house.feed.zone

    def places(self) -> list[Place]:
        """All locations, those of the site first."""
        site = self._house.site
        rooms = {room.id: room for room in site.rooms}
        found = [
            Place(
                each.id,
                each.name,
                each.room,
                rooms[each.room].name,
                standard_text(each) or standard_text(rooms[each.room]),
            )
            for each in site.locations
        ]
        known = {each.id for each in found}
        gone = (each for each in locations_on_record(self._house.record.store) if each not in known)
        return found + [Place(each, each, "", "", "") for each in gone]

    def place(self, location: str) -> Place | None:
        """The location of this id; None: it is neither configured nor on record."""
        return next((each for each in self.places() if each.id == location), None)

    def trend(self, place: Place, asked: Asked, points: int = POINTS, single: bool = True) -> Trend:
        """The trend. Raises `UnclearTrendError` for a comparison with what is not there, `TrendLaterError`."""
        try:
            return self._trend(place, asked, points, single)
        except NotSummedYetError:
            raise TrendLaterError(
                "the samples of this time are still being summed up, as happens once after an update: ask again in "
                "some minutes, or for less at once"
            ) from None

    def _trend(self, place: Place, asked: Asked, points: int, single: bool) -> Trend:
        store = self._house.record.store
        rules = self._rules.rules(place.id, asked.from_us, asked.until_us)
        cuts = [each.from_us for each in rules[1:]]
        found = series(store, place.id, asked.from_us, asked.until_us, cuts, None, points, single)
        judged = {level.size_nm for each in rules for levels in each.levels.values() for level in levels}
        counted = {each.size_nm for bucket in found.buckets for each in bucket.stretch.sizes}
        shown = judged if judged and not asked.every_size else judged | counted
        beside: tuple[Bucket, ...] = ()
        name = ""
        if asked.beside:
            other, by_us, name = place.id, 7 * DAY_US, "the week before"
            if asked.beside != WEEK:
                against = self.place(asked.beside)
                if against is None:
                    raise UnclearTrendError("with: there is no such location")
                other, by_us, name = against.id, 0, against.name
            past = series(store, other, found.from_us - by_us, found.until_us - by_us, (), None, points, single)
            beside = tuple(moved(bucket, by_us) for bucket in past.buckets)
        bars, _ = alarm_bars(store, place.id, found.from_us, found.until_us)
        notes = note_marks(store, place.id, place.room, found.from_us, found.until_us)
        return Trend(
            place.id,
            place.name,
            found.from_us,
            found.until_us,
            self._house.clock.now_us(),
            found.width_us,
            tuple(sorted(shown)),
            found.buckets,
            tuple(rules),
            tuple(bars),
            tuple(notes),
            beside,
            name,
        )


def verdicts(trend: Trend, zone: ZoneInfo) -> Iterator[tuple[str, Verdict]]:
    """Each size with what the time shown says of it. Never fine where somebody may have looked away."""
    measured = shown_share(trend)
    for size_nm in trend.sizes_nm:
        name = size(size_nm, UNICODE)
        peaks = [peak for bucket in trend.buckets if (peak := bucket.stretch.peak(size_nm))]
        above = beyond(trend, size_nm)
        judged = any(
            level.size_nm == size_nm for rules in trend.rules for levels in rules.levels.values() for level in levels
        )
        if not peaks:
            yield name, Verdict("unknown", "?", "Cannot tell", "nothing was measured in this time.")
            continue
        top = max(peaks, key=lambda each: each.per_m3)
        detail = f"highest {figure(top.per_m3)}/m³ at {local(top.at_us, zone):%a %d %b %H:%M}"
        hit = {grade: [each for each in above if each.grade is grade] for grade in Grade}
        if worst := hit[Grade.ACTION] or hit[Grade.ALERT]:
            grade = worst[0].grade
            first = max(worst, key=lambda each: each.peak.per_m3 / max(1, each.level))
            times = len({each.bucket for each in worst})
            stretches = f"{'stretch' if times == 1 else 'stretches'} of {lasting(trend.width_us)}"
            many = stretches if trend.width_us else "sample" if times == 1 else "samples"
            detail = (
                f"{figure(first.peak.per_m3)}/m³ at {local(first.peak.at_us, zone):%a %d %b %H:%M}, "
                f"{share(first.peak.per_m3 / first.level) if first.level else 'above'} of the {grade.value} level "
                f"{limit_figure(first.level)}; in {times} {many} of {len(trend.buckets)}."
            )
            bad = grade is Grade.ACTION
            yield (
                name,
                Verdict("bad" if bad else "watch", "✖" if bad else "▲", f"Above the {grade.value} level", detail),
            )
        elif not judged:
            yield name, Verdict("none", "–", "No level", f"{detail}.")
        elif measured is None or measured < 0.9995:
            lost = "" if measured is None else f"; {100 * (1 - measured):.1f} % of the time was not measured"
            yield name, Verdict("unknown", "?", "Held where it was measured", f"{detail}{lost}.")
        else:
            yield name, Verdict("fine", "✓", "Held", f"{detail}.")


def row_of(sample: Sample, trend: Trend, zone: ZoneInfo) -> Row:
    """A sample for the table."""
    values = []
    for size_nm in trend.sizes_nm:
        channel = sample.channel(size_nm)
        if channel is None or channel.per_m3 is None:
            values.append(("unknown", "?", "not measured"))
            continue
        css, sign = "", ""
        for grade, mark in ((Grade.ALERT, ("watch", "▲ alert")), (Grade.ACTION, ("bad", "✖ action"))):
            level = trend.level_at(sample.end_us, sample.occupancy, size_nm, grade)
            if level is not None and channel.per_m3 > level:
                css, sign = mark
        values.append((css, sign, f"{figure(channel.per_m3)} ({channel.count})"))

    def mean(spread: Spread | None) -> str:
        return "" if spread is None else f"{spread.mean:.1f}"

    return Row(
        when=f"{local(sample.end_us, zone):%Y-%m-%d %H:%M:%S}",
        path=sample_path(sample.location, sample.end_us),
        values=tuple(values),
        occupancy=sample.occupancy.replace("-", " "),
        coverage=f"{100 * sample.coverage:.0f} %",
        quality=", ".join(word.replace("-", " ") for word in quality_words(int(sample.quality))) or "good",
        revised=f"revised ({sample.revision})" if sample.revision > 1 else "",
        climate=(mean(sample.temperature), mean(sample.humidity), mean(sample.pressure)),
    )
