"""Locations, their samples, and their trends."""

from __future__ import annotations

from datetime import datetime
from typing import Final

from pydantic import Field
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from motewatch.engine.plan import Grade
from motewatch.journal.series import page_of_samples
from motewatch.links.publications import sample_payload
from motewatch.measure.stretches import Ranged, Stretch
from motewatch.picture.trend import Bucket, Trend
from motewatch.site.instants import instant
from motewatch.web.access.desk import Visitor
from motewatch.web.access.roles import May
from motewatch.web.console.house import House
from motewatch.web.console.listing import Listed, cursor_of, place_of
from motewatch.web.console.operation import BASE, Operation, Out, answer, query_of
from motewatch.web.console.trend_asked import Asked, TrendLaterError, UnclearTrendError, asked_of
from motewatch.web.console.trends import Place, Trends
from motewatch.wire.outgoing import SampleMessage

SAMPLES: Final = "samples"
_TIME: Final = (
    "2026-03-05T13:30:00Z, or without an offset by the site's clock; empty: the last 24 hours. At most 5 years."
)


class Where(Out):
    """A location."""

    id: str
    name: str
    room: str | None = Field(description="null: it is not in the site file any more, but has samples on record.")
    standard: str


class Locations(Out):
    """A page of them, in the order of the site file; those that are on record alone come last."""

    locations: list[Where]
    next: str | None


class SamplesAsked(Listed):
    """Which samples."""

    begin: str = Field(default="", max_length=40, alias="from", description=f"Samples that end after this: {_TIME}")
    until: str = Field(default="", max_length=40, description="Samples that end at or before this.")


class Samples(Out):
    """The latest revision of each sample, newest first."""

    samples: list[SampleMessage]
    next: str | None = Field(description="The cursor of the page after this one; null: there is none.")


class SeriesAsked(Out):
    """Which time, and how fine."""

    begin: str = Field(default="", max_length=40, alias="from", description=f"From: {_TIME}")
    until: str = Field(default="", max_length=40, description="Until.")
    points: int = Field(default=480, ge=1, le=2000, description="About so many buckets at most, of a round width.")
    sizes: str = Field(default="", max_length=8, description="all: every size; empty: those that have levels.")


class SizeThen(Out):
    """One size in a bucket."""

    size_um: float
    samples: int
    mean_per_m3: float
    low_per_m3: float = Field(description="The least sample.")
    high_per_m3: float = Field(description="The highest sample; no peak is averaged away.")
    high_at: datetime = Field(description="The end of that sample.")
    zeros: int = Field(description="How many samples counted nothing.")
    alert_per_m3: int | None = Field(description="The level at the highest sample, by its time and occupancy.")
    action_per_m3: int | None


class Climate(Out):
    """A climate quantity."""

    mean: float
    low: float
    high: float


class BucketThen(Out):
    """The samples that ended in `(start, end]`; a time without a bucket was not measured and not recorded."""

    start: datetime
    end: datetime
    samples: int
    measured_us: int = Field(description="The time that samples with air stand for.")
    longest_hole_us: int = Field(description="The longest time without air between two samples with air in it.")
    revised: int
    occupancy: list[str]
    sizes: list[SizeThen] = Field(description="Empty: nothing was measured.")
    temperature_c: Climate | None
    humidity_pct: Climate | None
    pressure_pa: Climate | None


class SeriesThen(Out):
    """A trend."""

    location: str
    start: datetime
    end: datetime
    width_us: int = Field(description="0: each bucket is one sample.")
    buckets: list[BucketThen]


OPERATIONS: Final = (
    Operation(
        f"{BASE}/locations",
        "GET",
        "locations",
        "All locations, page by page",
        May.LOOK,
        Locations,
        problems=(400, 401, 403, 422),
        asks=Listed,
    ),
    Operation(
        f"{BASE}/locations/{{location}}/samples",
        "GET",
        "samples",
        "Samples of a location, newest first",
        May.LOOK,
        Samples,
        problems=(400, 401, 403, 404, 422),
        asks=SamplesAsked,
    ),
    Operation(
        f"{BASE}/locations/{{location}}/series",
        "GET",
        "series",
        "The trend of a location, with levels as they were",
        May.LOOK,
        SeriesThen,
        problems=(401, 403, 404, 422, 503),
        asks=SeriesAsked,
    ),
)


