"""The reckoning after a campaign: publish log, journal, samples, alarms, points and calls, line by line.

Compared with what would have been without faults: the pure engine, fed with the readings as the stream made them, in
the order of the air, each at the instant it was due. A reading that was acknowledged and is not on record may be
missing for one reason only: the broker had been told to keep little and threw it away (`Course.thrown_away_us`). Such
readings are counted, and the undisturbed run is made without them: so the record must show the gap in the samples'
coverage, as it shows the gaps of counters that could not buffer.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

from campaign.course import Course
from campaign.ground import Ground, plain
from campaign.stream import ODD, SETTLE_US, TOPICS
from motewatch.alarms.lifecycle import Event, State
from motewatch.callout.gathering import GATHER_US
from motewatch.callout.records import Told
from motewatch.callout.unrecorded import IDS as UNRECORDED
from motewatch.engine.records import AlarmChanged, Output, Resumed
from motewatch.engine.sensors import FUTURE_LIMIT_US
from motewatch.journal.inputs import input_of
from motewatch.journal.journal import Journal
from motewatch.journal.rows import InputRow
from motewatch.links.publications import Directory
from motewatch.links.site_file import load_site
from motewatch.measure.samples import INSUFFICIENT
from motewatch.service.program import configured
from support import crash_checks as check
from support import crash_ends as ends
from support.crash_calls import calls_of
from support.crash_stream import DIRECT, PERIODIC, SITE, Key, Message

OTHERS: Final = (
    "configured",
    "link-changed",
    "session-lost",
    "session-taken",
    "resumed",
    "clock-stepped",
    "record-held-up",
    "delivered",
    "entered",
    TOPICS.command,
    *(TOPICS.counts(sensor) for sensor in ODD),
)
"""Inputs that the daemon makes itself; commands; and readings of odd clocks that it refused (the others have a key)."""

EXPECTED: Final = (
    "the record cannot be written",
    "the record still cannot be written",
    "the site file was not taken over",
)
"""Errors in the log that such faults leave."""


@dataclass(slots=True)
class Reckoning:
    """Rows of the table, and what is wrong."""

    rows: list[tuple[str, str]] = field(default_factory=list)
    wrong: list[str] = field(default_factory=list)

    def note(self, what: str, value: object) -> None:
        self.rows.append((what, f"{value:,}" if isinstance(value, int) else str(value)))


def odd(name: str) -> bool:
    """A place or an alarm of a place whose counter's clock steps."""
    return any(each in name for each in (*ODD, "room-odd"))


def of_the_air(record: check.Record) -> check.Record:
    """Without places of odd clocks, without alarms of the service itself, and without what people did to alarms."""
    return check.Record(
        {key: sample for key, sample in record.samples.items() if not odd(key[0])},
        {key: found for key, found in record.revisions.items() if not odd(key[0])},
        [
            replace(step, before=State.NORMAL, after=State.NORMAL)
            for step in record.alarms
            if step.event in (Event.STARTS, Event.RETURNS, Event.RETURNS_LATCHED)
            and step.alarm.partition("/")[0] not in ("service", "callout")
            and not odd(step.alarm)
        ],
    )


def refused_readings(journal: Journal, messages: Sequence[Message]) -> tuple[set[Key], dict[Key, InputRow]]:
    """Readings of the odd clocks that were refused and are kept with their bytes; and, as they stand on record, those
    that were refused at first and taken when they came again: what lies an hour ahead does so for an hour."""
    letters = {letter.payload for letter in journal.query_dead_letters(1_000_000)}
    refused = {message.key for message in messages if odd(message.key[0]) and message.payload in letters}
    taken: dict[Key, InputRow] = {}
    for row in check.rows_of(journal):
        if row.sensor is not None and row.boot is not None and row.seq is not None:
            key = (row.sensor, row.boot, row.seq)
            if key in refused:
                taken[key] = row
    return refused - taken.keys(), taken


def too_early(taken: Mapping[Key, InputRow], messages: Sequence[Message]) -> list[str]:
    """Of readings taken in the end: those whose time had not come even then."""
    ends_us = {message.key: message.reading.end_us for message in messages}
    return [
        f"{key} was refused at first, and taken {ends_us[key] - row.received_us} us before its end"
        for key, row in taken.items()
        if ends_us[key] - row.received_us > FUTURE_LIMIT_US
    ]


def overtaken(journal: Journal, messages: Sequence[Message], course: Course) -> set[str]:
    """Places where a reading came after later ones: its first copy was thrown away (queue-full), and the second, which
    the stream sends up to 2 s later, came with what the sensors send again. What goes by single readings (bounds of
    the climate, places that judge each reading) may then start or return at another reading than it would have."""
    sent = {message.key: message for message in messages}
    last: dict[tuple[str, str], int] = {}
    found = set()
    for row in check.rows_of(journal):
        if row.sensor is None or row.boot is None or row.seq is None:
            continue
        if row.seq < last.get((row.sensor, row.boot), -1):
            reading = sent[row.sensor, row.boot, row.seq].reading
            at_us = reading.end_us
            if any(since <= at_us <= until for since, until in course.thrown_away_us):
                found.add(row.sensor.replace("pc-", "loc-"))
        last[row.sensor, row.boot] = max(row.seq, last.get((row.sensor, row.boot), -1))
    return found


