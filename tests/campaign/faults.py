"""The faults of a campaign: each begins, lasts and ends, and in some the daemon is killed while they last.

Two lanes run beside each other. In the lane `way` are the faults on the way of a reading (daemon, broker, lines,
store, settings); after each the campaign waits until the record has caught up, and notes how long that took. In the
lane `sinks` are those of what the daemon speaks to. Everything random comes from the generator that is handed in.

A fault on the way lasts at most about 15 s, which the settling time of the site outlasts (`campaign.stream`).
"""

from __future__ import annotations

import signal
from collections.abc import Callable
from typing import Final

from campaign.blow import Blow, Kind
from campaign.faults_of_host import (
    authority_changes,
    certificate_ends,
    clock_off,
    memory_ceiling,
    memory_squeezed,
    our_certificate_ends,
    years_off_at_the_start,
)
from campaign.faults_of_store import disk_full, long_reader, read_only_start, store_fails, store_locked
from campaign.ground import QUEUE, Ground, Mood
from support.mqtt_peer import Peer
from support.servers import ServerProcess, wait_until

NOT_TAKEN: Final = "the site file was not taken over"
HOUR_S: Final = 3_600
YEARS_S: Final = 10 * 365 * 24 * HOUR_S
DROPPED: Final = "$SYS/broker/publish/messages/dropped"


# ---- programs ------------------------------------------------------------------------------------------------------


def daemon_kill(blow: Blow) -> None:
    blow.here.daemon.kill()
    blow.hold(0.0, 1.5)
    blow.here.daemon.start()


def daemon_kill_early(blow: Blow) -> None:
    """Again and again before it has come far: while it starts, replays, connects."""
    for _ in range(blow.rng.randint(2, 4)):
        blow.here.daemon.kill()
        blow.here.daemon.start()
        blow.hold(0.0, 1.5)


def daemon_stop(blow: Blow) -> None:
    blow.here.daemon.stop()
    blow.hold(0.0, 1.0)
    blow.here.daemon.start()


def daemon_hang(blow: Blow) -> None:
    blow.here.daemon.signal(signal.SIGSTOP)
    blow.hold(1.0, 10.0)
    blow.here.daemon.signal(signal.SIGCONT)


def server_kill(server: Callable[[Ground], ServerProcess], away_s: float) -> Callable[[Blow], None]:
    def strike(blow: Blow) -> None:
        server(blow.here).kill()
        try:
            blow.hold(0.0, away_s)
        finally:
            server(blow.here).start()

    return strike


def server_hang(server: Callable[[Ground], ServerProcess]) -> Callable[[Blow], None]:
    def strike(blow: Blow) -> None:
        server(blow.here).freeze()
        try:
            blow.hold(1.0, 8.0)
        finally:
            server(blow.here).thaw()

    return strike


# ---- lines ---------------------------------------------------------------------------------------------------------


def line_cut(blow: Blow) -> None:
    """Connections end, several times in a row."""
    line = blow.rng.choice([blow.here.daemon_line, blow.here.sensors_line])
    for _ in range(blow.rng.randint(1, 4)):
        line.cut()
        blow.hold(0.0, 0.7)


def half_open(blow: Blow) -> None:
    """A line goes dead and nobody is told; what was on it never arrives."""
    line = blow.rng.choice([blow.here.daemon_line, blow.here.sensors_line])
    line.stall()
    try:
        blow.hold(2.0, 13.0)
    finally:
        line.cut()
        line.flow()


# ---- messages and settings -----------------------------------------------------------------------------------------


def queue_full(blow: Blow) -> None:
    """The daemon is away and the broker may keep little: what it throws away is lost for good."""
    here = blow.here
    here.daemon.kill()
    began_us = here.clock.now_us()
    here.broker.limit_queue(200)
    try:
        with Peer(here.broker.port, DROPPED) as peer:
            wait_until(lambda: any(int(said.payload) for said in peer.heard()), "a message thrown away", 30)
            blow.here.over.wait(8.0)  # the sensors send the last 5 s again
    finally:
        here.broker.limit_queue(QUEUE)
        blow.thrown_away_us.append((began_us - 6_000_000, here.clock.now_us() + 2_000_000))
    here.daemon.start()


def sent_again(blow: Blow) -> None:
    """Hundreds of messages of any age come again, in any order."""
    # Not what a broker threw away: to send that again would be to make good a loss, a minute late.
    old = [
        message
        for message in blow.publisher.acknowledged()
        if not any(since <= message.send_us <= until for since, until in blow.thrown_away_us)
    ]
    chosen = blow.rng.sample(old, min(len(old), blow.rng.randint(100, 600)))
    with Peer(blow.here.broker.port) as peer:
        peer.publish_all([(message.topic, message.payload) for message in chosen])
    blow.note("messages", len(chosen))


