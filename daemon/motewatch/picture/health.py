"""Is the service well: do readings come in, are they kept, do they go on, can people be reached. Pure.

Rules: four answers, each with a word and a shape: well, see to it (before it gets worse), not well, cannot tell. What
was not set up is said and is no fault. Nothing that cannot be told is ever well: without a running service, or with one
that hangs, only the record can be spoken of.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from enum import Enum
from zoneinfo import ZoneInfo

from motewatch.picture.words import clock, lasting
from motewatch.wire.records import DAY_US, HOUR_US, MINUTE_US, SECOND_US

LATE_US = 5 * MINUTE_US
"""What waits longer to go on has a reason that somebody should know."""

BEHIND_US = 60 * SECOND_US
"""So far the record may be behind the clock: less is a short absence of the broker, and what it sends afterwards."""

SIGN_US = 30 * SECOND_US
"""A service that has given no sign of life for longer hangs: it gives one every few seconds."""

BACKUP_US = 36 * HOUR_US
"""One is made each day, and of a large record it takes hours."""

LEAST_FREE_BYTES = 2 * 10**9
"""Below this the disk is to be seen to: a month of a large site (common practice, no source)."""


_NEVER = "nothing has ever come"


class Answer(Enum):
    """What can be said of one question."""

    NOT_WELL = "not well"
    SEE_TO = "see to it"
    CANNOT_TELL = "cannot tell"
    WELL = "well"
    NOT_SET_UP = "not set up"

    @property
    def sign(self) -> str:
        """Its shape."""
        return {"not well": "✖", "see to it": "▲", "cannot tell": "?", "well": "✓", "not set up": "–"}[self.value]


@dataclass(frozen=True, slots=True)
class Waiting:
    """What one sink has not taken yet."""

    rows: int
    oldest_us: int


@dataclass(frozen=True, slots=True)
class Sign:
    """A sign of life of the service."""

    at_us: int
    """By this machine's clock."""
    now_us: int
    """The same instant by the time that the service goes by."""
    upto_us: int
    """So far all that came is judged, and on record where there is no trouble."""
    connected: bool
    """Is the broker reached?"""
    trouble: str = ""
    """Why nothing can be put on record; empty: it can."""

    @property
    def clock_off_us(self) -> int:
        """How far this machine's clock is ahead of the service's time, where that is more than a trifle."""
        off_us = self.at_us - self.now_us
        return off_us if abs(off_us) > BEHIND_US else 0


@dataclass(frozen=True, slots=True)
class BackupFacts:
    """What was found of backups."""

    newest_us: int | None
    """Of the newest that the service made by itself; None: there is none."""
    failed: bool = False
    """Has the last one that was tried failed?"""
    folder: bool = True
    """Is the folder there?"""
    unread: str = ""
    """Why nobody can say what is in it; empty: it was looked at."""


@dataclass(frozen=True, slots=True)
class Facts:
    """What was found."""

    now_us: int
    process: str | None
    """Id of the process that works on the journal; None: there is none, or nobody can say."""
    last_reading_us: int | None
    """When the newest reading in the journal was received."""
    engine_us: int | None
    """How far the record has come."""
    journal_bytes: int
    free_bytes: int
    fixed_sensors: int
    sign: Sign | None = None
    """The newest one. None though there is a process: it is starting still, or another command."""
    unseen: str = ""
    """Why nobody can say whether there is a process; empty: it is known."""
    silent_sensors: Sequence[str] = ()
    """Fixed ones that were not heard for longer than they may be quiet."""
    unusable: int = 0
    """Messages of the last hour that could not be used."""
    waiting: Mapping[str, Waiting] = field(default_factory=dict)
    """By sink."""
    broker_down: bool = False
    time_series_down: bool = False
    open_alarms: Mapping[str, int] = field(default_factory=dict)
    """Alarms that nobody has acknowledged, by priority."""
    standing_alarms: int = 0
    nobody_on_call: Sequence[str] = ()
    """Rotas."""
    on_call: Sequence[str] = ()
    """Persons, over all rotas."""
    callout: bool = False
    """Is calling people set up?"""
    nobody_reached: bool = False
    calls: int = 0
    """Of the last day."""
    failed_calls: int = 0
    failing_tests: Sequence[str] = ()
    """Alarms of ways whose test calls nobody confirmed."""
    channels: int = 0
    channels_out: Sequence[str] = ()
    """Those over which no call goes out, because something that they need is not there."""
    parts_out: Sequence[str] = ()
    """Other parts of the service that are out of use."""
    archive_bytes: int = 0
    """Of all archive files."""
    first_input_us: int | None = None
    """When the record began."""
    archives_fail: bool = False
    backup: BackupFacts | None = None
    """None: the site makes none by itself."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One question with its answer."""

    question: str
    answer: Answer
    text: str


