"""The alarms of the service itself: links that are down, messages that cannot be used, a clock that was stepped.

What it must not know: rooms, limits, and what is in a message beyond why it was refused.
"""

from __future__ import annotations

from collections import deque
from typing import Final

from motewatch.engine.agenda import Due
from motewatch.engine.desk import BROKER_ALARM, Desk
from motewatch.engine.records import (
    Audited,
    ClockStepped,
    Link,
    LinkChanged,
    LinksGuessed,
    PartChanged,
    Priority,
    RecordHeldUp,
    ReplayDiffered,
    SessionLost,
    SessionTaken,
    SignInsFailed,
    Turned,
)
from motewatch.engine.subject import CHANNEL_PART, Subject, part_subject
from motewatch.site.instants import instant
from motewatch.wire.records import SECOND_US, Refusal

_TIME_SERIES_ALARM: Final = "service/time-series"
_SPACE_ALARM: Final = "service/space"
_CERTIFICATES_ALARM: Final = "service/certificates"
MARKER_ALARM: Final = "service/marker"
_DEAD_LETTERS_ALARM: Final = "service/dead-letters"
_LINKS: Final = {
    Link.BROKER: (BROKER_ALARM, "the broker cannot be reached", "the broker is reached again"),
    Link.TIME_SERIES: (
        _TIME_SERIES_ALARM,
        "the time-series server cannot be reached",
        "the time-series server is reached again",
    ),
    Link.SPACE: (
        _SPACE_ALARM,
        "there is little room left on the journal's disk",
        "there is enough room on the journal's disk again",
    ),
    Link.CERTIFICATES: (
        _CERTIFICATES_ALARM,
        "a certificate ends soon or has ended",
        "no certificate ends soon any more",
    ),
    Link.BACKUP: ("service/backup", "the backup failed", "a backup was made again"),
    Link.BACKUP_AGE: (
        "service/backup-old",
        "there is no backup of the last two and a half days",
        "there is a new backup",
    ),
    Link.ARCHIVES: ("service/archives", "archives could not be made", "archives are made again"),
    Link.MARKER: (
        MARKER_ALARM,
        "the broker does not give back the marker that shows the end of what waited there",
        "the broker gives back the marker again",
    ),
}
"""The alarm of a link, and what is said when it goes and when it comes."""
_SAYS_WHY: Final = frozenset({Link.BACKUP, Link.BACKUP_AGE, Link.ARCHIVES})
"""Links that come back for more than one reason, and then say it; the others never did, and old records must replay."""
SERVICE_ALARMS: Final = {
    BROKER_ALARM: Subject(BROKER_ALARM, "broker-down", Priority.HIGH),
    _TIME_SERIES_ALARM: Subject(_TIME_SERIES_ALARM, "time-series-down", Priority.LOW),
    _SPACE_ALARM: Subject(_SPACE_ALARM, "little-space", Priority.MEDIUM),
    _CERTIFICATES_ALARM: Subject(_CERTIFICATES_ALARM, "certificate-ends", Priority.MEDIUM),
    "service/backup": Subject("service/backup", "backup-failed", Priority.LOW),
    "service/backup-old": Subject("service/backup-old", "backup-old", Priority.MEDIUM),
    "service/archives": Subject("service/archives", "archives-failed", Priority.LOW),
    MARKER_ALARM: Subject(MARKER_ALARM, "marker-lost", Priority.MEDIUM),
    _DEAD_LETTERS_ALARM: Subject(_DEAD_LETTERS_ALARM, "dead-letters", Priority.MEDIUM),
    "service/session": Subject("service/session", "session-lost", Priority.MEDIUM),
    "service/session-taken": Subject("service/session-taken", "session-taken", Priority.HIGH),
    "service/clock": Subject("service/clock", "clock-step", Priority.MEDIUM),
    "service/replay": Subject("service/replay", "replay-differed", Priority.HIGH),
    "service/record": Subject("service/record", "record-held-up", Priority.HIGH),
    "service/links-guessed": Subject("service/links-guessed", "links-guessed", Priority.LOW),
    "service/sign-ins-failed": Subject("service/sign-ins-failed", "sign-ins-failed", Priority.MEDIUM),
}
GUESSES_ALARM: Final = 20
"""So many wrong links within a minute are no slip of a finger."""


def alarm_of(link: Link) -> str:
    """Id of the alarm of a link."""
    return _LINKS[link][0]


