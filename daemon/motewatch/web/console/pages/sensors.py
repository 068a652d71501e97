"""`Sensors`: which can be trusted now, messages that could not be used, and where portable counters stand.

Rules: a check-in goes to the engine and is answered in its words. The bytes of a message are shown as text only, and
downloaded as a file that no browser opens as a page. Must not know how the record is searched.
"""

from __future__ import annotations

from collections import Counter
from typing import Any, Final
from urllib.parse import quote, urlencode

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from motewatch.journal.sample_record import notes_on
from motewatch.journal.sensor_record import (
    knocking,
    letter,
    letters,
    looked_back_us,
    newest_letters,
    newest_readings,
    placings,
    readings_of,
)
from motewatch.picture.words import clock
from motewatch.site.models import Site
from motewatch.web.access.desk import Visitor
from motewatch.web.access.roles import May
from motewatch.web.bodies import one_line
from motewatch.web.console.house import House, Rule
from motewatch.web.console.listing import cursor_of, place_of
from motewatch.web.console.now import COMMENT_MAX
from motewatch.web.console.record_lines import note_path, stamp
from motewatch.web.console.sensors_page import (
    RANK,
    Key,
    Known,
    Line,
    chosen,
    delay_words,
    letter_of,
    lines_of,
    page_of,
    stranger_of,
)
from motewatch.web.console.typed import UNTOUCHED, Typed, too_long
from motewatch.wire.decode import decode
from motewatch.wire.records import DAY_US, Reading
from motewatch.wire.topics import Topics

ROUTES: Final = (
    Rule("/sensors", "sensors", ("GET",), May.LOOK),
    Rule("/sensors/letters", "dead_letters", ("GET",), May.LOOK),
    Rule("/sensors/letter", "dead_letter", ("GET",), May.LOOK),
    Rule("/sensor/{sensor}", "sensor", ("GET",), May.LOOK),
    Rule("/sensor/{sensor}", "place", ("POST",), May.OPERATE),
)
LETTERS: Final = 50
ROWS: Final = 60
TEXT_MAX: Final = 100
KEY: Final = (int, int, str, str)
READINGS: Final = 20
NO_REPLY: Final = "It was handed over, but there is no reply yet. Look again before you try again."


def topics_of(site: Site) -> Topics:
    """The topics of the site's messages."""
    return Topics(site.service.topic_root, site.site.id)


def sensor_lines(house: House) -> list[Line]:
    """All sensors as they stand; reads the record, so call it in a thread of the pool."""
    site, now_us, store = house.site, house.clock.now_us(), house.record.store
    known = Known(
        site,
        topics_of(site),
        house.feed.zone,
        now_us,
        house.feed.alarms(),
        newest_readings(store),
        placings(store),
        [step for step in house.record.alarm_steps(now_us - 7 * DAY_US, now_us + 1) if step.kind == "sensor-silent"],
        newest_letters(store),
        looked_back_us(store),
    )
    return lines_of(known)


def key_from(place: tuple[int | str, ...] | None) -> Key | None:
    """The place that a cursor stands for, for `page_of`."""
    return None if place is None else (int(place[0]), int(place[1]), str(place[2]), str(place[3]))


