"""The record: everything that happened, the audit trail, one sample, and notes."""

from __future__ import annotations

from typing import Final

from pydantic import Field
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from motewatch.engine.records import AlarmChanged
from motewatch.journal.configurations import PlansOnRecord
from motewatch.journal.rows import AuditRow, CallRow
from motewatch.journal.sample_record import notes_on, revisions, trail
from motewatch.journal.search import Found, Kind, Letter, Place, Wanted, search
from motewatch.links.publications import iso, sample_payload
from motewatch.measure.samples import Sample
from motewatch.picture.levels import beyond_words, level_lines
from motewatch.web.access.desk import Visitor
from motewatch.web.access.roles import May
from motewatch.web.access.signable import sample_subject
from motewatch.web.bodies import one_line
from motewatch.web.console.house import House
from motewatch.web.console.listing import Listed, cursor_of, place_of
from motewatch.web.console.note_subjects import NOTE, NOTE_MAX, SUBJECT_MAX, instant_of, thing
from motewatch.web.console.operation import BASE, Operation, Out, answer, body_of, query_of
from motewatch.web.console.record_lines import line_of
from motewatch.web.console.record_wanted import Asked, UnclearError, wanted_of
from motewatch.wire.outgoing import SampleMessage


class Search(Listed):
    """What is searched for; all that is given must hold."""

    since: str = Field(default="", max_length=40, description="ISO 8601, in the site's zone where it names none.")
    until: str = Field(default="", max_length=40, description="Before this instant.")
    kind: str = Field(
        default="",
        max_length=200,
        description=f"Of these kinds only, with commas between: {', '.join(Kind)}. Empty: all but sample.",
    )
    location: str = Field(default="", max_length=100)
    room: str = Field(default="", max_length=100)
    sensor: str = Field(default="", max_length=100)
    person: str = Field(default="", max_length=100, description="Id of who did it or was called.")
    text: str = Field(default="", max_length=100, description="Words in what is on the audit trail: notes, comments.")


class Happened(Out):
    """Something that happened."""

    id: str
    at: str
    kind: str
    subject: str = Field(description="The alarm, location, sensor, user or other thing that it is about.")
    by: str
    text: str
    detail: str


class Everything(Out):
    """What was found, newest first."""

    rows: list[Happened]
    looked_to: str | None = Field(description="The page ended early, having looked back to here; go on from `next`.")
    next: str | None


class AuditEntry(Out):
    """One row of the audit trail. `hash` covers the row and `previous_hash`."""

    id: int
    at: str
    by: str
    action: str
    subject: str
    detail: str
    previous_hash: str
    hash: str


class AuditTrail(Out):
    """Rows of the audit trail, newest first."""

    rows: list[AuditEntry]
    next: str | None


class WhichSample(Out):
    """One sample by its place and the end of its period."""

    location: str = Field(min_length=1, max_length=100)
    end: str = Field(min_length=1, max_length=40, description="End of the period, ISO 8601, UTC.")


class Level(Out):
    """One size and the levels in force for it at that time."""

    size_um: float
    alert_per_m3: int | None
    action_per_m3: int | None
    beyond: str | None = Field(description="alert or action: the newest revision is above that level.")


class Note(Out):
    """A note; it is never changed."""

    at: str
    by: str
    note: str


class OneSample(Out):
    """A sample with all that is on record of it."""

    subject: str = Field(description="Its name for a note or a signature.")
    revisions: list[SampleMessage]
    configuration: str | None = Field(description="Digest of the configuration in force; null: it cannot be read.")
    levels: list[Level]
    notes: list[Note]


class NewNote(Out):
    """Write this note."""

    subject: str = Field(
        min_length=1,
        max_length=SUBJECT_MAX,
        description="sample/LOCATION/END, alarm/ID, location/ID, room/ID or sensor/ID.",
    )
    note: str = Field(min_length=1, max_length=NOTE_MAX)


class Noted(Out):
    """It is on record."""

    subject: str
    by: str
    note: str


OPERATIONS: Final = (
    Operation(
        f"{BASE}/record",
        "GET",
        "record",
        "Everything that happened, newest first",
        May.LOOK,
        Everything,
        problems=(400, 401, 403, 422),
        asks=Search,
    ),
    Operation(
        f"{BASE}/audit",
        "GET",
        "audit",
        "The audit trail, newest first",
        May.LOOK,
        AuditTrail,
        problems=(400, 401, 403, 422),
        asks=Listed,
    ),
    Operation(
        f"{BASE}/samples/one",
        "GET",
        "one_sample",
        "One sample with its revisions, levels and notes",
        May.LOOK,
        OneSample,
        problems=(401, 403, 404, 422),
        asks=WhichSample,
    ),
    Operation(
        f"{BASE}/notes",
        "POST",
        "add_note",
        "Write a note on a sample, an alarm, a location, a room or a sensor",
        May.NOTE,
        Noted,
        NewNote,
        (400, 401, 403, 404, 413, 422, 503),
    ),
)


