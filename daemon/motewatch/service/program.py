"""The whole service as one object: built in one place, started in order, stopped in reverse.

Order of a start: site file, journal, engine from the record, first configuration, broker link, workers of outbox and
calls, housekeeping, and last the writer's loop. A start that fails half way undoes what it had done. A stop is clean:
the batch at hand is committed and acknowledged, the rest stays with the broker; calls end first, while the writer still
takes what became of them. When the site file is read again, everything that can fail is done first, then the new
configuration becomes an input like any other.
"""

from __future__ import annotations

import hashlib
import logging
import threading
from collections.abc import Callable, Mapping, Sequence
from contextlib import ExitStack, suppress
from pathlib import Path
from queue import SimpleQueue
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from motewatch.engine import Engine
from motewatch.engine.codec import Internal
from motewatch.engine.plan import compile_plan
from motewatch.engine.records import Configured, Link, LinkChanged, Output, ReplayDiffered
from motewatch.journal.call_ids import CallRecord
from motewatch.journal.errors import JournalUnwritableError
from motewatch.journal.history import JournalHistory
from motewatch.journal.journal import Journal
from motewatch.journal.rollups import Rollups
from motewatch.journal.rows import OutboxRow
from motewatch.links.alarm_gauges import publish_figures
from motewatch.links.anchoring import Anchoring
from motewatch.links.backup_age import LOOK_S as AGE_S
from motewatch.links.backup_age import BackupAge
from motewatch.links.broker import BrokerLink
from motewatch.links.certificates import LOOK_S as CERTIFICATES_S
from motewatch.links.certificates import CertificateFile, CertificateWatch, Ending, Source
from motewatch.links.clock import Clock, TimeSource
from motewatch.links.housekeeping import Housekeeping, Job
from motewatch.links.outbox import AlarmWorker, MqttWorker, OutboxWorker, TimeSeriesWorker
from motewatch.links.publications import Directory, Publications, presence_of
from motewatch.links.site_file import Secret, SiteFileError, canonical_text, load_site, read_secret
from motewatch.links.space import LOOK_S, SpaceWatch, free_at
from motewatch.links.steady_clock import SteadyClock
from motewatch.links.time_series import TimeSeriesLink
from motewatch.service.archiving import Archiving
from motewatch.service.backups import Backups
from motewatch.service.calling import Calling, dead_man, left_over, stuck, unwritten
from motewatch.service.errors import ServiceError, StopAskedError
from motewatch.service.letter_budget import letter_budget
from motewatch.service.only_one import Held, only_service
from motewatch.service.optional_parts import OptionalParts
from motewatch.service.replay import restore
from motewatch.service.reporting import Reporting, mail_opener
from motewatch.service.stopping import StopTime
from motewatch.service.upkeep import Upkeep, no_longer
from motewatch.service.writer import Item, Posted, Writer
from motewatch.site.backup import Backup
from motewatch.site.instants import instant
from motewatch.site.models import Site
from motewatch.wire.records import DAY_US, SECOND_US
from motewatch.wire.topics import Topics

if TYPE_CHECKING:
    from motewatch.service.answering import Answering
    from motewatch.service.console import Console

_log = logging.getLogger("motewatch.service")

STOP_S = 2.5
"""What the writer may take to finish its batch when told to stop."""

PART_S = 0.3
"""What the link, each worker and each page may take after that."""

JOBS_S = 1.5
"""What housekeeping waits for jobs under way; one that hangs is left."""

WHOLE_S = 4.4
"""What all of them may take together, so that a stop is over within 5 s also where several hang."""

HEARTBEAT_S = 10.0
SIGN_S = 2.0
"""How often `motewatch status` is told how the service fares: it must not speak of a broker that is back as away."""
PRUNE_S = 600.0
CHECKPOINT_S = 3600.0
HOURS_S = 5.0
HOURS_WORK_S = 1.0
"""Hours of samples are summed up for trends: so often, and then for so long at most."""
AWAY_US = 400 * DAY_US
"""A service that was away for longer, says the clock, does not start: it is the clock that is wrong."""
BEHIND_US = DAY_US
"""So far the clock may be behind the record's end at a start: the engine's time then goes on at half speed."""
KEEP_DELIVERED_US = 3_600_000_000
"""Delivered outbox rows stay for an hour: a sink that lost them is told again from here."""


