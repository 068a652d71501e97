"""`Alarms`: all that are not normal, by what they ask of people; one alarm with what may be done about it; and how the
alarms are to live with.

Rules: what is done goes to the engine as an order and is shown by its own words, refusals too; what somebody typed is
not lost. A list never renews itself under somebody's hands. Must not know the rules of alarms beyond the table.
"""

from __future__ import annotations

from typing import Any, Final
from urllib.parse import quote, urlencode

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from motewatch.alarms.lifecycle import Event
from motewatch.alarms.priority import Priority
from motewatch.engine.records import OrderedAct
from motewatch.engine.register import RegisterRow, alarm_register
from motewatch.journal.alarm_history import alarm_history
from motewatch.journal.sample_record import notes_on
from motewatch.journal.search import ALARMS, Found, Kind, Place
from motewatch.picture.words import clock
from motewatch.site.alarm_kinds import ALARM_KINDS
from motewatch.site.models import Site
from motewatch.web.access.desk import Visitor
from motewatch.web.access.roles import May
from motewatch.web.access.signable import alarm_subject, signatures_of
from motewatch.web.bodies import one_line
from motewatch.web.console.alarm_acts import ACTS, Act, acts_for, minutes_up_to
from motewatch.web.console.alarm_figures_page import figures_page
from motewatch.web.console.alarm_history_page import FIELDS, narrowed, words_of
from motewatch.web.console.alarm_page import groups_of, hidden_words, meaning_of, state_of, steps_of
from motewatch.web.console.house import House, Rule, role_words
from motewatch.web.console.listing import cursor_of, place_of
from motewatch.web.console.now import COMMENT_MAX, alarm_now
from motewatch.web.console.record_lines import line_of, note_path, stamp
from motewatch.web.console.record_wanted import UnclearError
from motewatch.web.console.typed import UNTOUCHED, Typed, too_long
from motewatch.web.words import length
from motewatch.wire.records import MINUTE_US

ROUTES: Final = (
    Rule("/alarms", "alarms", ("GET", "POST"), May.LOOK),
    Rule("/alarm", "alarm", ("GET", "POST"), May.LOOK),
    Rule("/alarms/history", "history", ("GET",), May.LOOK),
    Rule("/alarms/figures", "figures", ("GET",), May.LOOK),
)
STEPS_SHOWN: Final = 60
ROWS: Final = 50
SHOWN: Final = 200
"""So many alarms of a list stand on the page, unless all are asked for: a flood must not fill a phone."""
BOXES: Final = 100
"""So many alarms have a box to be acknowledged together."""

NO_REPLY: Final = "It was handed over, but there is no reply yet. Look at the list before you try again."


