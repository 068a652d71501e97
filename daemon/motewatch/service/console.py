"""The console as a part of the service: its users, its feed, its server, and the way of an order to the engine.

What can be wrong with its settings is found in the constructor and in `start`, with the key of the site file. Must not
know what is on the pages or who may do what.
"""

from __future__ import annotations

import logging
import os
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from queue import Empty, SimpleQueue
from typing import TYPE_CHECKING, Final

from motewatch.callout.outlook import CaseNow
from motewatch.engine.records import Accessed, SampleTaken
from motewatch.journal.access import AccessStore
from motewatch.journal.journal import Journal
from motewatch.journal.rows import OutboxRow
from motewatch.links.clock import TimeSource
from motewatch.links.errors import LinkSettingsError
from motewatch.links.housekeeping import Job
from motewatch.links.outbox import MQTT, MQTT_ALARMS
from motewatch.links.publications import Directory, Publications, iso
from motewatch.service.answering import Poster
from motewatch.site.console import Console as Settings
from motewatch.site.models import Site
from motewatch.web.access.desk import AccessDesk
from motewatch.web.access.intent import BACK
from motewatch.web.access.passwords import Hashes
from motewatch.web.console.app import ConsoleApp
from motewatch.web.console.feed import Feed, Published
from motewatch.web.console.house import House
from motewatch.web.pulse import Pulse
from motewatch.web.server import PageServer
from motewatch.wire.records import HOUR_US
from motewatch.wire.topics import Topics

if TYPE_CHECKING:
    from motewatch.web.console.by_provider import ByProvider

_log = logging.getLogger("motewatch.console")

PRUNE_S: Final = 3_600.0
NOTICES_S: Final = 2.0
NOTICED_S: Final = 3.0
CONNECTIONS: Final = 400
"""A stream stays open for each page that is looked at."""

SECRET_FILE: Final = "console-first-secret"
"""Beside the journal: the one-time secret of the first administrator."""