def findings(facts: Facts, zone: ZoneInfo) -> list[Finding]:
    """The answers, in the order in which one would ask."""
    return [
        _service(facts),
        _readings(facts),
        _record(facts, zone),
        _passing_on(facts),
        _people(facts),
        *([] if facts.backup is None else [_backups(facts.backup, facts.now_us)]),
        _alarms(facts),
    ]


def _service(facts: Facts) -> Finding:
    name = "Does the service run?"
    if facts.unseen:
        return Finding(name, Answer.CANNOT_TELL, facts.unseen)
    if facts.process is None:
        return Finding(name, Answer.NOT_WELL, "no: nothing is taken in, judged or told; start it")
    sign = facts.sign
    if sign is None:
        text = f"process {facts.process} is still starting, or is another command that works on the journal"
        return Finding(name, Answer.CANNOT_TELL, text)
    if (dumb_us := _dumb_us(facts)) is not None:
        text = f"process {facts.process} hangs: it has given no sign of life for {lasting(dumb_us)}; start it anew"
        return Finding(name, Answer.NOT_WELL, text)
    yes = f"yes, as process {facts.process}"
    but = []
    if off_us := sign.clock_off_us:
        which = "ahead of" if off_us > 0 else "behind"
        but.append(f"this machine's clock is {lasting(abs(off_us))} {which} the time that it goes by")
    if facts.parts_out:
        but.append(f"without: {', '.join(facts.parts_out)}")
    return Finding(name, Answer.SEE_TO, f"{yes}, but {'; '.join(but)}") if but else Finding(name, Answer.WELL, yes)


def _dumb_us(facts: Facts) -> int | None:
    """How long ago the last sign of life of a running service is, where that is too long."""
    if facts.process is None or facts.sign is None:
        return None
    since_us = facts.now_us - (facts.sign.at_us - facts.sign.clock_off_us)
    # One from the future says as little: the clock was set back meanwhile, and the next one would come at once.
    return abs(since_us) if abs(since_us) > SIGN_US else None


def _not_judged(facts: Facts) -> str:
    """Why nobody can say what comes in now; empty where somebody can."""
    if facts.unseen:
        return "nobody can say whether a service runs"
    if facts.process is None:
        return "no service runs"
    if _dumb_us(facts) is not None:
        return "the service hangs"
    if facts.sign is None and _behind_us(facts) > BEHIND_US:
        return "no service has written the record lately"
    return facts.sign.trouble if facts.sign is not None else ""


def _awaited(facts: Facts) -> str:
    """What a service that works waits for before it judges anything: time stands still until all is here that was sent
    meanwhile, and nobody is called. Empty: nothing."""
    if facts.process is None or _not_judged(facts) or _behind_us(facts) <= BEHIND_US:
        return ""
    away = facts.sign is not None and not facts.sign.connected
    return "it waits for the broker" if away else "what waited at the broker is read first"


def _broker_away(facts: Facts) -> bool:
    return facts.broker_down if facts.sign is None else not facts.sign.connected


def _upto_us(facts: Facts) -> int | None:
    """How far the record has come. A service that lives and has nothing to write has come further than it says."""
    known = [facts.engine_us] if facts.engine_us is not None else []
    if facts.sign is not None and not facts.sign.trouble:
        known.append(facts.sign.upto_us)
    return max(known, default=None)


def _behind_us(facts: Facts) -> int:
    upto_us = _upto_us(facts)
    return 0 if upto_us is None else facts.now_us - upto_us


