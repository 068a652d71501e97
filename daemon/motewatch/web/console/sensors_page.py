"""The model of the pages about sensors: which can be trusted now and why not, those that are unknown or nowhere. Pure.

Rules: what was not heard is not in order: a sensor of which nothing is known has an answer of its own. Every answer is
a word and a shape. Bytes from outside are shown as printable text only.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Final
from zoneinfo import ZoneInfo

from motewatch.alarms.annunciations import AlarmStep
from motewatch.alarms.lifecycle import Event, State
from motewatch.engine.plan import silent_us
from motewatch.journal.rows import AuditRow, InputRow
from motewatch.journal.sensor_record import KeptLetter, Knocking
from motewatch.picture.words import lasting
from motewatch.site.models import Sensor, Site
from motewatch.web.words import ago, at, local
from motewatch.wire.decode import decode
from motewatch.wire.outgoing import AlarmMessage
from motewatch.wire.records import DAY_US, SECOND_US, Reading
from motewatch.wire.topics import Topics
from motewatch.wire.wording import plain

BAD, WATCH, UNKNOWN, FINE = ("bad", "✖"), ("watch", "▲"), ("unknown", "?"), ("fine", "✓")
RANK: Final = {"bad": 0, "unknown": 1, "watch": 2, "fine": 3}
SOON_DAYS: Final = 30
BYTES_SHOWN: Final = 600
_HOLDS: Final = (State.UNACKNOWLEDGED, State.ACKNOWLEDGED)

FAULTS: Final = {
    "sensor-silent": "nothing is heard of it",
    "sensor-flow": "its flow is outside its tolerance",
    "sensor-laser": "its light source is at fault",
    "sensor-clock": "its clock is off",
    "sensor-stuck": "it counts the same again and again",
    "sensor-all-zero": "it counts nothing at all",
}
"""Kinds of alarms that mean: do not trust it."""


@dataclass(frozen=True, slots=True)
class Line:
    """One sensor. `clock`: how late its last reading came; `silences`: of the last day and the last week."""

    id: str
    serial: str
    portable: bool
    css: str
    sign: str
    answer: str
    where: str
    """Where it stands, in words."""
    location: str
    """Its id, or empty."""
    last: str
    turned: str
    """Of its last message, where that could not be used: when and why."""
    delay: str
    flow: str
    laser: str
    calibration: str
    calibration_sign: str
    silences: str
    interval_s: float
    channels: str
    flow_l_min: float
    due: date | None
    last_us: int | None
    late_us: int | None
    silences_day: tuple[int, int] | None
    """How many, and how long in all."""
    silences_week: tuple[int, int] | None


@dataclass(frozen=True, slots=True)
class Letter:
    """A message that could not be used."""

    id: int
    when: str
    topic: str
    reason: str
    detail: str
    sensor: str
    text: str
    """Its bytes as printable text."""
    size: int


@dataclass(frozen=True, slots=True)
class Stranger:
    """A sensor that nobody knows, and what to write into the site file so that it is known."""

    sensor: str
    number: int
    when: str
    snippet: str


@dataclass(frozen=True, slots=True)
class Known:
    """What is handed to `lines_of`, at one instant."""

    site: Site
    topics: Topics
    zone: ZoneInfo
    now_us: int
    alarms: Sequence[AlarmMessage]
    readings: Mapping[str, InputRow]
    placings: Mapping[str, AuditRow]
    steps: Sequence[AlarmStep]
    letters: Mapping[str, KeptLetter] = field(default_factory=dict)
    """The last message of a sensor that could not be used."""
    looked_us: int | None = None
    """How far back readings were looked for; None: through all that is on record."""


Key = tuple[int, int, str, str]
"""Where a line stands in the list: it stays a good place to go on from where the line itself has moved."""


def key_of(line: Line) -> Key:
    """What cannot be trusted first, then what was turned away, then by calibration."""
    return RANK[line.css], 0 if line.turned else 1, (line.due or date.max).isoformat(), line.id


def chosen(lines: Sequence[Line], css: str, text: str) -> list[Line]:
    """Those of this answer, with these words in id, serial number or place; empty: all."""
    words = text.casefold().split()
    return [
        line
        for line in lines
        if css in ("", line.css)
        and all(word in f"{line.id} {line.serial} {line.where} {line.location}".casefold() for word in words)
    ]


def page_of(lines: Sequence[Line], after: Key | None, limit: int) -> tuple[list[Line], Key | None]:
    """The lines after that place, and the place after which there are more."""
    rest = [line for line in lines if after is None or key_of(line) > after]
    shown = rest[:limit]
    return shown, key_of(shown[-1]) if len(rest) > limit else None


def place_of_sensor(sensor: Sensor, placings: Mapping[str, AuditRow]) -> str:
    """Id of the location where it is fixed or was checked in; empty: neither."""
    if sensor.location is not None:
        return sensor.location
    said = placings.get(sensor.id)
    return said.detail.partition("; ")[0] if said is not None and said.action == "check-in" else ""


def lines_of(known: Known) -> list[Line]:
    """All sensors, those that cannot be trusted first."""
    names = {each.id: each.name for each in known.site.locations}
    # Sorted out once: a large site has thousands of sensors.
    kinds, steps = defaultdict[str, list[str]](list), defaultdict[str, list[AlarmStep]](list)
    for alarm in known.alarms:
        if alarm.sensor is not None and _holds(alarm):
            kinds[alarm.sensor].append(alarm.kind)
    for step in known.steps:
        steps[step.alarm].append(step)
    lines = [
        _line(sensor, known, names, kinds[sensor.id], steps[f"sensor/{sensor.id}/silent"])
        for sensor in known.site.sensors
    ]
    return sorted(lines, key=key_of)


def _line(
    sensor: Sensor, known: Known, names: Mapping[str, str], kinds: Sequence[str], steps: Sequence[AlarmStep]
) -> Line:
    row = known.readings.get(sensor.id)
    heard = None if row is None else decode(known.topics, row.topic, row.payload)
    reading = heard if isinstance(heard, Reading) else None
    location = place_of_sensor(sensor, known.placings)
    where = _where(sensor, location, reading, known, names)
    days = days_left(sensor.calibration_due, local(known.now_us, known.zone).date())
    quiet_us = None if row is None else known.now_us - row.received_us
    mark, answer = _answer(sensor, kinds, location, reading, quiet_us, days, _since(known))
    told = [
        None if sensor.kind == "portable" else silences(sensor.id, steps, known.now_us - each * DAY_US, known.now_us)
        for each in (1, 7)
    ]
    return Line(
        sensor.id,
        sensor.serial,
        sensor.kind == "portable",
        *mark,
        answer,
        where,
        location,
        f"none {_since(known)}"
        if reading is None
        else f"{at(reading.end_us, known.zone, known.now_us)}, {ago(reading.end_us, known.now_us)}",
        _turned(known.letters.get(sensor.id), row, known),
        "" if row is None or reading is None else delay_words(row.received_us - reading.end_us),
        "" if reading is None else reading.flow.value,
        "" if reading is None else reading.laser.value,
        calibration_words(sensor.calibration_due, days),
        "" if days is None else calibration_sign(days),
        silence_words(*told),
        sensor.interval_s,
        ", ".join(f"{size:g}" for size in sensor.sizes_um),
        sensor.flow_l_min,
        sensor.calibration_due,
        None if reading is None else reading.end_us,
        None if row is None or reading is None else row.received_us - reading.end_us,
        *told,
    )


def _since(known: Known) -> str:
    """How far back readings are looked for, in words."""
    return "on record" if known.looked_us is None else f"since {at(known.looked_us, known.zone, known.now_us)}"


def _holds(alarm: AlarmMessage) -> bool:
    return alarm.state in ("unacknowledged", "acknowledged") or bool(alarm.active)


def _turned(kept: KeptLetter | None, row: InputRow | None, known: Known) -> str:
    """Empty where a message was taken since."""
    if kept is None or (row is not None and row.received_us > kept.letter.received_us):
        return ""
    when, why = at(kept.letter.received_us, known.zone, known.now_us), kept.letter.reason.replace("-", " ")
    return f"its message of {when}: {why}"


def _where(sensor: Sensor, location: str, reading: Reading | None, known: Known, names: Mapping[str, str]) -> str:
    if sensor.kind == "portable" and reading is not None and reading.location is not None:
        return f"{names.get(reading.location, reading.location)}, as its last message says"
    if location:
        said = known.placings.get(sensor.id) if sensor.kind == "portable" else None
        since = "" if said is None else f", since {at(said.at_us, known.zone, known.now_us)} by {said.by}"
        return f"{names.get(location, location)}{since}"
    return "nowhere: nobody has checked it in"


def _answer(
    sensor: Sensor,
    kinds: Sequence[str],
    location: str,
    reading: Reading | None,
    quiet_us: int | None,
    days: int | None,
    since: str,
) -> tuple[tuple[str, str], str]:
    faults = [FAULTS[kind] for kind in FAULTS if kind in kinds]
    if faults:
        return BAD, f"Not to be trusted: {'; '.join(faults)}"
    if sensor.kind == "portable" and not location and (reading is None or reading.location is None):
        return UNKNOWN, "Cannot be used unless somebody says where it stands, or its messages do"
    if reading is None or quiet_us is None:
        return UNKNOWN, f"Cannot tell: no reading of it {since}"
    # Without an alarm, too: while nobody can be heard, because the broker is away, nobody's silence is a fault.
    if quiet_us > (DAY_US if sensor.kind == "portable" else silent_us(sensor)):
        return UNKNOWN, f"Cannot tell: not heard for {lasting(quiet_us)}"
    # An alarm about it may be hidden or yet to come; the date in the site file says the same at once.
    if "sensor-calibration" in kinds or (days is not None and days < 0):
        return WATCH, "Its calibration is overdue"
    if days is not None and days <= SOON_DAYS:
        return WATCH, "In order, but its calibration is due soon"
    return FINE, "In order"


def delay_words(late_us: int) -> str:
    """How long after its end a reading came: the sensor's clock against ours, and the way."""
    if late_us < 0:
        return f"it ended {lasting(-late_us)} ahead of our clock"
    late = f"{late_us / SECOND_US:.1f} s" if late_us < 10 * SECOND_US else lasting(late_us)
    return f"it came {late} after it ended"


