"""`Rooms`: all rooms and locations; one room; one location with its trend, its table and its files."""

from __future__ import annotations

from collections import defaultdict
from itertools import groupby
from typing import Any, Final
from urllib.parse import urlencode

from markupsafe import Markup
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response, StreamingResponse

from motewatch.journal.series import page_of_samples
from motewatch.links.drawing_png import png_of
from motewatch.picture.trend import AlarmBar, Trend
from motewatch.picture.trend_chart import NARROW, WIDE, trend_chart
from motewatch.picture.words import UNICODE, lasting, size
from motewatch.web.access.desk import Visitor
from motewatch.web.access.roles import May
from motewatch.web.bodies import one_line
from motewatch.web.console.house import House, Rule
from motewatch.web.console.listing import cursor_of, place_of
from motewatch.web.console.record_lines import alarm_path
from motewatch.web.console.trend_asked import SPANS, WEEK, Asked, TrendLaterError, UnclearTrendError, asked_of
from motewatch.web.console.trend_files import NoParquetError, csv_of, parquet_of
from motewatch.web.console.trends import Place, Trends, row_of, verdicts
from motewatch.web.words import local

ROUTES: Final = (
    Rule("/rooms", "rooms", ("GET",), May.LOOK),
    Rule("/room/{room}", "room", ("GET",), May.LOOK),
    Rule("/location/{location}", "location", ("GET",), May.LOOK),
    Rule("/location/{location}/chart.svg", "chart", ("GET",), May.LOOK),
    Rule("/location/{location}/chart.png", "picture", ("GET",), May.LOOK),
    Rule("/location/{location}/samples.csv", "csv", ("GET",), May.LOOK),
    Rule("/location/{location}/samples.parquet", "parquet", ("GET",), May.LOOK),
)
ROWS: Final = 100
ROOMS: Final = 60
TEXT_MAX: Final = 100
LISTED_ALARMS: Final = 50
PARQUET_US: Final = 400 * 86_400_000_000


