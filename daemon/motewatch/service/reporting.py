"""Reports by the clock: each schedule of the site file has its report made once its time is over, and mailed.

In a thread of its own, woken by the housekeeping: a long report or a slow mail server must hold up nothing else. Which
time has its report is on record, so what was missed while the service was down is made up for, oldest first; a
new schedule begins with the last time that is over. A mail is tried again until it is taken, refused for good, or a
day old; how it ended is on the audit trail. Must not know what a report says.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, time
from pathlib import Path
from typing import Final
from zoneinfo import ZoneInfo

from motewatch.engine.records import Entered
from motewatch.journal import reports as register
from motewatch.journal.errors import JournalError
from motewatch.journal.journal import Journal
from motewatch.journal.reports import ReportMail
from motewatch.links.call_message import CallMessage
from motewatch.links.channels import Channel
from motewatch.links.clock import TimeSource
from motewatch.links.errors import ChannelError, ChannelRefusedError, LinkError
from motewatch.links.housekeeping import Job
from motewatch.picture.report_scope import Kind, Scope, Span, last_over
from motewatch.site.instants import instant, instant_us
from motewatch.site.models import Site
from motewatch.site.people import EmailChannel
from motewatch.site.reports import ReportSchedule
from motewatch.wire.records import DAY_US, HOUR_US, MINUTE_US

_log = logging.getLogger("motewatch.reports")

LOOK_S: Final = 20.0
MOST_MISSED: Final = 100
"""So many missed times of one schedule are made up for."""

WAIT_FOR_RECORD_US: Final = 6 * HOUR_US
"""How long a report waits for a record that is behind, such as during a backlog; then it says that it is not final."""

WAITS_US: Final = tuple(minutes * MINUTE_US for minutes in (1, 2, 5, 15, 30, 60))
"""From one try of a mail to the next; the last goes on."""

GIVE_UP_US: Final = DAY_US
SEND_S: Final = 30.0
BY: Final = "motewatch"

OpenChannel = Callable[[EmailChannel], Channel]


class Reporting:
    """One site's. `start`, then `stop`."""

    def __init__(
        self,
        site: Site,
        journal: Journal,
        enter: Callable[[Entered], object],
        open_channel: OpenChannel,
        clock: TimeSource,
    ) -> None:
        self._site = site
        self._journal = journal
        self._store = journal.store
        self._enter = enter
        self._open = open_channel
        self._clock = clock
        self._wake = threading.Event()
        self._stopping = threading.Event()
        self._failed: set[tuple[str, int]] = set()
        self._thread = threading.Thread(target=self._run, name="reports", daemon=True)

    @property
    def job(self) -> Job:
        """What the housekeeping has to do for it."""
        return Job("reports", LOOK_S, self._wake.set)

    def start(self) -> None:
        """Begin."""
        self._thread.start()
        self._wake.set()

    def stop(self, timeout_s: float) -> None:
        """End; a report under way is left, and made again after the next start."""
        self._stopping.set()
        self._wake.set()
        self._thread.join(timeout_s)

    def know(self, site: Site) -> None:
        """The site file was read again."""
        self._site = site
        self._failed.clear()
        self._wake.set()

    def _run(self) -> None:
        while not self._stopping.is_set():
            self._wake.wait()
            self._wake.clear()
            try:
                while not self._stopping.is_set() and self.look():
                    continue
            except JournalError as error:
                # The writer tells of it; here it is only later.
                if not self._stopping.is_set():
                    _log.warning("reports wait for the journal", extra={"detail": str(error)})
            except Exception:
                _log.exception("reports: a defect; tried again")

    def look(self) -> bool:
        """Make one report that is due, or send the mails that are; False: there was nothing to do."""
        site, now_us = self._site, self._clock.now_us()
        for schedule in site.reports:
            span = self._due(site, schedule, now_us)
            if span is not None:
                self._make(site, schedule, span, now_us)
                return True
        mails = register.due_mails(self._store, now_us)
        for mail in mails:
            if not self._stopping.is_set():
                self._send(site, mail)
        return bool(mails)

    def _due(self, site: Site, schedule: ReportSchedule, now_us: int) -> Span | None:
        """The oldest time that is over and has no report; of a new schedule only the last that is over."""
        zone, shifts, kind = ZoneInfo(site.site.time_zone), site.site.shifts, Kind(schedule.kind)
        done = register.runs(self._store, schedule.id)
        span = last_over(kind, now_us, shifts, zone)
        over = [span]
        while done and span.start_us > min(done) and len(over) < MOST_MISSED:
            span = last_over(kind, span.start_us, shifts, zone)
            over.append(span)
        first_us = self._journal.first_input_us()
        spans = [
            each
            for each in over
            # Of a time before the record there is nothing to say.
            if first_us is not None
            and each.end_us > first_us
            and each.start_us not in done
            and (schedule.id, each.start_us) not in self._failed
            and due_us(schedule, each, zone) <= now_us
        ]
        if not spans:
            return None
        reached = self._journal.engine_us() or 0
        oldest = spans[-1]
        waits = reached < oldest.end_us and now_us < oldest.end_us + WAIT_FOR_RECORD_US
        return None if waits else oldest

    def _make(self, site: Site, schedule: ReportSchedule, span: Span, now_us: int) -> None:
        # Imported for sites that have them: the typesetter is large.
        from motewatch.links.report_shelf import ReportError, Shelf

        try:
            places = _places(site, schedule)
            if places is None:
                raise ReportError("the site has no location in what the schedule is about")
            made, _ = Shelf(self._store).make(Scope(span, places), BY, now_us)
        except (ReportError, OSError) as error:
            self._failed.add((schedule.id, span.start_us))
            _log.error("a report could not be made", extra={"schedule": schedule.id, "detail": str(error)})
            self._enter(Entered(BY, "report-failed", f"schedule/{schedule.id}", str(error)[:300]))
            return
        register.scheduled_report(self._store, schedule.id, span.start_us, made.id, ways(site, schedule), now_us)
        _log.info("report made", extra={"schedule": schedule.id, "report": made.id})
        self._enter(Entered(BY, "report-made", f"report/{made.id}", f"sha256 {made.hash}; schedule {schedule.id}"))

    def _send(self, site: Site, mail: ReportMail) -> None:
        tried = mail.attempts + 1
        detail = ""
        final = False
        try:
            message = self._message(site, mail)
            settings = next(
                (each for each in site.channels if isinstance(each, EmailChannel) and each.id == mail.channel), None
            )
            if settings is None:
                raise ChannelRefusedError(f'there is no channel "{mail.channel}" for e-mail any more')
            channel = self._open(settings)
            try:
                channel.send(message, SEND_S)
            finally:
                channel.close()
        except LinkError as error:
            detail = str(error)[:300]
            final = error.final and isinstance(error, ChannelError)
        now_us = self._clock.now_us()
        sent = not detail
        first_us = _first_us(mail)
        ended = sent or final or now_us - first_us >= GIVE_UP_US
        wait_us = WAITS_US[min(tried, len(WAITS_US)) - 1]
        after = replace(
            mail,
            attempts=tried,
            next_try_us=now_us + wait_us,
            ended_us=now_us if ended else None,
            sent=sent,
            detail=detail,
        )
        register.mail_tried(self._store, after)
        if ended:
            how = f"to {mail.address} over {mail.channel}, try {tried}" + (f": {detail}" if detail else "")
            action = "report-mailed" if sent else "report-mail-failed"
            self._enter(Entered(BY, action, f"report/{mail.report}", how))
        else:
            _log.warning("a report could not be mailed yet", extra={"report": mail.report, "detail": detail})

    def _message(self, site: Site, mail: ReportMail) -> CallMessage:
        from motewatch.links.report_sheet import sheet
        from motewatch.links.report_shelf import MEDIA_TYPES, DocumentFormat, Shelf, document

        shelf = Shelf(self._store)
        made = shelf.find(mail.report)
        data = shelf.data(made)
        found = sheet(data)
        schedule = next((each for each in site.reports if each.id == mail.schedule), None)
        forms = [DocumentFormat(each) for each in (schedule.formats if schedule else ("pdf",))]
        looks = [f"- {line}: {answer}" for line, answer, look in found["summary"] if look]
        lines = [f"{found['title']} of {found['site']}", found["when"], ""]
        lines += ["What asks for a look:", *looks] if looks else ["Nothing asks for a look."]
        console = "" if site.console is None else f"{site.console.public_url.rstrip('/')}/report/{made.id}"
        lines += ["", *([f"In the console: {console}"] if console else [])]
        lines += [f"Report {made.id}", f"SHA-256 of its content: {made.hash}", ""]
        subject = (
            f"{found['title']} of {found['site']}, {instant(made.start_us).astimezone(_zone(site)):%Y-%m-%d %H:%M}"
        )
        return CallMessage(
            id=f"{made.id}-{mail.schedule}-{mail.address}",
            person="",
            name="",
            address=mail.address,
            subject=subject,
            text="\n".join(lines),
            html=None,
            short=subject,
            urgent=False,
            maybe_repeat=mail.attempts > 0,
            link=None,
            at_us=made.made_us,
            site=site.site.id,
            site_name=site.site.name,
            files=tuple((f"{made.id}.{form.value}", MEDIA_TYPES[form], document(data, form)) for form in forms),
        )