def untold(journal: Journal, outputs: Sequence[Output]) -> tuple[list[str], int]:
    """Alarms that started and of which nobody was told in time; and how many somebody took before that.

    What falls to one person is gathered for a while, and no call is made earlier than the moment at which time went on
    after it had stood still: so much is allowed.
    """
    inputs = (input_of(TOPICS, row) for row in check.rows_of(journal) if row.kind == "resumed")
    went_on = [each.what.until_us for each in inputs if isinstance(each.what, Resumed)]
    owed: dict[str, int] = {}
    found, early = [], 0

    def waited_us(since_us: int, until_us: int) -> int:
        return until_us - max([since_us, *(at_us for at_us in went_on if at_us <= until_us)])

    for one in outputs:
        if isinstance(one, Told):
            for fact in one.facts:
                owed.pop(fact.alarm, None)
        elif isinstance(one, AlarmChanged) and one.event is Event.STARTS:
            owed.setdefault(one.alarm, one.found_us)
        elif isinstance(one, AlarmChanged) and one.event is Event.ACKNOWLEDGE and one.alarm in owed:
            since_us = owed.pop(one.alarm)
            early += 1
            if waited_us(since_us, one.found_us) > GATHER_US:
                found.append(f"{one.alarm} found at {since_us}, taken at {one.found_us}, and nobody told")
    end_us = journal.engine_us() or 0
    late = {alarm: at_us for alarm, at_us in owed.items() if waited_us(at_us, end_us) > GATHER_US}
    return [*found, *(f"{alarm} found at {at_us}, and nobody told" for alarm, at_us in late.items())], early


def gone(journal: Journal, messages: Sequence[Message], course: Course) -> tuple[set[Key], set[Key]]:
    """Readings that are not on record: those that the broker was made to throw away, and all others."""
    on_record = {(row.sensor, row.boot, row.seq) for row in check.rows_of(journal)}
    sent: dict[Key, list[int]] = defaultdict(list)
    for message in messages:
        sent[message.key].append(message.send_us)
    lost = {key for key in sent if key not in on_record}
    forced = {
        key for key in lost if all(any(a <= at <= b for a, b in course.thrown_away_us) for at in sent[key])
    }  # fmt: skip
    return forced, lost - forced


def settle(here: Ground, journal: Journal, end_us: int, reckoning: Reckoning) -> None:
    """Wait for the end of the last period and for empty queues, while all still runs; and compare what runs."""
    done_us, daemon = end_us + SETTLE_US + 1_000_000, here.daemon
    daemon.wait_for(lambda: (journal.engine_us() or 0) > done_us, "the end of the last period", 180)
    record = check.record_of(check.outputs_of(journal), end_us)
    # Of two steps of an alarm within a millisecond the server keeps one; revisions likewise (see `points_wanted`).
    wanted = check.points_wanted(record, dict(Directory.of(load_site(here.site_path)).rooms))
    for sink in ("time-series", "mqtt", "mqtt-alarms", "call/hook", "call/mail"):
        daemon.wait_for(lambda sink=sink: journal.backlog(sink) == 0, f"an empty queue to {sink}", 180)  # type: ignore[misc]

    def points() -> list[str] | int:
        return check.points(here.time_series.export(f'{{site="{SITE}"}}'), wanted, end_us) or 1

    _until_right(points, reckoning)
    reckoning.note("time-series points, each once and right", check.count_points(wanted))
    retained = _until_right(
        lambda: ends.retained_alarms(here.broker.port, TOPICS, check.outputs_of(journal)), reckoning
    )
    reckoning.note("retained alarm states that are the last on record", retained)


def _until_right(look: Callable[[], list[str] | int], reckoning: Reckoning) -> int:
    try:
        return ends.settle(look, 90)
    except AssertionError as error:
        reckoning.wrong += str(error).splitlines()
        return 0