def configured(site: Site) -> Configured:
    """The site as an input of the engine."""
    text = canonical_text(site)
    return Configured(hashlib.sha256(text.encode()).hexdigest(), text)


class Service:
    """The daemon. `start`, then `wait` (or `stop` from another thread); usable as a context manager."""

    def __init__(
        self, site_path: Path, clock: TimeSource | None = None, stop_asked: Callable[[], bool] = lambda: False
    ) -> None:
        """`stop_asked` is looked at while starting: a long replay must not hold up a stop."""
        self.site_path = site_path
        self._stop_asked = stop_asked
        self._clock: TimeSource = SteadyClock(Clock()) if clock is None else clock
        self._undo = ExitStack()
        self._stop_time = StopTime(self._clock, WHOLE_S)
        self._inbox: SimpleQueue[Item] = SimpleQueue()
        self._thread: threading.Thread | None = None
        self._failure: BaseException | None = None
        self._over = threading.Event()
        self._workers: list[OutboxWorker] = []
        self._writer: Writer | None = None
        self._link: BrokerLink | None = None
        self._site: Site | None = None
        self._topics: Topics | None = None
        self._answering: Answering | None = None
        self._calling: Calling | None = None
        self._console: Console | None = None
        self._reporting: Reporting | None = None
        self._parts = OptionalParts(self.post, self._clock)

    def start(self) -> None:
        """Start everything.

        Raises `SiteFileError`, `JournalError`, `LinkError`, `EngineError` or `ServiceError`, and `StopAskedError` when
        it was asked to stop before anything ran.
        """
        try:
            self._start()
        except BaseException:
            self._end_calling()
            self._end_writer()
            self._undo.close()
            raise

    def _start(self) -> None:
        site = load_site(self.site_path)
        base_dir = self.site_path.resolve().parent
        settings = site.service
        topics = self._topics = Topics(settings.topic_root, site.site.id)
        secret = _secret(settings.broker.password_file, base_dir)
        self._site = site
        path = base_dir / settings.journal
        held = self._undo.enter_context(only_service(path))
        journal = self._undo.enter_context(Journal(path, site=site.site.id))
        self._load_pages(site)
        anchoring = self._parts.attempt(
            "record-signature", lambda: Anchoring(journal, site.record, base_dir, topics, self._clock)
        )
        writer = self._make_writer(site, journal, topics)
        calls_before = left_over(journal)
        answering_jobs = self._start_answering(site, base_dir, journal)
        link = BrokerLink(
            settings.broker,
            topics,
            self._inbox,
            self._clock,
            secret=None if secret is None else secret.reveal(),
            base_dir=base_dir,
            presence=presence_of(site.site.id, lambda: writer.trouble),
        )
        self._link = link
        writer.attach(link)
        self._workers += self._make_workers(site, base_dir, journal, link)
        calling = self._calling = Calling(
            site,
            base_dir,
            journal,
            self.post,
            link,
            topics,
            self._clock,
            None if self._answering is None else self._answering.signer,
            calls_before,
            self._parts,
            trouble=lambda: writer.trouble or unwritten(writer.lives_s, self._clock.monotonic_s()),
        )
        watched = self._parts.attempt("dead-man", lambda: dead_man(site, base_dir, writer, link, self._clock))
        for worker in self._workers:
            worker.start()
            self._stop_later(worker.stop)
        calling.start()
        self._stop_later(link.stop)
        link.start()
        console_jobs = self._start_console(site, base_dir, journal, writer, link)
        jobs = self._jobs(site, journal, topics, writer, link, anchoring)
        jobs.append(Job("sign-of-life", SIGN_S, lambda: self._give_sign(held, writer, link)))
        housekeeping = Housekeeping([*console_jobs, *answering_jobs, *calling.jobs, *jobs])
        housekeeping.start()
        self._stop_later(housekeeping.stop, JOBS_S)
        self._thread = threading.Thread(target=self._run_writer, args=(writer,), name="writer", daemon=True)
        self._thread.start()
        self._parts.tell_all([change.alarm for change in journal.standing_alarms()])
        holding = {change.alarm for change in journal.last_alarm_events() if change.holds}
        for gone in no_longer(site, holding, self._clock.now_us()):
            self.post(gone)
        if watched is not None:
            self._stop_later(watched.stop)
            watched.start()
        _log.info(
            "serving",
            extra={
                "site": site.site.id,
                "locations": len(site.locations),
                "sensors": len(site.sensors),
                "broker": f"{settings.broker.host}:{settings.broker.port}",
            },
        )

    @staticmethod
    def _load_pages(site: Site) -> None:
        """What pages are made of takes a second or more to load. That is done before the site's configuration takes
        effect: from then on sensors are expected, and nobody can hear them yet."""
        # Where a library is missing, the page is out of use, which is told where it is made.
        with suppress(ImportError):
            if site.callout.answer_page is not None:
                import motewatch.service.answering
            if site.console is not None:
                import motewatch.service.console  # noqa: F401

    def _make_writer(self, site: Site, journal: Journal, topics: Topics) -> Writer:
        """The writer with the engine from the record, and what the engine must be told first."""
        last_run_us = journal.engine_us()
        _check_clock(self._clock.now_us(), last_run_us)
        history = JournalHistory(journal)
        restored = restore(journal, history, topics, self._give_way)
        self._give_way()
        _log.info("engine restored", extra={"inputs": restored.inputs, "outputs": restored.outputs})
        publications = Publications(topics, Directory.of(site), time_series=site.service.time_series is not None)
        self._publications = publications
        writer = self._writer = Writer(
            journal=journal,
            engine=restored.engine,
            history=history,
            inbox=self._inbox,
            topics=topics,
            rows_of=self._rows_of,
            rows_again=lambda now_us: publications.states(journal.last_alarm_events(), now_us),
            notify=self._committed,
            clock=self._clock,
            hold_limit_s=site.service.hold_limit_s,
            known_before=last_run_us is not None,
            replayed=restored.inputs,
            tell_trouble=self._tell_trouble,
            letters=letter_budget(site.service),
        )
        self._configure_first(writer, restored.engine, site, restored.difference)
        return writer

    def _make_workers(self, site: Site, base_dir: Path, journal: Journal, link: BrokerLink) -> list[OutboxWorker]:
        """A worker for each sink but the channels of calls."""
        workers: list[OutboxWorker] = [
            AlarmWorker(journal, self._clock, link),
            MqttWorker(journal, self._clock, link),
        ]
        settings = site.service.time_series
        if settings is not None:

            def open_link() -> TimeSeriesLink:
                token = _secret(settings.token_file, base_dir)
                return self._undo.enter_context(TimeSeriesLink(settings, None if token is None else token.reveal()))

            sink = self._parts.attempt("time-series", open_link)
            if sink is not None:
                workers.append(
                    TimeSeriesWorker(
                        journal,
                        self._clock,
                        sink,
                        self._report_time_series,
                        resend_s=settings.resend_s,
                        last_taken_us=journal.last_taken_us(TimeSeriesWorker.sink),
                    )
                )
        return workers

    def _jobs(
        self,
        site: Site,
        journal: Journal,
        topics: Topics,
        writer: Writer,
        link: BrokerLink,
        anchoring: Anchoring | None,
    ) -> list[Job]:
        """What housekeeping has to do for the service itself."""
        presence = presence_of(site.site.id, lambda: writer.trouble)

        def heartbeat() -> None:
            # A program whose writer is stuck must not pass for one that lives; one that cannot write says so.
            if link.connected and not stuck(writer.lives_s, self._clock.monotonic_s()):
                link.publish(topics.service, presence(True, self._clock.now_us()), True)

        rollups = Rollups(journal.store)
        jobs = [
            Job("heartbeat", HEARTBEAT_S, heartbeat),
            Job("prune", PRUNE_S, lambda: journal.prune(self._clock.now_us() - KEEP_DELIVERED_US)),
            Job("checkpoint", CHECKPOINT_S, journal.checkpoint),
            Job("sample-hours", HOURS_S, lambda: rollups.work(HOURS_WORK_S, self._clock.monotonic_s)),
        ]
        if anchoring is not None:
            jobs.append(Job("anchor", anchoring.look_every_s, lambda: self._anchor(anchoring)))
        if site.record.space_alarm_mb is not None:
            free = free_at(Path(journal.store.path).parent)
            space = SpaceWatch(free, site.record.space_alarm_mb, self._report_space, self._clock)
            jobs.append(Job("space", LOOK_S, space.look))
        certificates = self._certificates(site, link)
        if certificates is not None:
            jobs.append(Job("certificates", CERTIFICATES_S, certificates.look))
        if site.backup is not None:
            jobs += self._backup_jobs(site, site.backup)
        if site.retention is not None:
            archiving = Archiving(
                site.retention,
                self.site_path,
                journal,
                ZoneInfo(site.site.time_zone),
                self.post,
                self._clock,
                self._over.wait,
                Upkeep(Link.ARCHIVES, self.post, self._clock).went,
            )
            self._stop_later(archiving.stop)
            jobs.append(archiving.job)
        mail = mail_opener(self.site_path.resolve().parent, self._clock)
        reporting = self._reporting = Reporting(site, journal, self.post, mail, self._clock)
        self._stop_later(reporting.stop)
        reporting.start()
        jobs.append(reporting.job)
        gauges, there = site.alarm_figures, site.service.time_series is not None
        every_s = gauges.publish_every_s
        if every_s is not None:
            interval_s = every_s

            def alarm_figures() -> None:
                publish_figures(journal, gauges, interval_s, topics, self._clock.now_us(), time_series=there)
                self._wake_workers()

            jobs.append(Job("alarm-figures", interval_s, alarm_figures))
        return jobs

    def _backup_jobs(self, site: Site, settings: Backup) -> list[Job]:
        """Both in one: a folder on another machine that hangs may keep one hand of housekeeping, and no more."""
        backups = Backups(
            settings,
            self.site_path,
            site.site.id,
            ZoneInfo(site.site.time_zone),
            self.post,
            self._clock,
            Upkeep(Link.BACKUP, self.post, self._clock).went,
        )
        self._stop_later(backups.stop)
        folder = self.site_path.resolve().parent / settings.folder
        age = BackupAge(folder, site.site.id, self._report_backup_age, self._clock)
        job = backups.job

        def look() -> None:
            age.learn()
            job.run()

        return [Job(job.name, job.every_s, look), Job("backup-age", AGE_S, age.look)]

    def _certificates(self, site: Site, link: BrokerLink) -> CertificateWatch | None:
        """Who looks after the certificates that the site names or the broker shows; None where there are none."""
        base_dir, broker = self.site_path.resolve().parent, site.service.broker
        sources: list[Source] = []
        if broker.tls:
            where = f"the certificate of the broker at {broker.host}:{broker.port}"
            sources.append(lambda: None if (at := link.certificate_until_us) is None else Ending(where, at))
            if broker.ca_file is not None:
                sources.append(CertificateFile("service.broker.ca_file", base_dir / broker.ca_file, "authorities"))
            if broker.cert_file is not None:
                sources.append(CertificateFile("service.broker.cert_file", base_dir / broker.cert_file, "chain"))
        page = site.callout.answer_page
        for key, settings, served in (
            ("console", site.console, self._console),
            ("callout.answer_page", page, self._answering),
        ):
            if settings is not None and settings.cert_file is not None and served is not None:
                file, key_file = (base_dir / name for name in (settings.cert_file, settings.cert_key_file or ""))
                renew = served.renew_certificate
                sources.append(CertificateFile(f"{key}.cert_file", file, "chain", key_file, renew))
        if not sources:
            return None
        return CertificateWatch(sources, site.service.certificate_warn_days, self._report_certificates, self._clock)

    def _give_sign(self, held: Held, writer: Writer, link: BrokerLink) -> None:
        """For `motewatch status`, also where nothing can be written."""
        trouble = writer.trouble or stuck(writer.lives_s, self._clock.monotonic_s())
        now_us = self._clock.now_us()
        held.tell(now_us, now_us - round(writer.pulse().lag_s * SECOND_US), link.connected, trouble)

    def _anchor(self, anchoring: Anchoring) -> None:
        try:
            if anchoring.look() is not None:
                self._wake_workers()
        except JournalUnwritableError as error:
            _log.warning("no anchor could be made", extra={"detail": str(error)})

    def _start_answering(self, site: Site, base_dir: Path, journal: Journal) -> list[Job]:
        """The page behind the links in calls, where there is one; returns what housekeeping has to do for it."""
        settings = site.callout.answer_page
        if settings is None:
            return []

        def make() -> Answering:
            # The web server is imported for sites that have the page: it costs every start 0.2 s and 10 MB.
            from motewatch.service.answering import Answering

            answering = Answering(site, settings, base_dir, CallRecord(journal), self.post, self._clock)
            self._stop_later(answering.stop)
            answering.start()
            return answering

        answering = self._answering = self._parts.attempt("answer-page", make)
        if answering is None:
            return []
        _log.info("answer page", extra={"host": settings.host, "port": answering.port})
        return [answering.job]

    def _start_console(
        self, site: Site, base_dir: Path, journal: Journal, writer: Writer, link: BrokerLink
    ) -> list[Job]:
        """The pages for people who sign in, where the site has them; returns what housekeeping has to do for them."""
        if site.console is None:
            return []
        settings = site.console

        def make() -> Console:
            # Imported for sites that have it, as the answer page is.
            from motewatch.service.console import Console

            console = Console(
                site,
                settings,
                base_dir,
                journal,
                self.post,
                self._clock,
                alive=lambda: not writer.trouble and not stuck(writer.lives_s, self._clock.monotonic_s()),
                connected=lambda: link.connected,
                cases=lambda: writer.cases,
                pulse=writer.pulse,
            )
            self._stop_later(console.stop)
            console.start()
            return console

        console = self._parts.attempt("console", make)
        if console is None:
            return []
        self._console = console
        _log.info("console", extra={"host": settings.host, "port": console.port})
        return console.jobs

    def _give_way(self) -> None:
        if self._stop_asked():
            raise StopAskedError

    @staticmethod
    def _configure_first(writer: Writer, engine: Engine, site: Site, difference: str) -> None:
        first = configured(site)
        if engine.digest != first.digest:
            writer.post_first(first)
        if difference:
            _log.error("replay differs from the record", extra={"detail": difference})
            writer.post_first(ReplayDiffered(difference[:300]))

    def reload(self) -> bool:
        """Read the site file again. A bad file leaves yesterday's configuration standing, and False is returned."""
        try:
            site = load_site(self.site_path)
        except SiteFileError as error:
            _log.error("the site file was not taken over", extra={"problems": str(error)})
            return False
        before = self._site
        if before is not None and site.site.id != before.site.id:
            _log.error(
                "the site file was not taken over: another site needs a journal and a service of its own",
                extra={"site": site.site.id, "serving": before.site.id},
            )
            return False
        taken = configured(site)
        try:
            compile_plan(site, taken.digest)
        except Exception:  # a defect of the checks; better found here than by the writer, which would have to stop
            _log.exception("the site file was not taken over: its plan cannot be made")
            return False
        # From here on nothing can fail: the configuration is an input like any other. Links are made at the start
        # only; a change of their settings is told, not taken over.
        if before is not None and _links_of(site) != _links_of(before):
            _log.warning(
                "journal, broker, time-series, topic, channel, dead-man, console, record, backup, retention and answer "
                "page settings are taken over at the next start only"
            )
        self._site = site
        self._publications.know(Directory.of(site))
        if self._answering is not None:
            self._answering.know(site)
        if self._console is not None:
            self._console.know(site)
        if self._calling is not None:
            self._calling.know(site)
        if self._reporting is not None:
            self._reporting.know(site)
        self.post(taken)
        _log.info("the site file is taken over", extra={"digest": taken.digest})
        return True

    def post(self, what: Internal, done: Callable[[Sequence[Output]], object] | None = None) -> None:
        """Hand an internal input to the writer. From any thread; `done` as in `Posted`."""
        self._inbox.put(Posted(what, done))

    def wait(self, timeout_s: float | None = None) -> bool:
        """Until the writer has ended, for whatever reason. False when it still runs after the time."""
        return self._over.wait(timeout_s)

    def stop(self) -> None:
        """Stop cleanly within 5 s. Raises `ServiceError` when the writer had failed."""
        self._stop_time.begin()
        self._end_calling()
        self._end_writer()
        self._undo.close()
        if self._failure is not None:
            raise ServiceError(f"the writer failed: {self._failure}") from self._failure

    def _stop_later(self, stop: Callable[[float], object], most_s: float = PART_S) -> None:
        """When the service ends, end this part, which is given the seconds that it may take."""
        self._undo.callback(lambda: stop(self._stop_time.share_s(most_s)))

    def _end_calling(self) -> None:
        if self._calling is not None:
            self._calling.stop()

    def _end_writer(self) -> None:
        if self._writer is None or self._thread is None:
            return
        self._writer.stop()
        self._thread.join(self._stop_time.share_s(STOP_S))
        if self._thread.is_alive():
            _log.error("the writer did not end in time; what it had not committed stays with the broker")

    def __enter__(self) -> Service:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()

    @property
    def answering(self) -> Answering:
        """The page behind the links in calls, once started, where the site has one."""
        assert self._answering is not None
        return self._answering

    @property
    def console(self) -> Console:
        """The pages for people who sign in, once started, where the site has them."""
        assert self._console is not None
        return self._console

    @property
    def writer(self) -> Writer:
        """The writer, once started."""
        assert self._writer is not None
        return self._writer

    def _run_writer(self, writer: Writer) -> None:
        try:
            writer.run()
        except BaseException as error:  # the program must end rather than run on with an engine ahead of its record
            _log.critical("the writer failed; unacknowledged messages stay with the broker", exc_info=True)
            self._failure = error
        finally:
            self._over.set()

    def _rows_of(self, outputs: Sequence[Output], now_us: int, response_topics: Mapping[str, str]) -> list[OutboxRow]:
        rows = self._publications.rows(outputs, now_us, response_topics)
        if self._calling is not None:
            self._calling.rows(rows)
        if self._console is not None:
            self._console.rows(rows)
        return rows

    def _tell_trouble(self, trouble: str) -> None:
        """The record cannot be written, or can be again: said where no disk is needed. In the writer's thread."""
        topics, link = self._topics, self._link
        if topics is not None and link is not None and link.connected:
            link.publish(topics.service, presence_of(topics.site, lambda: trouble)(True, self._clock.now_us()), True)

    def _wake_workers(self) -> None:
        """There are new rows, but no calls. From any thread."""
        for worker in self._workers:
            worker.notify()

    def _committed(self) -> None:
        """In the writer's thread: calls and console go by what it was about to commit."""
        self._wake_workers()
        if self._calling is not None:
            self._calling.notify()
        if self._console is not None:
            self._console.committed()

    def _report_time_series(self, up: bool, since_us: int, detail: str) -> None:
        self.post(LinkChanged(Link.TIME_SERIES, up, since_us, detail))

    def _report_space(self, enough: bool, since_us: int, detail: str) -> None:
        self.post(LinkChanged(Link.SPACE, enough, since_us, detail))

    def _report_backup_age(self, well: bool, since_us: int, detail: str) -> None:
        self.post(LinkChanged(Link.BACKUP_AGE, well, since_us, "" if well else detail))

    def _report_certificates(self, well: bool, since_us: int, detail: str) -> None:
        self.post(LinkChanged(Link.CERTIFICATES, well, since_us, detail))