def days_left(due: date | None, today: date) -> int | None:
    """Days until the next calibration is due; below 0: overdue."""
    return None if due is None else (due - today).days


def calibration_sign(days: int) -> str:
    """The shape for it."""
    return (BAD if days < 0 else WATCH if days <= SOON_DAYS else FINE)[1]


def calibration_words(due: date | None, days: int | None) -> str:
    """When the next calibration is due."""
    if due is None or days is None:
        return "no date in the site file"
    if days < 0:
        return f"overdue since {due:%Y-%m-%d}, {-days} {'day' if days == -1 else 'days'}"
    when = "today" if days == 0 else f"in {days} {'day' if days == 1 else 'days'}"
    return f"{'due soon' if days <= SOON_DAYS else 'due'}: {due:%Y-%m-%d}, {when}"


def silences(sensor: str, steps: Sequence[AlarmStep], since_us: int, now_us: int) -> tuple[int, int]:
    """How often a sensor was silent in that time, and for how long in all.

    The steps before that time may begin in the middle: with an acknowledgement or a shelving of a silence.
    """
    alarm, from_us, number, total_us = f"sensor/{sensor}/silent", None, 0, 0
    for step in [each for each in steps if each.alarm == alarm]:
        if step.event in (Event.RETURNS, Event.RETURNS_LATCHED):
            begun_us = since_us if from_us is None else max(from_us, since_us)
            if step.at_us > since_us:
                number, total_us = number + 1, total_us + step.at_us - begun_us
            from_us = None
        elif from_us is None and (step.event is Event.STARTS or step.after in _HOLDS):
            from_us = step.at_us
    if from_us is not None:
        number, total_us = number + 1, total_us + now_us - max(from_us, since_us)
    return number, total_us