def due_us(schedule: ReportSchedule, span: Span, zone: ZoneInfo) -> int:
    """When the report of this time is to be made."""
    if schedule.at is None:
        return span.end_us + round(schedule.after_min * MINUTE_US)
    day = instant(span.end_us).astimezone(zone).date()
    return instant_us(datetime.combine(day, time.fromisoformat(schedule.at), zone))


def ways(site: Site, schedule: ReportSchedule) -> list[tuple[str, str]]:
    """Channel and address of each addressee."""
    mail = [each.id for each in site.channels if isinstance(each, EmailChannel)]
    persons = {person.id: person for person in site.persons}
    found = []
    for addressee in schedule.mail_to:
        if "@" in addressee:
            found += [(schedule.channel or mail[0], addressee)] if mail else []
        elif addressee in persons:
            reach = [(way.channel, way.address) for way in persons[addressee].reach if way.channel in mail]
            found += reach[:1]
    return found


def _places(site: Site, schedule: ReportSchedule) -> tuple[str, ...] | None:
    """The locations; none named: the whole site. None: there is no such location, and that is not the whole site."""
    if not (schedule.locations or schedule.rooms or schedule.areas):
        return ()
    areas = {room.id: room.area for room in site.rooms}
    found = tuple(
        each.id
        for each in site.locations
        if each.id in schedule.locations or each.room in schedule.rooms or areas[each.room] in schedule.areas
    )
    return found or None


def _first_us(mail: ReportMail) -> int:
    """When the mail was first to be sent: its waits so far, taken back."""
    passed = [WAITS_US[min(number, len(WAITS_US)) - 1] for number in range(1, mail.attempts + 1)]
    return mail.next_try_us - sum(passed)


def _zone(site: Site) -> ZoneInfo:
    return ZoneInfo(site.site.time_zone)


def mail_opener(base_dir: Path, clock: TimeSource) -> OpenChannel:
    """Opens e-mail channels of the site file."""

    def opened(settings: EmailChannel) -> Channel:
        from motewatch.links.channels.email import EmailChannel as Mail
        from motewatch.links.channels.line import tls_context
        from motewatch.links.secrets import read_secret

        table = f'channels "{settings.id}"'
        context = None if settings.tls == "none" else tls_context(settings.ca_file, base_dir, table)
        password = None if settings.password_file is None else read_secret(settings.password_file, base_dir)
        return Mail(settings, context, password, clock)

    return opened
