"""Callout as a part of the service: the channels, their workers, and the dead-man signal.

A channel that cannot be opened (its secret is not there) is out of use and told (`optional_parts`); it is tried again
each minute, and its calls are refused, so that each person's next way is tried. Channels are made at the start of the
service only; names, zone and the list of channels follow a site file that is read again. What only such sites need as
have channels or the signal (a template engine, an HTTP client) is imported for them alone, and at the start: an upgrade
under way must not spoil the first call. Must not know who is called, when, or what a call says.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import ExitStack
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Final
from zoneinfo import ZoneInfo

from motewatch.callout.answers import LinkSigner
from motewatch.callout.records import Told
from motewatch.callout.unrecorded import OnDuty
from motewatch.engine.subject import CHANNEL_PART
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
from motewatch.service.optional_parts import OptionalParts
from motewatch.service.writer import Writer
from motewatch.site import people
from motewatch.site.models import Site
from motewatch.site.people import ChannelBase
from motewatch.wire.topics import Topics

if TYPE_CHECKING:
    from motewatch.links.dead_man import DeadMan

_log = logging.getLogger("motewatch.calling")

STRAY_S: Final = 5.0
"""How often calls over channels that nobody serves are looked for."""

AGAIN_S: Final = 60.0
"""How often a channel that is out of use is tried."""

STOP_S: Final = 0.8
"""What all workers together may take to end."""

TURN_S: Final = 30.0
"""A writer that has not turned for so long is stuck. A turn takes milliseconds; a replayed day some seconds."""

LOSS_S: Final = 60.0
"""A broker that is away for longer without anybody having been told, or whose backlog takes longer than that, which
nobody can be told, keeps the dead-man signal back."""

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
        parts: OptionalParts,
        trouble: Callable[[], str] = lambda: "",
    ) -> None:
        """`before` is what `left_over` said; `trouble` is why nothing can be put on record."""
        self._clock = clock
        self._signer = signer
        self._journal = journal
        self._undo = ExitStack()
        self._waiting = False
        self._unrecorded: UnrecordedCalls | None = None
        self._channels: dict[str, tuple[ChannelBase, Channel]] = {}
        self._parts = parts
        self._before = before
        self._started = False
        self._stopping = False
        self._open: Callable[[people.Channel], None] = lambda settings: None
        self._unserved = {settings.id: settings for settings in site.channels}
        """Channels that are out of use."""
        self.workers: list[CallWorker] = []
        self.know(site)
        try:
            self._serve(site, base_dir, post, publisher, topics, trouble)
        except BaseException:
            self._undo.close()
            raise
        self._stray = StrayCalls(
            Outbox(journal.store), post, clock, self._channels, lambda: self._configured, self._why_out
        )

    @property
    def jobs(self) -> list[Job]:
        """What the housekeeping has to do for it."""
        return [
            Job("calls-without-channel", STRAY_S, self._stray.look),
            Job("channels-out-of-use", AGAIN_S, self._open_again),
        ]

    def know(self, site: Site) -> None:
        """The site file was read again: what calls people and places by."""
        self._names = Names.of(site)
        self._zone = ZoneInfo(site.site.time_zone)
        self._configured = frozenset(channel.id for channel in site.channels)
        for id_ in self._unserved.keys() - self._configured:
            self._parts.is_back(f"{CHANNEL_PART}{id_}")
        if self._unrecorded is not None:
            self._unrecorded.know(OnDuty.of(site), site.callout.unrecorded)

    def start(self) -> None:
        """Deliver what waits."""
        self._started = True
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
        self._stopping = True
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
        trouble: Callable[[], str],
    ) -> None:
        """Workers for each channel, and the calls beside the record."""
        if not site.channels:
            return
        from motewatch.links.call_text import render

        def words(told: Told, maybe_repeat: bool) -> CallMessage:
            # A link is valid from the delivery on.
            link = None if self._signer is None else self._signer.link_for(told, self._clock.now_us())
            return render(told, self._names, link, self._zone, maybe_repeat)

        outbox = Outbox(self._journal.store)

        def serve(settings: people.Channel) -> None:
            channel = open_channel(settings, base_dir, publisher, self._clock, topics)
            self._undo.callback(channel.close)
            self._channels[settings.id] = settings, channel
            window = Window(settings.per_minute)
            for lane in (Lane.URGENT, Lane.OTHERS):
                worker = CallWorker(
                    settings,
                    channel,
                    outbox,
                    post,
                    words,
                    self._clock,
                    left_over=self._before.get(f"{CALL}{settings.id}", ()),
                    lane=lane,
                    window=window,
                )
                self.workers.append(worker)
                if self._started:
                    worker.start()

        self._open = serve
        self._open_again()
        self._unrecorded = UnrecordedCalls(
            self._channels, words, trouble, post, self._clock, OnDuty.of(site), site.callout.unrecorded
        )

    def _open_again(self) -> None:
        """Take into use what is not, where that can be by now."""
        for id_, settings in list(self._unserved.items()):
            if id_ not in self._configured or self._stopping:
                continue
            self._parts.attempt(f"{CHANNEL_PART}{id_}", partial(self._open, settings))
            if id_ in self._channels:
                del self._unserved[id_]

    def _why_out(self) -> dict[str, str]:
        """By id of channel."""
        out = self._parts.out
        return {id_: out[part] for id_ in self._unserved if (part := f"{CHANNEL_PART}{id_}") in out}


def dead_man(site: Site, base_dir: Path, writer: Writer, link: BrokerLink, clock: TimeSource) -> DeadMan | None:
    """The signal to the outside, where the site has one. Raises `LinkSettingsError`."""
    settings = site.callout.dead_man
    if settings is None:
        return None

    def trouble() -> str:
        away_s = 0.0 if link.connected else writer.untold_loss_s
        hangs = stuck(writer.lives_s, clock.monotonic_s())
        return hangs or writer.trouble or unseen(away_s) or unjudged(writer.untold_hold_s)

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


def unjudged(held_s: float) -> str:
    """What is wrong when the end of the broker's backlog has been looked for so long; empty where nothing is."""
    why = f"for {held_s:.0f} s nothing has been judged, since the end of what waited at the broker is not found"
    return why if held_s > LOSS_S else ""