def _readings(facts: Facts) -> Finding:
    name = "Do readings come in?"
    newest = _newest(facts)
    if why := _not_judged(facts):
        no_service = facts.process is None and not facts.unseen
        return Finding(name, Answer.CANNOT_TELL, newest if no_service else f"{why}; {newest}")
    if _broker_away(facts):
        return Finding(name, Answer.NOT_WELL, f"the broker is not reached; {newest}")
    if facts.last_reading_us is None:
        return Finding(name, Answer.CANNOT_TELL, newest)
    silent = list(facts.silent_sensors)
    heard = f"{facts.fixed_sensors - len(silent)} of {facts.fixed_sensors} fixed sensors are heard"
    unusable = f"; {facts.unusable} messages of the last hour could not be used" if facts.unusable else ""
    if silent:
        shown = ", ".join(silent[:5]) + (f" and {len(silent) - 5} more" if len(silent) > 5 else "")
        worst = Answer.NOT_WELL if len(silent) == facts.fixed_sensors else Answer.SEE_TO
        return Finding(name, worst, f"{heard}, silent: {shown}; {newest}{unusable}")
    return Finding(name, Answer.SEE_TO if facts.unusable else Answer.WELL, f"{heard}; {newest}{unusable}")


def _newest(facts: Facts) -> str:
    if facts.last_reading_us is not None:
        return f"newest {lasting(facts.now_us - facts.last_reading_us)} ago"
    return "no reading is left in the journal, older ones are in archives" if facts.archive_bytes else _NEVER


def _record(facts: Facts, zone: ZoneInfo) -> Finding:
    name = "Are they kept?"
    archives = f", archives {_bytes(facts.archive_bytes)}" if facts.archive_bytes else ""
    size = f"journal {_bytes(facts.journal_bytes)}{archives}, {_bytes(facts.free_bytes)} free{_growth(facts)}"
    upto_us, behind_us = _upto_us(facts), _behind_us(facts)
    if upto_us is None or facts.engine_us is None:
        return Finding(name, Answer.CANNOT_TELL, f"nothing is on record yet; {size}")
    upto = f"up to {clock(upto_us, zone, facts.now_us)}"
    if facts.process is not None:
        late = f"{upto}, {lasting(behind_us)} behind"
        if why := _not_judged(facts):
            return Finding(name, Answer.NOT_WELL, f"{late}: {why}; {size}")
        if why := _awaited(facts):
            return Finding(name, Answer.SEE_TO, f"{late}: {why}; {size}")
    if facts.free_bytes < LEAST_FREE_BYTES // 10:
        return Finding(name, Answer.NOT_WELL, f"{upto}; the disk is nearly full: {size}")
    if facts.free_bytes < LEAST_FREE_BYTES:
        return Finding(name, Answer.SEE_TO, f"{upto}; room is getting scarce: {size}")
    if facts.archives_fail:
        return Finding(name, Answer.SEE_TO, f"{upto}; archives could not be made: {size}")
    if facts.unseen:
        return Finding(name, Answer.CANNOT_TELL, f"{upto}, but {_not_judged(facts)}; {size}")
    return Finding(name, Answer.WELL, f"{upto}; {size}")


def _growth(facts: Facts) -> str:
    """How long the disk lasts if the record goes on growing as it did on average; nothing in its first week."""
    if facts.first_input_us is None:
        return ""
    days = (facts.now_us - facts.first_input_us) / DAY_US
    if days < 7:
        return ""
    a_day = (facts.journal_bytes + facts.archive_bytes) / days
    left = facts.free_bytes / a_day
    lasts = f"{left / 365:.0f} years" if left > 730 else f"{left:.0f} days"
    return f" (grew {_bytes(round(a_day))} a day so far: enough for {lasts})"