def settings_wrong(blow: Blow) -> None:
    """A site file with a mistake is read, then a sound one that differs."""
    here, path = blow.here, blow.here.site_path
    sound = path.read_text()
    # A daemon that is still starting has no handler yet, and SIGHUP would end it.
    here.daemon.wait_for(lambda: _serves(here), "a daemon that serves")
    since = here.daemon.log_size()
    wrong = blow.rng.choice(['format = "one"\n', sound.replace("room-1", "room-9", 1), sound + "\n[[[\n", ""])
    path.write_text(wrong)
    try:
        here.daemon.signal(signal.SIGHUP)
        here.daemon.wait_for(lambda: NOT_TAKEN in here.daemon.log_since(since), "a refused site file", 30)
    finally:
        path.write_text(sound)
    path.write_text(sound.replace('name = "Ben"', f'name = "Ben {blow.rng.randrange(10**6)}"', 1))
    here.daemon.signal(signal.SIGHUP)
    here.daemon.wait_for(lambda: "the site file is taken over" in here.daemon.log_since(since), "a new site file", 30)
    path.write_text(sound)


def _serves(here: Ground) -> bool:
    lines = here.daemon.log()
    return lines.rfind(" serving ") > lines.rfind(" engine restored ")


# ---- sinks ---------------------------------------------------------------------------------------------------------


def hook_is(mood: Mood) -> Callable[[Blow], None]:
    def strike(blow: Blow) -> None:
        with blow.here.hook.being(mood):
            blow.hold(1.0, 10.0)

    return strike


def mail_refuses(blow: Blow) -> None:
    blow.here.mail.after_content = "451 4.3.0 later"
    try:
        blow.hold(1.0, 10.0)
    finally:
        blow.here.mail.after_content = "250 taken"


def mail_hangs(blow: Blow) -> None:
    """The line to the mail server goes dead; in the end it is cut, or all that was on it arrives after all."""
    blow.here.mail_line.stall()
    try:
        blow.hold(1.0, 10.0)
    finally:
        if blow.rng.random() < 0.5:
            blow.here.mail_line.cut()
        blow.here.mail_line.flow()


KINDS: Final = (
    Kind("daemon-kill", "way", daemon_kill),
    Kind("daemon-kill-early", "way", daemon_kill_early),
    Kind("daemon-stop", "way", daemon_stop),
    Kind("daemon-hang", "way", daemon_hang),
    Kind("broker-kill", "way", server_kill(lambda here: here.broker, 2.0), kill=True, restart=True),
    Kind("broker-hang", "way", server_hang(lambda here: here.broker), kill=True, restart=True),
    Kind("line-cut", "way", line_cut, kill=True, restart=True),
    Kind("line-half-open", "way", half_open, kill=True, restart=True),
    Kind("queue-full", "way", queue_full),
    Kind("disk-full", "way", disk_full, kill=True),
    Kind("store-read-only", "way", store_fails("read-only"), kill=True),
    Kind("store-no-room", "way", store_fails("full"), kill=True),
    Kind("store-sync-fails", "way", store_fails("sync"), kill=True),
    Kind("store-read-only-start", "way", read_only_start),
    Kind("store-locked", "way", store_locked, kill=True),
    Kind("store-long-reader", "way", long_reader, kill=True, restart=True),
    Kind("certificate-ends", "way", certificate_ends, kill=True, restart=True),
    Kind("certificate-of-ours-ends", "way", our_certificate_ends, kill=True, restart=True),
    Kind("authority-changes", "way", authority_changes, kill=True, restart=True),
    Kind("clock-hour-off", "way", clock_off(HOUR_S), kill=True),
    Kind("clock-years-off", "way", clock_off(YEARS_S), kill=True),
    Kind("clock-years-off-start", "way", years_off_at_the_start),
    Kind("memory-squeezed", "way", memory_squeezed),
    Kind("memory-ceiling-start", "way", memory_ceiling),
    Kind("sent-again", "way", sent_again),
    Kind("settings-wrong", "way", settings_wrong),
    Kind("series-kill", "sinks", server_kill(lambda here: here.time_series, 4.0)),
    Kind("series-hang", "sinks", server_hang(lambda here: here.time_series)),
    Kind("hook-slow", "sinks", hook_is("slow")),
    Kind("hook-hung", "sinks", hook_is("hung")),
    Kind("hook-refusing", "sinks", hook_is("refusing")),
    Kind("mail-refusing", "sinks", mail_refuses),
    Kind("mail-hung", "sinks", mail_hangs),
)


NEEDED: Final = (("store-read", "store-no", "store-sync"), ("clock-",))
"""Kinds that need the library of store faults, and those that need the one of the clock."""


def possible(kind: Kind, here: Ground) -> bool:
    """Whether this machine allows it."""
    if kind.name == "disk-full":
        return here.own_disk
    there = (here.store_faults, here.clock_file)
    return all(made is not None or not kind.name.startswith(names) for made, names in zip(there, NEEDED, strict=True))
