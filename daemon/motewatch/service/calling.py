"""Callout as a part of the service: the channels, their workers, and the dead-man signal.

What can be wrong with their settings is found in the constructor, with the key of the site file. Channels are made at
the start of the service only; names, zone and the list of channels follow a site file that is read again. What only
such sites need as have channels or the signal (a template engine, an HTTP client) is imported for them alone, and at
the start: an upgrade under way must not spoil the first call. Must not know who is called, when, or what a call says.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Final
from zoneinfo import ZoneInfo

from motewatch.callout.answers import LinkSigner
from motewatch.callout.records import Told
from motewatch.callout.unrecorded import OnDuty
from motewatch.journal.journal import Journal
from motewatch.journal.outbox import Outbox
from motewatch.journal.rows import OutboxRow
from motewatch.links.broker import BrokerLink
from motewatch.links.call_lanes import Lane, Window
from motewatch.links.call_message import CallMessage, Names
from motewatch.links.call_worker import CallWorker, Poster
from motewatch.links.channels import Channel, open_channel
from motewatch.links.clock import TimeSource
from motewatch.links.housekeeping import Job
from motewatch.links.outbox import CALL
from motewatch.links.secrets import read_secret
from motewatch.links.stray_calls import StrayCalls
from motewatch.links.unrecorded_calls import UnrecordedCalls
from motewatch.service.writer import Writer
from motewatch.site.models import Site
from motewatch.site.people import ChannelBase
from motewatch.wire.topics import Topics

if TYPE_CHECKING:
    from motewatch.links.dead_man import DeadMan

_log = logging.getLogger("motewatch.calling")

STRAY_S: Final = 5.0
"""How often calls over channels that nobody serves are looked for."""

STOP_S: Final = 0.8
"""What all workers together may take to end."""

TURN_S: Final = 30.0
"""A writer that has not turned for so long is stuck. A turn takes milliseconds; a replayed day some seconds."""

LOSS_S: Final = 60.0
"""A broker that is away for longer, without anybody having been told, keeps the dead-man signal back."""

LeftOver = Mapping[str, Sequence[int]]


def left_over(journal: Journal) -> LeftOver:
    """Calls that an earlier run of the service may have tried: ids of rows by sink. To be asked before any new one."""
    return Outbox(journal.store).waiting(CALL)


class Calling:
    """The workers of one site. `start`, then `stop`, before the writer ends."""

    def __init__(
        self,
        site: Site,
        base_dir: Path,
        journal: Journal,
        post: Poster,
        publisher: BrokerLink,
        topics: Topics,
        clock: TimeSource,
        signer: LinkSigner | None,
        before: LeftOver,
        trouble: Callable[[], str] = lambda: "",
    ) -> None:
        """`before` is what `left_over` said; `trouble` is why nothing can be put on record.

        Raises `LinkSettingsError`.
        """
        self._clock = clock
        self._signer = signer
        self._journal = journal
        self._undo = ExitStack()
        self._waiting = False
        self._unrecorded: UnrecordedCalls | None = None
        self._channels: dict[str, tuple[ChannelBase, Channel]] = {}
        self.know(site)
        try:
            self.workers = self._serve(site, base_dir, post, publisher, topics, before, trouble)
        except BaseException:
            self._undo.close()
            raise
        served = [settings.id for settings in site.channels]
        self._stray = StrayCalls(Outbox(journal.store), post, clock, served, lambda: self._configured)

    @property
    def job(self) -> Job:
        """What the housekeeping has to do for it."""
        return Job("calls-without-channel", STRAY_S, self._stray.look)

    def know(self, site: Site) -> None:
        """The site file was read again: what calls people and places by."""
        self._names = Names.of(site)
        self._zone = ZoneInfo(site.site.time_zone)
        self._configured = frozenset(channel.id for channel in site.channels)
        if self._unrecorded is not None:
            self._unrecorded.know(OnDuty.of(site), site.callout.unrecorded)

    def start(self) -> None:
        """Deliver what waits."""
        for worker in self.workers:
            worker.start()
        if self._unrecorded is not None:
            self._unrecorded.start()

    def rows(self, rows: Iterable[OutboxRow]) -> None:
        """These are about to be committed. In the writer's thread."""
        self._waiting = self._waiting or any(row.sink.startswith(CALL) for row in rows)

    def notify(self) -> None:
        """They are. The workers are woken for calls only: other rows come by the thousand. In the writer's thread."""
        if self._waiting:
            self._waiting = False
            for worker in self.workers:
                worker.notify()

    def stop(self) -> None:
        """End, while the writer still takes what became of the last calls."""
        for worker in self.workers:
            worker.ask_to_stop()
        if self._unrecorded is not None and not self._unrecorded.stop():
            _log.warning("a call beside the record was left behind")
        deadline_s = self._clock.monotonic_s() + STOP_S
        for worker in self.workers:
            if not worker.stop(max(0.0, deadline_s - self._clock.monotonic_s())):
                _log.warning("a call was left behind, it is repeated at the next start", extra={"sink": worker.sink})
        self._undo.close()

    def _serve(
        self,
        site: Site,
        base_dir: Path,
        post: Poster,
        publisher: BrokerLink,
        topics: Topics,
        before: LeftOver,
        trouble: Callable[[], str],
    ) -> list[CallWorker]:
        """Workers for each channel, and the calls beside the record."""
        if not site.channels:
            return []
        from motewatch.links.call_text import render

        def words(told: Told, maybe_repeat: bool) -> CallMessage:
            # A link is valid from the delivery on.
            link = None if self._signer is None else self._signer.link_for(told, self._clock.now_us())
            return render(told, self._names, link, self._zone, maybe_repeat)

        workers: list[CallWorker] = []
        outbox = Outbox(self._journal.store)
        for settings in site.channels:
            channel = open_channel(settings, base_dir, publisher, self._clock, topics)
            self._undo.callback(channel.close)
            self._channels[settings.id] = settings, channel
            rows, window = before.get(f"{CALL}{settings.id}", ()), Window(settings.per_minute)
            workers += [
                CallWorker(
                    settings, channel, outbox, post, words, self._clock, left_over=rows, lane=lane, window=window
                )
                for lane in (Lane.URGENT, Lane.OTHERS)
            ]
        self._unrecorded = UnrecordedCalls(
            self._channels, words, trouble, post, self._clock, OnDuty.of(site), site.callout.unrecorded
        )
        return workers