class RecordOperations:
    """See the module."""

    def __init__(self, house: House) -> None:
        self._house = house
        self._plans = PlansOnRecord(house.record.store)

    async def record(self, request: Request, visitor: Visitor) -> Response:
        """Everything that happened."""
        asked = query_of(request, Search)
        place = place_of("record", asked.cursor, int, int, int)
        kinds = tuple(each.strip() for each in asked.kind.split(",") if each.strip())
        fields = Asked(
            asked.since, asked.until, asked.location, asked.room, asked.sensor, asked.person, asked.text, kinds
        )
        try:
            wanted = wanted_of(fields, self._house.site)
        except UnclearError as error:
            raise HTTPException(422, str(error)) from None
        after = None if place is None else Place(*(int(part) for part in place))
        return answer(await run_in_threadpool(self._found, wanted, after, asked.limit))

    def _found(self, wanted: Wanted, after: Place | None, limit: int) -> Everything:
        site = self._house.site
        names = {each.id: each.name for each in site.locations}

        def judge(sample: Sample, input_id: int) -> str:
            plan = self._plans.as_of(input_id)
            return "" if plan is None else beyond_words(plan.locations.get(sample.location), sample)

        page = search(self._house.record.store, wanted, after, limit, judge)
        there = page.next
        return Everything(
            rows=[self._happened(row, names) for row in page.rows],
            looked_to=None if page.looked_to_us is None else iso(page.looked_to_us),
            next=None if there is None else cursor_of("record", there.at_us, there.table, there.id),
        )

    def _happened(self, row: Found, names: dict[str, str]) -> Happened:
        line = line_of(row, names, self._house.feed.zone)
        return Happened(
            id=line.key,
            at=line.at,
            kind=row.kind.value,
            subject=_subject(row),
            by=line.who,
            text=line.head,
            detail=line.detail,
        )

    async def audit(self, request: Request, visitor: Visitor) -> Response:
        """The audit trail."""
        asked = query_of(request, Listed)
        place = place_of("audit", asked.cursor, int)
        before = None if place is None else int(place[0])
        rows = await run_in_threadpool(trail, self._house.record.store, before, asked.limit)
        entries = [
            AuditEntry(
                id=row.id,
                at=iso(row.at_us),
                by=row.by,
                action=row.action,
                subject=row.subject,
                detail=row.detail,
                previous_hash=row.previous_hash,
                hash=row.hash,
            )
            for row in rows
        ]
        more = cursor_of("audit", rows[-1].id) if len(rows) == asked.limit else None
        return answer(AuditTrail(rows=entries, next=more))

    async def one_sample(self, request: Request, visitor: Visitor) -> Response:
        """One sample."""
        asked = query_of(request, WhichSample)
        end_us = instant_of(asked.end)
        if end_us is None:
            raise HTTPException(422, "end: no instant; write 2026-03-05T14:30:00Z")
        return answer(await run_in_threadpool(self._sample, asked.location, end_us))

    def _sample(self, location: str, end_us: int) -> OneSample:
        store, site = self._house.record.store, self._house.site
        found = revisions(store, location, end_us)
        if not found:
            raise HTTPException(404, "there is no sample of this location and end on record")
        room = next((each.room for each in site.locations if each.id == location), "-")
        newest = found[-1]
        plan = self._plans.as_of(newest.input_id)
        lines = level_lines(None if plan is None else plan.locations.get(location), newest.sample)
        subject = sample_subject(location, end_us)
        return OneSample(
            subject=subject,
            revisions=[SampleMessage.model_validate_json(sample_payload(each.sample, room)) for each in found],
            configuration=None if plan is None else plan.digest,
            levels=[
                Level(
                    size_um=line.size_nm / 1000,
                    alert_per_m3=line.alert,
                    action_per_m3=line.action,
                    beyond=None if line.beyond is None else line.beyond.value,
                )
                for line in lines
            ],
            notes=[Note(at=iso(row.at_us), by=row.by, note=row.detail) for row in notes_on(store, subject)],
        )

    async def add_note(self, request: Request, visitor: Visitor) -> Response:
        """Write a note."""
        new = await body_of(request, NewNote)
        text = one_line(new.note)
        if not text:
            raise HTTPException(422, "note: there is nothing in it")
        found = await run_in_threadpool(thing, self._house.record, self._house.site, new.subject)
        if found is None:
            raise HTTPException(404, "there is nothing of this name; names: see the description of `subject`")
        if not await run_in_threadpool(self._house.enter, visitor, NOTE, found.subject, text):
            raise HTTPException(503, "It was handed over, but is not on record yet.")
        return answer(Noted(subject=found.subject, by=visitor.id, note=text))


def _subject(row: Found) -> str:
    what = row.what
    if isinstance(what, AlarmChanged):
        return what.alarm
    if isinstance(what, AuditRow):
        return what.subject
    if isinstance(what, CallRow):
        return what.told.id
    return what.topic if isinstance(what, Letter) else sample_subject(what.sample.location, what.sample.end_us)