class TrendOperations:
    """See the module."""

    def __init__(self, house: House) -> None:
        self._house = house
        self._trends = Trends(house)

    async def locations(self, request: Request, visitor: Visitor) -> Response:
        """All locations."""
        asked = query_of(request, Listed)
        place = place_of("locations", asked.cursor, int)
        start = 0 if place is None else max(0, int(place[0]))
        places = await run_in_threadpool(self._trends.places)
        end = start + asked.limit
        found = [
            Where(id=each.id, name=each.name, room=each.room or None, standard=each.standard)
            for each in places[start:end]
        ]
        return answer(Locations(locations=found, next=cursor_of("locations", end) if end < len(places) else None))

    async def samples(self, request: Request, visitor: Visitor) -> Response:
        """Samples of a location."""
        asked = query_of(request, SamplesAsked)
        place = place_of(SAMPLES, asked.cursor, int)
        before = None if place is None else int(place[0])
        return await run_in_threadpool(self._samples, request, asked, before)

    def _samples(self, request: Request, asked: SamplesAsked, before: int | None) -> Response:
        where, time = self._where(request), self._time(asked.begin, asked.until)
        store = self._house.record.store
        found = page_of_samples(store, where.id, time.from_us, time.until_us, asked.limit, before)
        room = where.room or "-"
        more = cursor_of(SAMPLES, found[-1].end_us) if len(found) == asked.limit else None
        return answer(
            Samples(
                samples=[SampleMessage.model_validate_json(sample_payload(each, room)) for each in found], next=more
            )
        )

    async def series(self, request: Request, visitor: Visitor) -> Response:
        """A trend."""
        asked = query_of(request, SeriesAsked)
        if asked.sizes not in ("", "all"):
            raise HTTPException(422, "sizes: leave it out, or write all")
        return answer(await run_in_threadpool(self._series, request, asked))

    def _series(self, request: Request, asked: SeriesAsked) -> SeriesThen:
        where, time = self._where(request), self._time(asked.begin, asked.until, asked.sizes)
        try:
            trend = self._trends.trend(where, time, asked.points)
        except TrendLaterError as error:
            raise HTTPException(503, str(error)) from None
        return SeriesThen(
            location=where.id,
            start=instant(trend.from_us),
            end=instant(trend.until_us),
            width_us=trend.width_us,
            buckets=[_bucket(trend, each) for each in trend.buckets],
        )

    def _where(self, request: Request) -> Place:
        found = self._trends.place(request.path_params["location"])
        if found is None:
            raise HTTPException(404, "there is no location of this id, in the site file or on record")
        return found

    def _time(self, begin: str, until: str, sizes: str = "") -> Asked:
        query = {"from": begin, "until": until, "sizes": sizes}
        try:
            return asked_of(query, self._house.clock.now_us(), self._house.feed.zone)
        except UnclearTrendError as error:
            raise HTTPException(422, str(error)) from None


def _bucket(trend: Trend, bucket: Bucket) -> BucketThen:
    stretch = bucket.stretch
    return BucketThen(
        start=instant(bucket.start_us),
        end=instant(bucket.end_us),
        samples=stretch.samples,
        measured_us=stretch.air_us,
        longest_hole_us=stretch.hole_us,
        revised=stretch.revised,
        occupancy=list(dict.fromkeys(run.occupancy for run in stretch.runs)),
        sizes=[made for size in trend.sizes_nm if (made := _size(trend, stretch, size))],
        temperature_c=_climate(stretch.temperature),
        humidity_pct=_climate(stretch.humidity),
        pressure_pa=_climate(stretch.pressure),
    )


def _size(trend: Trend, stretch: Stretch, size_nm: int) -> SizeThen | None:
    counted, peak = stretch.size(size_nm), stretch.peak(size_nm)
    if counted is None or peak is None:
        return None
    state = next(run.occupancy for run in stretch.runs if peak in run.peaks)
    alert, action = (trend.level_at(peak.at_us, state, size_nm, grade) for grade in (Grade.ALERT, Grade.ACTION))
    return SizeThen(
        size_um=size_nm / 1000,
        samples=counted.n,
        mean_per_m3=counted.per_m3,
        low_per_m3=counted.low_per_m3,
        high_per_m3=peak.per_m3,
        high_at=instant(peak.at_us),
        zeros=counted.zeros,
        alert_per_m3=alert,
        action_per_m3=action,
    )


def _climate(ranged: Ranged | None) -> Climate | None:
    return None if ranged is None else Climate(mean=ranged.mean, low=ranged.low / 1000, high=ranged.high / 1000)