class ServiceAlarms:
    """Counts dead letters and follows the links."""

    def __init__(self, desk: Desk) -> None:
        self._desk = desk
        self._dead_letters: deque[int] = deque()

    def turn(self, refusal: Refusal) -> None:
        """A message that did decode cannot be used."""
        self._desk.outputs.append(Turned(refusal))
        self.dead_letter(refusal)

    def dead_letter(self, refusal: Refusal) -> None:
        """Count a message that could not be used; that it goes on is an alarm."""
        desk = self._desk
        now_us, window_us = desk.time_us, desk.plan.dead_letters_window_us
        letters = self._dead_letters
        letters.append(now_us)
        while letters and (letters[0] <= now_us - window_us or len(letters) > desk.plan.dead_letters_alarm):
            letters.popleft()
        desk.agenda.enter(now_us + window_us, Due.DEAD_LETTERS, "")
        if len(letters) >= desk.plan.dead_letters_alarm:
            whom = f" from {refusal.sensor}" if refusal.sensor else ""
            text = (
                f"{len(letters)} or more messages within {window_us // SECOND_US} s could not be used; "
                f"last{whom}: {refusal.detail}"
            )
            desk.say(desk.book.starts(SERVICE_ALARMS[_DEAD_LETTERS_ALARM], now_us, now_us, text))

    def dead_letters_due(self, at_us: int) -> None:
        """The last unusable message may be a whole window ago."""
        desk, letters = self._desk, self._dead_letters
        if letters and letters[-1] > at_us - desk.plan.dead_letters_window_us:
            return
        letters.clear()
        text = "no unusable message for a whole window"
        desk.say(desk.book.returns(_DEAD_LETTERS_ALARM, at_us, desk.time_us, text))

    def link_changed(self, change: LinkChanged) -> None:
        """A link of the service went down or came back."""
        desk = self._desk
        alarm, away, back = _LINKS[change.link]
        detail = f": {change.detail}" if change.detail else ""
        if change.up:
            said = change.detail if change.detail and change.link in _SAYS_WHY else back
            desk.say(desk.book.returns(alarm, change.since_us, desk.time_us, said))
        else:
            desk.say(desk.book.starts(SERVICE_ALARMS[alarm], change.since_us, desk.time_us, f"{away}{detail}"))

    def part_changed(self, change: PartChanged) -> None:
        """A part that monitoring can do without is out of use, or in use again."""
        desk, subject = self._desk, part_subject(change.part)
        detail = f": {change.detail}" if change.detail else ""
        said = change.part.replace(CHANNEL_PART, "the channel ", 1) if "/" in change.part else f"the part {change.part}"
        at_us = min(change.since_us, desk.time_us)
        if change.works:
            desk.say(desk.book.returns(subject.alarm, at_us, desk.time_us, f"{said} is in use again{detail}"))
        else:
            desk.say(desk.book.starts(subject, at_us, desk.time_us, f"{said} is out of use{detail}"))

    def happened(self, what: SessionLost | ClockStepped | ReplayDiffered) -> None:
        """Something that is over as soon as it is known, and stands until somebody takes note."""
        desk = self._desk
        now_us = desk.time_us
        if isinstance(what, SessionLost):
            alarm, at_us = "service/session", what.since_us
            text = "the broker no longer knew this service: messages sent while it was away may be missing"
        elif isinstance(what, ClockStepped):
            alarm, at_us = "service/clock", now_us
            text = f"the host's clock was stepped by {what.step_us / SECOND_US:+.1f} s"
        else:
            alarm, at_us = "service/replay", now_us
            text = f"the replayed record differs from what was recorded: {what.detail}"
        desk.say(desk.book.momentary(SERVICE_ALARMS[alarm], at_us, now_us, text))

    def record_held_up(self, what: RecordHeldUp) -> None:
        """It is over when it can be put on record at all; it stands until somebody takes note."""
        desk = self._desk
        lasted_s = (what.until_us - what.since_us) / SECOND_US
        text = (
            f"the record could not be written from {instant(what.since_us):%Y-%m-%d %H:%M:%S} to "
            f"{instant(what.until_us):%Y-%m-%d %H:%M:%S} UTC ({lasted_s:.0f} s): {what.detail}; messages waited with "
            "the broker"
        )
        desk.say(
            desk.book.momentary(SERVICE_ALARMS["service/record"], min(what.since_us, desk.time_us), desk.time_us, text)
        )

    def links_guessed(self, what: LinksGuessed) -> None:
        """Links that were none were tried on the answer page: on the audit trail, and an alarm where they are many."""
        desk = self._desk
        text = f"{what.count} wrong links were tried on the answer page, from {what.addresses} addresses"
        desk.outputs.append(Audited(desk.time_us, "answer-page", "links-guessed", "answer-page", text))
        if what.count >= GUESSES_ALARM:
            subject = SERVICE_ALARMS["service/links-guessed"]
            desk.say(desk.book.momentary(subject, min(what.since_us, desk.time_us), desk.time_us, text))

    def session_taken(self, what: SessionTaken) -> None:
        """Somebody connects under our client id: a second service by mistake, or an attack."""
        desk = self._desk
        often = "once" if what.count == 1 else f"{what.count} times"
        did = "another client connected" if what.said else "the broker closed the connection as when another connects"
        text = (
            f"{did} under this service's client id '{what.client_id}', {often} since "
            f"{instant(what.since_us):%Y-%m-%d %H:%M:%S} UTC: look for a second service; what waited may be lost"
        )
        subject = SERVICE_ALARMS["service/session-taken"]
        desk.say(desk.book.momentary(subject, min(what.since_us, desk.time_us), desk.time_us, text))

    def sign_ins_failed(self, what: SignInsFailed) -> None:
        """Somebody tries passwords at the console: on the audit trail, and an alarm."""
        desk = self._desk
        whom = "users that there are not" if what.most == "?" else what.most
        text = (
            f"{what.count} sign-ins or confirmations by password failed at the console, "
            f"of {what.users} users and from {what.addresses} addresses, most of them of {whom}"
        )
        desk.outputs.append(Audited(desk.time_us, "console", "sign-ins-failed", "console", text))
        subject = SERVICE_ALARMS["service/sign-ins-failed"]
        desk.say(desk.book.momentary(subject, min(what.since_us, desk.time_us), desk.time_us, text))

    def to_state(self) -> list[int]:
        """Plain values for a snapshot."""
        return list(self._dead_letters)

    def from_state(self, state: list[int]) -> None:
        """Take back what `to_state` took apart."""
        self._dead_letters = deque(state)