def _check_clock(now_us: int, record_us: int | None) -> None:
    """Raises `ServiceError` where the host's clock and the record are too far apart to go on from there. While the
    service runs `SteadyClock` looks after that; at a start there is nothing to compare with but the record."""
    if record_us is None or -BEHIND_US <= now_us - record_us <= AWAY_US:
        return
    days = abs(now_us - record_us) // DAY_US
    where, why = (
        ("before", "nothing could be put on record until then")
        if now_us < record_us
        else ("after", "all of that would be put on record as missing")
    )
    raise ServiceError(
        f"this machine's clock says {instant(now_us):%Y-%m-%d %H:%M} UTC, {days} days {where} the end of the record "
        f"({instant(record_us):%Y-%m-%d %H:%M} UTC): {why}; set the clock right, or, where it is right, begin a new "
        "journal (service.journal)"
    )


def _links_of(site: Site) -> dict[str, object]:
    """What of the site file is read at the start only."""
    page = site.callout.answer_page
    return {
        **site.service.model_dump(include={"journal", "broker", "time_series", "topic_root", "hold_limit_s"}),
        "channels": [channel.model_dump() for channel in site.channels],
        "dead_man": None if site.callout.dead_man is None else site.callout.dead_man.model_dump(),
        "console": None if site.console is None else site.console.model_dump(),
        "answer_page": None if page is None else page.model_dump(exclude={"shelve_min"}),
        "record": site.record.model_dump(),
        "backup": None if site.backup is None else site.backup.model_dump(),
        "retention": None if site.retention is None else site.retention.model_dump(),
    }


def _secret(file: str | None, base_dir: Path) -> Secret | None:
    return None if file is None else read_secret(file, base_dir)