def _passing_on(facts: Facts) -> Finding:
    name = "Do they go on?"
    waiting = {sink: each for sink, each in facts.waiting.items() if each.rows}
    said = ", ".join(
        f"{sink}: {each.rows} waiting, the oldest for {lasting(facts.now_us - each.oldest_us)}"
        for sink, each in sorted(waiting.items())
    )
    said = said or "nothing waits"
    why = _not_judged(facts)
    if facts.time_series_down:
        said = f"the time-series database is not reached; {said}"
    if not why and _broker_away(facts):
        said = f"the broker is not reached; {said}"
    elif facts.unseen:
        said = f"{why}; {said}"
    elif idle := why or _awaited(facts):
        said = f"nothing new goes on: {idle}; {said}"
    late = any(facts.now_us - each.oldest_us > LATE_US for each in waiting.values())
    if late or facts.time_series_down or (not why and (_broker_away(facts) or _awaited(facts))):
        return Finding(name, Answer.SEE_TO, said)
    return Finding(name, Answer.CANNOT_TELL if why else Answer.WELL, said)


def _people(facts: Facts) -> Finding:
    name = "Can people be reached?"
    if not facts.callout:
        return Finding(name, Answer.NOT_SET_UP, "this site calls nobody: no escalation is configured")
    said = [f"on call: {', '.join(facts.on_call) or 'nobody'}"]
    if facts.unseen:
        return Finding(name, Answer.CANNOT_TELL, f"{_not_judged(facts)}; {said[0]}")
    if why := _not_judged(facts) or _awaited(facts):
        # Of a record that cannot be written people are told beside it, and of nothing else.
        told = facts.sign is not None and why == facts.sign.trouble
        called = 'only the call "Not on record" goes out' if told else "nobody is called"
        return Finding(name, Answer.NOT_WELL, f"{called}: {why}; {said[0]}")
    said.append(f"{facts.calls} calls in the last day, {facts.failed_calls} failed")
    if facts.failing_tests:
        said.append(f"test calls not confirmed: {', '.join(facts.failing_tests)}")
    if facts.channels_out:
        said.insert(0, f"channels out of use: {', '.join(facts.channels_out)}")
        if len(facts.channels_out) >= facts.channels:
            return Finding(name, Answer.NOT_WELL, "; ".join(said))
    if facts.nobody_reached:
        return Finding(name, Answer.NOT_WELL, f"nobody was reached for a standing alarm; {'; '.join(said)}")
    if facts.nobody_on_call:
        return Finding(name, Answer.NOT_WELL, f"nobody on call in {', '.join(facts.nobody_on_call)}; {'; '.join(said)}")
    faulty = facts.failing_tests or facts.failed_calls or facts.channels_out
    return Finding(name, Answer.SEE_TO if faulty else Answer.WELL, "; ".join(said))


def _backups(backup: BackupFacts, now_us: int) -> Finding:
    """Never worse than "see to it": the service itself does its work."""
    name = "Are backups made?"
    newest = "there is none" if backup.newest_us is None else f"the newest is {lasting(now_us - backup.newest_us)} old"
    failed = "the last try failed; " if backup.failed else ""
    if backup.unread:
        return Finding(name, Answer.SEE_TO if backup.failed else Answer.CANNOT_TELL, f"{failed}{backup.unread}")
    if not backup.folder:
        return Finding(name, Answer.SEE_TO, f"{failed}the backup folder is not there")
    if backup.failed:
        return Finding(name, Answer.SEE_TO, f"{failed}{newest}")
    late = backup.newest_us is None or now_us - backup.newest_us > BACKUP_US
    return Finding(name, Answer.SEE_TO if late else Answer.WELL, newest)


def _alarms(facts: Facts) -> Finding:
    name = "Are alarms waiting?"
    waiting = ", ".join(f"{number} of {word} priority" for word, number in facts.open_alarms.items() if number)
    standing = f"{facts.standing_alarms} standing"
    if not waiting and (why := _not_judged(facts) or _awaited(facts)):
        return Finding(name, Answer.CANNOT_TELL, f"none unacknowledged on record, but {why}; {standing}")
    if not waiting:
        return Finding(name, Answer.WELL, f"none unacknowledged; {standing}")
    return Finding(name, Answer.SEE_TO, f"not acknowledged: {waiting}; {standing}")


def _bytes(number: int) -> str:
    for unit, size in (("GB", 10**9), ("MB", 10**6)):
        if number >= size:
            return f"{number / size:.1f} {unit}"
    return f"{number / 1000:.0f} kB"