class SensorPages:
    """See the module."""

    def __init__(self, house: House) -> None:
        self._house = house

    async def sensors(self, request: Request, visitor: Visitor) -> Response:
        """Sensors, the worst first, narrowed to an answer and to words, page by page."""
        query = request.query_params
        css = query.get("answer", "")
        text = one_line(query.get("text", ""))[:TEXT_MAX]
        place = place_of("sensors", query.get("cursor", ""), *KEY)
        return await run_in_threadpool(self._list, visitor, css if css in RANK else "", text, place)

    def _list(self, visitor: Visitor, css: str, text: str, place: tuple[int | str, ...] | None) -> Response:
        house = self._house
        zone, now_us, store = house.feed.zone, house.clock.now_us(), house.record.store
        lines = sensor_lines(house)
        counted = Counter(line.css for line in lines)
        found = chosen(lines, css, text)
        page, after = page_of(found, key_from(place), ROWS)
        fields = {name: value for name, value in (("answer", css), ("text", text)) if value}
        shown: dict[str, Any] = {
            "answer": css,
            "text": text,
            "found": len(found),
            "all": len(lines),
            "first": place is None,
            "more": "" if after is None else f"/sensors?{urlencode(fields | {'cursor': cursor_of('sensors', *after)})}",
            "newest": f"/sensors?{urlencode(fields)}" if fields else "/sensors",
            "clock": clock(now_us, zone),
            "lines": page,
            "tally": [
                (css, sign, counted[css], word)
                for css, sign, word in (
                    ("bad", "✖", "not to be trusted"),
                    ("unknown", "?", "cannot tell"),
                    ("watch", "▲", "due"),
                    ("fine", "✓", "in order"),
                )
            ],
            "strangers": [
                stranger_of(one, topics_of(house.site), zone, now_us)
                for one in knocking(store)
                if all(one.sensor != sensor.id for sensor in house.site.sensors)
            ],
            "letters": [letter_of(one, zone, now_us) for one in letters(store, 5)],
        }
        return house.page("sensors", visitor, **shown)

    async def dead_letters(self, request: Request, visitor: Visitor) -> Response:
        """Messages that could not be used, newest first."""
        place = place_of("letters", request.query_params.get("cursor", ""), int)
        return await run_in_threadpool(self._letters, visitor, None if place is None else int(place[0]))

    def _letters(self, visitor: Visitor, before_id: int | None) -> Response:
        house = self._house
        found = letters(house.record.store, LETTERS + 1, before_id)
        more = cursor_of("letters", found[LETTERS - 1].id) if len(found) > LETTERS else ""
        rows = [letter_of(one, house.feed.zone, house.clock.now_us()) for one in found[:LETTERS]]
        return house.page("letters", visitor, letters=rows, more=more, older=before_id is not None)

    async def dead_letter(self, request: Request, visitor: Visitor) -> Response:
        """The bytes of one, as a file."""
        wanted = request.query_params.get("id", "")
        if not wanted.isascii() or not wanted.isdecimal() or len(wanted) > 18:
            raise HTTPException(404, "There is no such message on record.")
        found = await run_in_threadpool(letter, self._house.record.store, int(wanted))
        if found is None:
            raise HTTPException(404, "There is no such message on record.")
        headers = {"Content-Disposition": f'attachment; filename="dead-letter-{found.id}.bin"'}
        return Response(found.letter.payload, headers=headers, media_type="application/octet-stream")

    async def sensor(self, request: Request, visitor: Visitor) -> Response:
        """One sensor."""
        return await run_in_threadpool(self._one, visitor, request.path_params["sensor"], 200, UNTOUCHED)

    async def place(self, request: Request, visitor: Visitor) -> Response:
        """Say where a portable counter stands from now on."""
        form = await self._house.form(request, visitor)
        return await run_in_threadpool(self._place, visitor, request.path_params["sensor"], form)

    def _place(self, visitor: Visitor, sensor: str, form: dict[str, str]) -> Response:
        act, location, comment = form.get("act", ""), form.get("location", "")[:100], one_line(form.get("comment", ""))
        if act not in ("check-in", "check-out"):
            raise HTTPException(400)
        fields = {"location": location, "comment": comment}
        if len(comment) > COMMENT_MAX:
            typed = Typed("place", fields, too_long(comment, COMMENT_MAX), "comment")
            return self._one(visitor, sensor, 422, typed)
        if act == "check-in" and not location:
            return self._one(visitor, sensor, 422, Typed("place", fields, "Choose where it stands.", "location"))
        to = location if act == "check-in" else None
        replied = self._house.place(visitor, sensor, to, comment)
        if replied is None:
            return self._one(visitor, sensor, 202, Typed("place", fields, NO_REPLY))
        if not replied.accepted:
            return self._one(visitor, sensor, 409, Typed("place", fields, f"Refused: {replied.text}."))
        return RedirectResponse(f"/sensor/{quote(sensor, safe='')}", 303)

    def _one(self, visitor: Visitor, sensor: str, status: int, typed: Typed) -> Response:
        house, site = self._house, self._house.site
        zone, now_us, store = house.feed.zone, house.clock.now_us(), house.record.store
        line = next((each for each in sensor_lines(house) if each.id == sensor), None)
        if line is None:
            raise HTTPException(404, "There is no sensor of this id in the site file.")
        readings = []
        for row in readings_of(store, sensor, READINGS):
            heard = decode(topics_of(site), row.topic, row.payload)
            if isinstance(heard, Reading):
                counts = ", ".join(
                    f"≥{size / 1000:g} µm: {count}" for size, count in zip(heard.sizes_nm, heard.counts, strict=True)
                )
                readings.append((stamp(heard.end_us, zone), heard, counts, delay_words(row.received_us - heard.end_us)))
        shown: dict[str, Any] = {
            "line": line,
            "readings": readings,
            "letters": [letter_of(one, zone, now_us) for one in letters(store, 10, sensor=sensor)],
            "alarms": [each for each in house.feed.alarms() if each.sensor == sensor],
            "places": [(each.id, each.name) for each in site.locations],
            "notes": [(each, stamp(each.at_us, zone)) for each in notes_on(store, f"sensor/{sensor}")],
            "note_path": note_path(f"sensor/{sensor}"),
            "typed": typed,
            "longest": COMMENT_MAX,
        }
        return house.page("sensor", visitor, status, **shown)