class AlarmPages:
    """See the module."""

    def __init__(self, house: House) -> None:
        self._house = house
        self._register: tuple[Site, dict[str, RegisterRow]] | None = None

    def _row(self, site: Site, alarm: str) -> RegisterRow | None:
        """What the register says of the alarm. Compiled once for each configuration."""
        register = self._register
        if register is None or register[0] is not site:
            register = self._register = site, {row.alarm: row for row in alarm_register(site)}
        return register[1].get(alarm)

    # The lists

    async def alarms(self, request: Request, visitor: Visitor) -> Response:
        """All alarms that are not normal; a POST acknowledges those that were ticked."""
        if request.method != "POST":
            whole = request.query_params.get("all", "") == "1"
            return await run_in_threadpool(self._list, visitor, 200, (), UNTOUCHED, whole)
        form = await self._house.form(request, visitor)
        if not visitor.may(May.ACKNOWLEDGE):
            raise HTTPException(403, role_words(visitor))
        return await run_in_threadpool(self._acknowledge, visitor, form)

    def _acknowledge(self, visitor: Visitor, form: dict[str, str]) -> Response:
        comment = one_line(form.get("comment", ""))
        ticked = [value for name, value in form.items() if name.startswith("take-")]
        if not ticked:
            return self._list(visitor, 422, ("Tick the alarms that you have taken note of.",), Typed("take", form))
        if len(comment) > COMMENT_MAX:
            typed = Typed("take", form, too_long(comment, COMMENT_MAX), "comment")
            return self._list(visitor, 422, (typed.above,), typed)
        refused, silent = [], False
        for alarm in ticked[:BOXES]:
            replied = self._house.order(visitor, OrderedAct.ACKNOWLEDGE, alarm, comment)
            if replied is None:
                silent = True
                break
            if not replied.accepted:
                refused.append(f"{replied.text}.")
        if silent:
            return self._list(visitor, 202, (NO_REPLY, *refused), Typed("take", form))
        if refused:
            return self._list(visitor, 409, refused, Typed("take", form))
        self._house.until_shown(ticked[:BOXES])
        return RedirectResponse("/alarms", 303)

    def _list(self, visitor: Visitor, status: int, wrong: Any, typed: Typed, whole: bool = False) -> Response:
        house, site = self._house, self._house.site
        now_us, zone = house.clock.now_us(), house.feed.zone
        names = {each.id: each.name for each in site.locations}
        rooms = {each.id: each.name for each in site.rooms}
        lines = [(alarm, alarm_now(alarm, names, rooms, zone, now_us)) for alarm in house.feed.alarms()]
        shown: dict[str, Any] = {
            "groups": groups_of(lines, zone, now_us),
            "clock": clock(now_us, zone),
            "wrong": wrong,
            "typed": typed,
            "ticked": {value for name, value in typed.fields.items() if name.startswith("take-")},
            "longest": COMMENT_MAX,
            "boxes": BOXES,
            "most": None if whole else SHOWN,
        }
        return house.page("alarms", visitor, status, **shown)

    # One alarm

    async def alarm(self, request: Request, visitor: Visitor) -> Response:
        """One alarm; a POST does one thing about it."""
        alarm = request.query_params.get("id", "")[:200]
        if request.method != "POST":
            return await run_in_threadpool(self._one, visitor, alarm, 200, UNTOUCHED)
        form = await self._house.form(request, visitor)
        act = next((each for each in ACTS if each.ordered.value == form.get("act")), None)
        if act is None:
            raise HTTPException(400)
        if not visitor.may(act.right):
            raise HTTPException(403, role_words(visitor))
        return await run_in_threadpool(self._do, visitor, alarm, act, form)

    def _do(self, visitor: Visitor, alarm: str, act: Act, form: dict[str, str]) -> Response:
        house = self._house
        comment, permit = one_line(form.get("comment", "")), one_line(form.get("permit", ""))[:100]
        fields = {"comment": comment, "permit": permit, "minutes": form.get("minutes", "")}
        until_us = 0

        def again(status: int, wrong: str, where: str = "") -> Response:
            return self._one(visitor, alarm, status, Typed(act.ordered.value, fields, wrong, where))

        if act.minutes:
            minutes = form.get("minutes", "")
            if minutes not in {str(each) for each in minutes_up_to(house.site.alarms.longest_shelving_h)}:
                return again(422, "Choose for how long.", "minutes")
            until_us = house.clock.now_us() + int(minutes) * MINUTE_US
        if len(comment) > COMMENT_MAX:
            return again(422, too_long(comment, COMMENT_MAX), "comment")
        replied = house.order(visitor, act.ordered, alarm, comment, until_us=until_us, permit=permit)
        if replied is None:
            return again(202, NO_REPLY)
        if not replied.accepted:
            missing = "comment" if act.needs_comment and not comment else "permit" if act.permit and not permit else ""
            return again(409, f"Refused: {replied.text}.", missing)
        self._house.until_shown([alarm])
        return RedirectResponse(f"/alarm?id={quote(alarm)}", 303)

    def _one(self, visitor: Visitor, alarm: str, status: int, typed: Typed) -> Response:
        house, site = self._house, self._house.site
        zone, now_us = house.feed.zone, house.clock.now_us()
        changes = house.record.query_alarm_events(alarm, limit=STEPS_SHOWN)
        row = self._row(site, alarm)
        known = bool(changes) or row is not None
        began_us = next((each.at_us for each in reversed(changes) if each.event is Event.STARTS), None)
        subject = "" if began_us is None else alarm_subject(alarm, began_us)
        line = next((each for each in house.feed.alarms() if each.alarm == alarm), None)
        names = {each.id: each.name for each in site.locations}
        rooms = {each.id: each.name for each in site.rooms}
        shown: dict[str, Any] = {
            "id": alarm,
            "known": known,
            "line": None if line is None else alarm_now(line, names, rooms, zone, now_us),
            "hidden": "" if line is None else hidden_words(line, zone, now_us),
            "meaning": None if row is None else meaning_of(row),
            "location": None if row is None else row.location,
            "place": "" if row is None or row.location is None else names[row.location],
            "sensor": None if row is None else row.sensor,
            "text": changes[-1].text if changes else "",
            "steps": steps_of(changes, zone),
            "more": len(changes) == STEPS_SHOWN,
            "acts": acts_for(state_of(changes), visitor.may) if changes else [],
            "minutes": [(each, length(each)) for each in minutes_up_to(site.alarms.longest_shelving_h)],
            "typed": typed,
            "longest": COMMENT_MAX,
            "notes": [(each, stamp(each.at_us, zone)) for each in notes_on(house.record.store, f"alarm/{alarm}")],
            "note_path": note_path(f"alarm/{alarm}"),
            "signed": signatures_of(house.record, subject) if subject else [],
            "sign_path": f"/sign?subject={quote(subject)}" if subject else "",
        }
        return house.page("alarm", visitor, status if known else 404, **shown)

    # What became of them

    async def history(self, request: Request, visitor: Visitor) -> Response:
        """Every step on record, narrowed, page by page."""
        fields = {name: request.query_params.get(name, "")[:100] for name in FIELDS}
        place = place_of("alarm-history", request.query_params.get("cursor", ""), int, int)
        return await run_in_threadpool(self._history, visitor, fields, place)

    def _history(self, visitor: Visitor, fields: dict[str, str], place: tuple[int | str, ...] | None) -> Response:
        house, site = self._house, self._house.site
        kept = {name: value for name, value in fields.items() if value}
        shown: dict[str, Any] = {
            "fields": fields,
            "priorities": [each.value for each in Priority],
            "kinds": ALARM_KINDS,
            "rooms": [(each.id, each.name) for each in site.rooms],
            "said": words_of(fields, site),
            "first": place is None,
            "newest": f"/alarms/history?{urlencode(kept)}",
        }
        try:
            wanted = narrowed(fields, site)
        except UnclearError as error:
            wrong = f"{str(error)[:1].upper()}{str(error)[1:]}."
            typed = Typed("search", {}, wrong, error.field)
            return house.page("alarm_history", visitor, 422, typed=typed, lines=[], older="", **shown)
        after = None if place is None else (int(place[0]), int(place[1]))
        steps, more = alarm_history(house.record.store, wanted, after, ROWS)
        names = {each.id: each.name for each in site.locations}
        lines = [
            line_of(Found(Place(at_us, ALARMS, row), Kind.ALARM, step), names, house.feed.zone)
            for (at_us, row), step in steps
        ]
        older = ""
        if more is not None:
            older = f"/alarms/history?{urlencode(kept | {'cursor': cursor_of('alarm-history', *more)})}"
        return house.page("alarm_history", visitor, typed=UNTOUCHED, lines=lines, older=older, **shown)

    # How they are to live with

    async def figures(self, request: Request, visitor: Visitor) -> Response:
        """The figures of alarm performance beside their targets."""
        days = request.query_params.get("days", "30")
        return await run_in_threadpool(self._figures, visitor, days)

    def _figures(self, visitor: Visitor, days: str) -> Response:
        house = self._house
        chosen = int(days) if days in ("1", "7", "30", "90") else 30
        shown = figures_page(house.record, house.site, house.feed.zone, house.clock.now_us(), chosen)
        return house.page("alarm_figures", visitor, days=chosen, choices=(1, 7, 30, 90), **shown)