class Console:
    """One site's console. `start`, then `stop`."""

    def __init__(
        self,
        site: Site,
        settings: Settings,
        base_dir: Path,
        journal: Journal,
        post: Poster,
        clock: TimeSource,
        *,
        alive: Callable[[], bool],
        connected: Callable[[], bool],
        cases: Callable[[], Sequence[CaseNow]] = tuple,
        pulse: Callable[[], Pulse | None] = lambda: None,
        hashes: Hashes | None = None,
    ) -> None:
        self._post = post
        self._clock = clock
        self._topics = topics = Topics(site.service.topic_root, site.site.id)
        self._secret_file = (base_dir / site.service.journal).parent / SECRET_FILE
        self._waiting: list[Published] = []
        self._access = AccessStore(journal.store)
        self.desk = AccessDesk(self._access, settings, site.site.name, clock, self._audit, hashes, tell=post)

        def of(rows: Iterable[OutboxRow]) -> list[Published]:
            return [(row.topic, row.payload) for row in rows if row.sink in (MQTT, MQTT_ALARMS)]

        self._of = of
        own = Publications(topics, Directory.of(site), time_series=False)
        now_us = clock.now_us()
        # The rooms as they were known before: what is too old says so itself.
        newest = [sample for each in site.locations for sample in journal.query_samples(each.id, limit=1)]
        changes = journal.query_alarm_events(since_us=now_us - HOUR_US)
        self._feed = Feed(
            site,
            topics,
            clock,
            alive=alive,
            connected=connected,
            states=lambda: of(own.states(journal.last_alarm_events(), clock.now_us())),
            before=of(own.rows([*map(SampleTaken, newest), *changes], now_us)),
        )
        house = House(
            self.desk,
            self._feed,
            journal,
            post,
            clock,
            settings.public_url,
            base_dir,
            cases=cases,
            pulse=pulse,
            by_provider=self._by_provider(settings, base_dir),
        )
        self._app = ConsoleApp(house)
        certificate = [
            None if name is None else base_dir / name for name in (settings.cert_file, settings.cert_key_file)
        ]
        self._server = PageServer(
            self._app.app, settings.host, settings.port, *certificate, key="console", connections=CONNECTIONS
        )

    def _by_provider(self, settings: Settings, base_dir: Path) -> ByProvider | None:
        """Sign-in by an outside identity provider, where the site has one. Raises `LinkSettingsError`."""
        oidc = settings.oidc
        if oidc is None:
            return None
        # Imported for sites that have it: an HTTP client, and what checks signed tokens.
        from motewatch.links.channels.line import tls_context
        from motewatch.links.identity.provider import Provider
        from motewatch.links.secrets import read_secret
        from motewatch.web.console.by_provider import ByProvider

        secret = None if oidc.client_secret_file is None else read_secret(oidc.client_secret_file, base_dir)
        tls = tls_context(oidc.ca_file, base_dir, "console.oidc")
        provider = Provider(oidc, f"{settings.public_url.rstrip('/')}{BACK}", secret, tls, self._clock)
        return ByProvider(provider, self.desk, self._access, self._clock, self._audit)

    @property
    def port(self) -> int:
        """The port it listens on, once started."""
        return self._server.port

    @property
    def jobs(self) -> list[Job]:
        """What the housekeeping has to do for it."""
        return [
            Job("console-sessions", PRUNE_S, self.desk.prune),
            Job("access-notices", NOTICES_S, self.take_notices),
        ]

    def take_notices(self) -> None:
        """Put on the audit trail what was done to users from the machine's own shell."""
        for notice in self._access.notices():
            said: SimpleQueue[object] = SimpleQueue()
            detail = f"{notice.detail}; at {iso(notice.at_us)}, notice {notice.id}"
            self._post(Accessed(notice.by, notice.action, notice.subject, detail), said.put)
            try:
                said.get(timeout=NOTICED_S)
            except Empty:
                # It is told again: rather twice on the trail than not at all.
                return
            self._access.noticed(notice.id, self._clock.now_us())

    def start(self) -> None:
        """Serve. Raises `LinkSettingsError`."""
        self._server.start()
        self._feed.start()
        self._first_administrator()

    def renew_certificate(self) -> None:
        """Its file has changed: new connections get the new one."""
        self._server.renew_certificate()

    def stop(self, timeout_s: float) -> None:
        """End; streams end, nobody waits for a reply any more."""
        self._app.stop()
        self._feed.stop(timeout_s)
        self._server.stop(timeout_s)

    def know(self, site: Site) -> None:
        """The site file was read again."""
        self._feed.know(site)

    def rows(self, rows: Sequence[OutboxRow]) -> None:
        """These go out with the transaction at hand. From the writer."""
        self._waiting += self._of(rows)

    def committed(self) -> None:
        """The transaction is on record: now they may be seen. From the writer."""
        waiting, self._waiting = self._waiting, []
        self._feed.tell(waiting)

    def _first_administrator(self) -> None:
        secret = self.desk.first_administrator()
        if secret is None:
            return
        try:
            self._secret_file.unlink(missing_ok=True)
            # Exclusive and never through a link: what is written is readable for the service's user alone.
            descriptor = os.open(self._secret_file, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW, 0o600)
            with os.fdopen(descriptor, "w") as file:
                file.write(f"{secret}\n")
        except OSError as error:
            raise LinkSettingsError(
                "console",
                f"the first administrator's secret cannot be written to {self._secret_file}: {error.strerror}",
                "let the service's user write into the journal's folder",
            ) from None
        _log.warning(
            "no administrator has a password yet: sign in as 'administrator' with the one-time secret in this file, "
            "then delete it",
            extra={"file": str(self._secret_file)},
        )

    def _audit(self, by: str, action: str, subject: str, detail: str) -> None:
        self._post(Accessed(by, action, subject, detail))