class RoomPages:
    """See the module."""

    def __init__(self, house: House) -> None:
        self._house = house
        self._trends = Trends(house)

    async def rooms(self, request: Request, visitor: Visitor) -> Response:
        """Rooms and their locations, narrowed to words, page by page."""
        text = one_line(request.query_params.get("text", ""))[:TEXT_MAX]
        place = place_of("rooms", request.query_params.get("cursor", ""), int)
        return await run_in_threadpool(self._rooms, visitor, text, 0 if place is None else max(0, int(place[0])))

    def _rooms(self, visitor: Visitor, text: str, start: int) -> Response:
        site, places = self._house.site, self._trends.places()
        inside = defaultdict[str, list[Place]](list)
        for each in places:
            inside[each.room].append(each)
        words = text.casefold().split()

        def fits(*names: str) -> bool:
            return all(word in " ".join(names).casefold() for word in words)

        areas = {area.id: area.name for area in site.areas}
        found = [
            (areas[room.area], room, inside[room.id])
            for area in site.areas
            for room in site.rooms
            if room.area == area.id
            and fits(room.id, room.name, area.name, *(f"{each.id} {each.name}" for each in inside[room.id]))
        ]
        page = found[start : start + ROOMS]
        fields = {"text": text} if text else {}
        end = start + ROOMS
        return self._house.page(
            "rooms",
            visitor,
            areas=[
                (area, [(room, its) for _, room, its in rooms]) for area, rooms in groupby(page, lambda one: one[0])
            ],
            gone=[each for each in inside[""] if fits(each.id)] if end >= len(found) else [],
            text=text,
            found=len(found),
            all=len(site.rooms),
            first=start == 0,
            newest=f"/rooms?{urlencode(fields)}" if fields else "/rooms",
            more=f"/rooms?{urlencode(fields | {'cursor': cursor_of('rooms', end)})}" if end < len(found) else "",
        )

    async def room(self, request: Request, visitor: Visitor) -> Response:
        """One room: the trend of each of its locations over the same time."""
        return await run_in_threadpool(self._room, request, visitor)

    def _room(self, request: Request, visitor: Visitor) -> Response:
        found = next((each for each in self._house.site.rooms if each.id == request.path_params["room"]), None)
        if found is None:
            raise HTTPException(404, "There is no room of this id in the site.")
        base = f"/room/{found.id}"
        try:
            asked = self._asked(request)
            mine = [each for each in self._trends.places() if each.room == found.id]
            shown = [self._shown(place, self._trends.trend(place, asked)) for place in mine]
        except UnclearTrendError as error:
            return self._unclear(visitor, found.name, base, error)
        return self._house.page("room", visitor, room=found, shown=shown, **self._around(asked, base))

    async def location(self, request: Request, visitor: Visitor) -> Response:
        """One location."""
        return await run_in_threadpool(self._location, request, visitor)

    def _location(self, request: Request, visitor: Visitor) -> Response:
        place = self._place(request)
        base = f"/location/{place.id}"
        try:
            asked = self._asked(request)
            before = _before(request.query_params.get("before", ""))
            trend = self._trends.trend(place, asked)
        except UnclearTrendError as error:
            return self._unclear(visitor, place.name, base, error)
        zone, store = self._house.feed.zone, self._house.record.store
        samples = page_of_samples(store, place.id, trend.from_us, trend.until_us, ROWS, before)
        older = asked.query(before=str(samples[-1].end_us)) if len(samples) == ROWS else ""
        return self._house.page(
            "location",
            visitor,
            place=place,
            one=self._shown(place, trend),
            sizes=[size(each, UNICODE) for each in trend.sizes_nm],
            rows=[row_of(each, trend, zone) for each in samples],
            older=f"{base}?{older}#samples" if older else "",
            first=before is None,
            others=[each for each in self._trends.places() if each.id != place.id],
            beside=asked.beside,
            week=WEEK,
            query=asked.query(),
            toggle=asked.query(sizes="" if asked.every_size else "all"),
            **self._around(asked, base),
        )

    async def chart(self, request: Request, visitor: Visitor) -> Response:
        """The drawing as a file."""

        def drawn() -> Response:
            place = self._place(request)
            text = self._drawing(request, place)
            return Response(text, media_type="image/svg+xml", headers=_named(place, "svg"))

        return await run_in_threadpool(drawn)

    async def picture(self, request: Request, visitor: Visitor) -> Response:
        """The drawing as pixels, for documents that take no SVG."""

        def drawn() -> Response:
            place = self._place(request)
            body = png_of(self._drawing(request, place))
            return Response(body, media_type="image/png", headers=_named(place, "png"))

        return await run_in_threadpool(drawn)

    def _drawing(self, request: Request, place: Place) -> str:
        try:
            trend = self._trends.trend(place, self._asked_or_422(request))
        except UnclearTrendError as error:
            raise HTTPException(503 if isinstance(error, TrendLaterError) else 422, str(error)) from None
        return trend_chart(trend, self._house.feed.zone, WIDE, label=_label(trend, place), standalone=True)

    async def csv(self, request: Request, visitor: Visitor) -> Response:
        """The samples as CSV."""
        place = await run_in_threadpool(self._place, request)
        asked = self._asked_or_422(request)
        pieces = csv_of(self._house.record.store, place.id, asked.from_us, asked.until_us)
        return StreamingResponse(pieces, media_type="text/csv; charset=utf-8", headers=_named(place, "csv"))

    async def parquet(self, request: Request, visitor: Visitor) -> Response:
        """The samples as Parquet."""
        return await run_in_threadpool(self._parquet, request, visitor)

    def _parquet(self, request: Request, visitor: Visitor) -> Response:
        place, asked = self._place(request), self._asked_or_422(request)
        base = f"/location/{place.id}"
        if asked.until_us - asked.from_us > PARQUET_US:
            unclear = UnclearTrendError("more than 400 days in one Parquet file: ask for less, or take CSV")
            return self._unclear(visitor, place.name, base, unclear)
        try:
            body = parquet_of(self._house.record.store, place.id, asked.from_us, asked.until_us)
        except NoParquetError:
            unclear = UnclearTrendError(
                "Parquet files need a library that is not installed here: install motewatch[files], or take CSV"
            )
            return self._unclear(visitor, place.name, base, unclear, 501)
        return Response(body, media_type="application/vnd.apache.parquet", headers=_named(place, "parquet"))

    # What the pages have in common

    def _asked(self, request: Request) -> Asked:
        return asked_of(request.query_params, self._house.clock.now_us(), self._house.feed.zone)

    def _asked_or_422(self, request: Request) -> Asked:
        try:
            return self._asked(request)
        except UnclearTrendError as error:
            raise HTTPException(422, str(error)) from None

    def _place(self, request: Request) -> Place:
        found = self._trends.place(request.path_params["location"])
        if found is None:
            raise HTTPException(404, "There is no location of this id in the site, and no sample of one on record.")
        return found

    def _unclear(self, visitor: Visitor, name: str, base: str, error: UnclearTrendError, status: int = 422) -> Response:
        said, status = str(error), 503 if isinstance(error, TrendLaterError) else status
        return self._house.page(
            "trend_unclear", visitor, status, about=name, base=base, wrong=f"{said[:1].upper()}{said[1:]}."
        )

    def _around(self, asked: Asked, base: str) -> dict[str, Any]:
        """What leads to other times."""
        zone, length = self._house.feed.zone, asked.until_us - asked.from_us

        def at(from_us: int, until_us: int) -> str:
            moved = Asked(from_us, until_us, "", asked.every_size, asked.beside)
            return f"{base}?{moved.query()}"

        middle = (asked.from_us + asked.until_us) // 2
        return {
            "base": base,
            "spans": [(f"{base}?{asked.query(span=key)}", name, key == asked.span) for key, (name, _) in SPANS.items()],
            "steps": [
                ("Earlier", at(asked.from_us - length, asked.from_us)),
                ("Later", at(asked.until_us, asked.until_us + length)),
                ("Zoom in", at(middle - max(length // 4, 5_000_000), middle + max(length // 4, 5_000_000))),
                ("Zoom out", at(asked.from_us - length // 2, asked.until_us + length // 2)),
            ],
            "from_text": f"{local(asked.from_us, zone):%Y-%m-%dT%H:%M}",
            "until_text": f"{local(asked.until_us, zone):%Y-%m-%dT%H:%M}",
            "every_size": asked.every_size,
        }

    def _shown(self, place: Place, trend: Trend) -> dict[str, Any]:
        zone = self._house.feed.zone
        label = _label(trend, place)
        return {
            "place": place,
            "zone": zone.key,
            "verdicts": list(verdicts(trend, zone)),
            # The drawing escapes what comes from outside.
            "wide": Markup(trend_chart(trend, zone, WIDE, label=label)),
            "narrow": Markup(trend_chart(trend, zone, NARROW, label=label)),
            "alarms": [_alarm(bar, trend, zone) for bar in trend.alarms[-LISTED_ALARMS:]],
            "more": max(0, len(trend.alarms) - LISTED_ALARMS),
            "notes": [(f"{local(note.at_us, zone):%a %d %b %H:%M}", note.by, note.text) for note in trend.notes],
            "width": lasting(trend.width_us) if trend.width_us else "",
            "beside": trend.beside_name,
        }


def _alarm(bar: AlarmBar, trend: Trend, zone: Any) -> tuple[str, str, str, str]:
    begin = f"{local(bar.start_us, zone):%a %d %b %H:%M:%S}"
    end = "still holds" if bar.end_us is None else f"returned to normal after {lasting(bar.end_us - bar.start_us)}"
    return begin, end, bar.text, alarm_path(bar.alarm)


def _label(trend: Trend, place: Place) -> str:
    return f"Trend of {place.name}. What it shows is said in words above it and in the table below it."


def _named(place: Place, kind: str) -> dict[str, str]:
    return {"Content-Disposition": f'attachment; filename="{place.id}.{kind}"'}


def _before(text: str) -> int | None:
    if not text:
        return None
    if not (text.isascii() and text.isdigit() and len(text) < 18):
        raise UnclearTrendError("before: not one that this page gave; begin without it")
    return int(text)
