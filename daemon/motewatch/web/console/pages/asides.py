"""Long questions to the record: does the chain hold, and what would another configuration have alarmed.

Rules: each runs in a process of its own with low priority and an end; one of a kind at a time, whoever asks. A page
shows how the latest one stands and refreshes itself while that runs. Must not know how a question is answered.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from motewatch.engine.rehearsal import Change, Raised
from motewatch.journal.chain_checks import BROKEN, CHECKED, HOLDS, SUBJECT, UNFINISHED, found_words, last_check
from motewatch.journal.configurations import versions
from motewatch.links.aside import Aside, Told
from motewatch.links.rehearsing import from_plain
from motewatch.picture.words import lasting
from motewatch.web.access.desk import Visitor
from motewatch.web.access.roles import May
from motewatch.web.console.house import House, Rule
from motewatch.web.console.record_lines import stamp
from motewatch.web.console.record_wanted import UnclearError, instant_in
from motewatch.web.console.typed import UNTOUCHED, Typed
from motewatch.wire.records import DAY_US, HOUR_US

CHAIN_S: Final = 600.0
REHEARSAL_S: Final = 120.0
LONGEST_DAYS: Final = 7
SHOWN: Final = 500

ROUTES: Final = (
    Rule("/record/chain", "chain", ("GET", "POST"), May.LOOK),
    Rule("/record/rehearsal", "rehearsal", ("GET", "POST"), May.LOOK),
)

RESULTS: Final = {
    HOLDS: ("fine", "✓", "Both chains held"),
    BROKEN: ("bad", "✖", "A chain was broken"),
    UNFINISHED: ("unknown", "?", "It did not come to its end"),
}
"""Of each result of a check of the chain: its class, its shape, its words."""

CHANGES: Final[dict[Change, tuple[str, str, str]]] = {
    Change.RAISED: ("watch", "+", "would have been raised"),
    Change.NOT_RAISED: ("unknown", "−", "would not have been raised"),
    Change.OTHERWISE: ("none", "≠", "at another time or of another priority"),
}
"""Of each: its class, its shape, its words. None is the colour of fine: fewer alarms may be worse."""


@dataclass(frozen=True, slots=True)
class About:
    """Which rehearsal."""

    digest: str
    from_us: int
    until_us: int
    by: str


class AsidePages:
    """See the module."""

    def __init__(self, house: House) -> None:
        self._house = house
        self._chain = Aside(house.stopping, house.clock)
        self._rehearsals = Aside(house.stopping, house.clock)

    async def chain(self, request: Request, visitor: Visitor) -> Response:
        """How the latest check stands; a POST begins one."""
        if request.method == "POST":
            house = self._house
            await house.form(request, visitor)

            def keep(told: Told) -> None:
                # So that it is known after a restart, too, that somebody looked and what was found.
                if not house.stopping.is_set():
                    house.enter(visitor, CHECKED, SUBJECT, found_words(told.lines, told.trouble))

            self._chain.ask(visitor.id, ["chain", house.record.store.path], CHAIN_S, keep)
            return RedirectResponse("/record/chain", 303)
        told = self._chain.told
        zone = self._house.feed.zone
        more: dict[str, Any] = {"trail": None, "record": None, "first": "", "last": "", "kept": None}
        kept = await run_in_threadpool(last_check, self._house.record.store)
        if kept is not None:
            result, _, rest = kept.detail.partition("; ")
            more["kept"] = (*RESULTS.get(result, RESULTS[UNFINISHED]), stamp(kept.at_us, zone), kept.by, rest)
        if told is not None and told.over:
            more["trail"] = next((line for line in told.lines if "rows" in line), None)
            more["record"] = next((line for line in told.lines if "seals" in line), None)
            if more["trail"] is not None and more["trail"]["first_us"] is not None:
                more["first"] = stamp(more["trail"]["first_us"], zone)
                more["last"] = stamp(more["trail"]["last_us"], zone)
        since = "" if told is None else stamp(told.since_us, zone)
        return self._house.page("record_chain", visitor, told=told, since=since, limit=f"{CHAIN_S / 60:g}", **more)

    async def rehearsal(self, request: Request, visitor: Visitor) -> Response:
        """How the latest rehearsal stands, and what it found; a POST begins one."""
        fields = {name: request.query_params.get(name, "")[:64] for name in ("digest", "since", "until")}
        if request.method != "POST":
            return await run_in_threadpool(self._rehearsal, visitor, fields, 200, UNTOUCHED)
        form = await self._house.form(request, visitor)
        return await run_in_threadpool(self._begin, visitor, {name: form.get(name, "")[:64] for name in fields})

    def _begin(self, visitor: Visitor, fields: dict[str, str]) -> Response:
        house = self._house

        def again(status: int, wrong: str, where: str = "") -> Response:
            return self._rehearsal(visitor, fields, status, Typed("rehearsal", fields, wrong, where))

        if fields["digest"] not in {each.digest for each in versions(house.record.store)}:
            return again(422, "Choose a configuration that is on record.", "digest")
        try:
            since_us = instant_in(fields["since"], house.feed.zone, "from")
            until_us = instant_in(fields["until"], house.feed.zone, "until")
        except UnclearError as error:
            return again(422, f"{error}.", error.field)
        if since_us is None or until_us is None or not since_us < until_us <= since_us + LONGEST_DAYS * DAY_US:
            where = "since" if since_us is None else "until"
            return again(422, f"Say from when until when, the earlier first, {LONGEST_DAYS} days at most.", where)
        about = About(fields["digest"], since_us, until_us, visitor.id)
        words = ["rehearse", house.record.store.path, about.digest, str(since_us), str(until_us)]
        if not self._rehearsals.ask(about, words, REHEARSAL_S):
            return again(409, "Another rehearsal is running. Wait for its end.")
        return RedirectResponse("/record/rehearsal", 303)

    def _rehearsal(self, visitor: Visitor, fields: dict[str, str], status: int, typed: Typed) -> Response:
        house, zone = self._house, self._house.feed.zone
        found = versions(house.record.store)
        told = self._rehearsals.told
        choices = {each.digest: f"{stamp(each.from_us, zone)} ({each.digest[:8]})" for each in found[-200:]}
        now_us = house.clock.now_us()
        shown = {
            "digest": fields["digest"] or (found[-1].digest if found else ""),
            "since": fields["since"] or f"{_field(now_us - DAY_US, zone)}",
            "until": fields["until"] or f"{_field(now_us, zone)}",
        }
        return house.page(
            "rehearsal",
            visitor,
            status,
            typed=typed,
            choices=list(reversed(choices.items())),
            fields=shown,
            told=told,
            about=None if told is None else self._about(told),
            result=self._result(told),
            days=LONGEST_DAYS,
            limit=f"{REHEARSAL_S:g}",
        )

    def _about(self, told: Told) -> dict[str, str]:
        about, zone = told.about, self._house.feed.zone
        return {
            "digest": about.digest,
            "since": stamp(about.from_us, zone),
            "until": stamp(about.until_us, zone),
            "by": about.by,
            "begun": stamp(told.since_us, zone),
        }

    def _result(self, told: Told | None) -> dict[str, Any] | None:
        if told is None or not told.over or told.trouble or not told.lines:
            return None
        rehearsed = from_plain(told.lines[0])
        counts: dict[str, int] = told.lines[0]["counts"]
        zone = self._house.feed.zone
        lines = []
        for each in rehearsed.outcome.differing:
            css, sign, words = CHANGES[each.change]
            was, would = self._raised(each.was), self._raised(each.would)
            text = (each.would or each.was or Raised("", "", "", "", 0)).text
            line = {"css": css, "sign": sign, "words": words, "alarm": each.alarm, "text": text}
            lines.append({**line, "was": was, "would": would})
        return {
            "was": rehearsed.outcome.was,
            "would": rehearsed.outcome.would,
            "lines": lines[:SHOWN],
            "more": sum(counts.values()) - len(lines[:SHOWN]),
            "tally": [(*CHANGES[change], counts[change.value]) for change in Change],
            "before": rehearsed.before,
            "reached": stamp(rehearsed.reached_us, zone),
            "lasting": lasting(rehearsed.reached_us - rehearsed.from_us),
            "cut": rehearsed.cut,
            "inputs": rehearsed.inputs,
            "unreadable": rehearsed.unreadable,
        }

    def _raised(self, raised: Raised | None) -> str:
        if raised is None:
            return ""
        zone = self._house.feed.zone
        end = "still active at the end" if raised.until_us is None else f"over {stamp(raised.until_us, zone)}"
        return f"raised {stamp(raised.at_us, zone)}, {end}, {raised.priority}"


def _field(us: int, zone: Any) -> str:
    """An instant as a field of a form takes it, on the hour."""
    return stamp(us // HOUR_US * HOUR_US, zone)[4:20].replace(" ", "T")