def dead_man(site: Site, base_dir: Path, writer: Writer, link: BrokerLink, clock: TimeSource) -> DeadMan | None:
    """The signal to the outside, where the site has one. Raises `LinkSettingsError`."""
    settings = site.callout.dead_man
    if settings is None:
        return None

    def trouble() -> str:
        away_s = 0.0 if link.connected else writer.untold_loss_s
        return stuck(writer.lives_s, clock.monotonic_s()) or writer.trouble or unseen(away_s)

    from motewatch.links.dead_man import DeadMan

    url = read_secret(settings.url_file, base_dir)
    return DeadMan(url, settings.every_s, settings.timeout_s, trouble, clock)


def stuck(turned_s: float, now_s: float) -> str:
    """What is wrong when the writer last turned or committed then, on the monotonic clock; empty where nothing is."""
    since_s = now_s - turned_s
    return f"the writer has not turned for {since_s:.0f} s" if since_s > TURN_S else ""


def unwritten(turned_s: float, now_s: float) -> str:
    """The same as people are told it: a write that hangs is one that does not happen."""
    why = stuck(turned_s, now_s)
    return f"the record is not written: {why}" if why else ""


def unseen(away_s: float) -> str:
    """What is wrong when the broker has been away for so long and no alarm says so; empty where nothing is."""
    return f"the broker has been away for {away_s:.0f} s and nobody was told" if away_s > LOSS_S else ""