def reckon(
    here: Ground, journal: Journal, course: Course, messages: Sequence[Message], end_us: int, reckoning: Reckoning
) -> None:
    """All comparisons with the record; the daemon has stopped."""
    note, wrong = reckoning.note, reckoning.wrong
    readings = {message.key for message in messages}
    refused, taken = refused_readings(journal, messages)
    forced, lost = gone(journal, [message for message in messages if message.key not in refused], course)
    kept = [message for message in messages if message.key not in forced]
    note("readings published and acknowledged", len(readings))
    note("messages that carried them", len(messages))
    note("readings on record", len(readings) - len(forced) - len(lost) - len(refused))
    note("readings refused, and on record with the reason", len(refused))
    note("refused as from the future, sent again after their time had come, and taken", len(taken))
    wrong += check.told(too_early(taken, messages), "taken too early")
    note("**acknowledged readings lost**", len(lost))
    on_record = Counter(
        (row.sensor, row.boot, row.seq) for row in check.rows_of(journal) if row.seq is not None and row.sensor
    )
    note("**readings doubled**", sum(count > 1 for count in on_record.values()))
    note("readings that a broker with a full queue threw away (queue-full)", len(forced))
    commands = [row for row in check.rows_of(journal) if row.kind == "message" and row.topic == TOPICS.command]
    note("commands on record", len(commands))
    wrong += check.publications(journal, [message for message in kept if message.key not in refused], OTHERS)

    outputs = list(check.outputs_of(journal))
    record = of_the_air(check.record_of(outputs, end_us))
    first = next(row for row in check.rows_of(journal))
    plan = configured(load_site(here.site_path))
    # In the order of the air, each a moment after it ended.
    calm = sorted(
        (replace(each, send_us=each.reading.end_us + 1) for each in kept if not odd(each.key[0])),
        key=lambda each: each.send_us,
    )
    undisturbed = of_the_air(check.undisturbed(plan, first.applied_us, calm, end_us, SETTLE_US))
    _samples(record, undisturbed, reckoning)
    late = overtaken(journal, kept, course)
    not_compared = {
        step.alarm for step in (*record.alarms, *undisturbed.alarms) if _by_single_readings(step.alarm, late)
    }
    pair = [
        replace(each, alarms=[step for step in each.alarms if step.alarm not in not_compared])
        for each in (record, undisturbed)
    ]
    _alarms(pair[0], pair[1], reckoning)
    note("alarms not compared, as a reading came after later ones (queue-full)", len(not_compared))
    _calls(here, journal, outputs, check.relived(journal, TOPICS), reckoning)
    wrong += [f"verify: {line}" for line in journal.verify()]
    letters = Counter(letter.reason for letter in journal.query_dead_letters(1_000_000))
    note("why, and how often (repeats included)", ", ".join(f"{n:,} {why}" for why, n in letters.items()) or "none")
    wrong += check.told([why for why in letters if why not in ("too-old", "in-the-future")], "refused as")
    defects = [line for line in here.daemon.defects(course.excused) if not any(known in line for known in EXPECTED)]
    wrong += check.told(defects, "the daemon's log")


def _samples(record: check.Record, undisturbed: check.Record, reckoning: Reckoning) -> None:
    differing = check.samples(record, undisturbed)
    reckoning.wrong += differing
    reckoning.note("samples, equal to the undisturbed run", f"{len(record.samples):,}{_but(differing)}")
    gaps = sum(bool(sample.quality & INSUFFICIENT) for sample in record.samples.values())
    reckoning.note("of them marked as having too little air (gaps that physics forces)", gaps)
    again = sum(len(found) > 1 for found in record.revisions.values())
    reckoning.note("of them closed more than once", again)


def _by_single_readings(alarm: str, places: set[str]) -> bool:
    """Is it an alarm of these places that goes by single readings?"""
    _, place, *rest = [*alarm.split("/"), ""]
    direct = place in {f"loc-{n}" for n in range(PERIODIC, PERIODIC + DIRECT)}
    return place in places and (direct or rest[0].startswith(("temperature", "humidity", "pressure")))


def _alarms(record: check.Record, undisturbed: check.Record, reckoning: Reckoning) -> None:
    differing = check.alarms(record, undisturbed)
    reckoning.wrong += differing
    reckoning.note("alarm starts and returns, equal to the undisturbed run", f"{len(record.alarms):,}{_but(differing)}")


def _but(differing: Sequence[str]) -> str:
    return f", but for {len(differing)}" if differing else ""


def _calls(here: Ground, journal: Journal, outputs: list[Output], again: list[Output], reckoning: Reckoning) -> None:
    recorded, heard = calls_of(outputs), here.calls()
    # That the record cannot be written is called beside the record; what was said is on the audit trail afterwards.
    received = [each for each in heard if not each[0].startswith(UNRECORDED)]
    reckoning.note("calls beside the record, while it could not be written", len(heard) - len(received))
    wrong = []
    if outputs != again:
        at = next((i for i, pair in enumerate(zip(outputs, again, strict=False)) if pair[0] != pair[1]), None)
        shown = f"{len(outputs)} and {len(again)}" if at is None else f"{outputs[at]} and {again[at]}"
        wrong.append(f"the record differs from one engine living through its inputs in one life: {shown}")
    told = {plain(call.id) for call in recorded}
    counts = Counter(id_ for id_, _ in received)
    wrong += check.told(sorted(told - counts.keys()), "told nobody")
    wrong += check.told(sorted(counts.keys() - told), "a call that is not on record")
    marks: dict[str, list[bool]] = defaultdict(list)
    for id_, maybe in received:
        marks[id_].append(maybe)
    unmarked = [id_ for id_, said in marks.items() if not all(said[1:])]
    wrong += check.told(unmarked, "came again without saying so")
    nobody, early = untold(journal, outputs)
    wrong += check.told(nobody, "an alarm")
    reckoning.note("alarms that somebody took before their call was made", early)
    reckoning.wrong += wrong
    reckoning.note("calls on record", len(recorded))
    reckoning.note("calls that reached nobody", len(told - counts.keys()))
    reckoning.note("calls that came again, all marked as possible repeats", sum(counts.values()) - len(counts))