def silence_words(day: tuple[int, int] | None, week: tuple[int, int] | None) -> str:
    """Silences of the last day and of the last week; nothing of a sensor that need not be heard."""
    told = [(word, each) for word, each in (("day", day), ("week", week)) if each is not None]
    return ", ".join(
        f"{number} in the last {word} ({lasting(total_us)})" if number else f"none in the last {word}"
        for word, (number, total_us) in told
    )


def letter_of(kept: KeptLetter, zone: ZoneInfo, now_us: int) -> Letter:
    """The words of a dead letter."""
    letter = kept.letter
    return Letter(
        kept.id,
        at(letter.received_us, zone, now_us),
        plain(letter.topic),
        letter.reason.replace("-", " "),
        letter.detail,
        letter.sensor or "",
        shown(letter.payload),
        len(letter.payload),
    )


def shown(payload: bytes) -> str:
    """The beginning of the bytes; what is no printable text as an escape."""
    text = plain(payload[:BYTES_SHOWN].decode("utf-8", "backslashreplace"))
    return text if len(payload) <= BYTES_SHOWN else f"{text} … ({len(payload)} bytes)"


def stranger_of(one: Knocking, topics: Topics, zone: ZoneInfo, now_us: int) -> Stranger:
    """A sensor that nobody knows, with a table for the site file: its sizes and flow as its last message has them."""
    heard = decode(topics, one.last.letter.topic, one.last.letter.payload)
    lines = ["[[sensors]]", f'id = "{one.sensor}"', 'serial = "…"', 'location = "…"  # or kind = "portable"']
    if isinstance(heard, Reading):
        sizes = ", ".join(f"{size / 1000:g}" if size % 1000 else f"{size / 1000:.1f}" for size in heard.sizes_nm)
        flow = heard.volume_ul / 1_000_000 / (heard.duration_us / (60 * SECOND_US))
        lines += [
            f"sizes_um = [{sizes}]",
            f"flow_l_min = {flow:.4g}  # as in its last message; write its nominal flow",
            f"interval_s = {heard.duration_us / SECOND_US:.6g}",
        ]
    else:
        lines += ["sizes_um = […]", "flow_l_min = …"]
    return Stranger(one.sensor, one.number, at(one.last.letter.received_us, zone, now_us), "\n".join(lines))
