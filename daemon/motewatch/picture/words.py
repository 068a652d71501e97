"""How the view says things: figures, times, signs and sentences.

Rules: a state is always a word and a shape, never a colour alone. Every text from outside is made printable. Times are
local to the site. Must not know screens or widths.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import Enum
from zoneinfo import ZoneInfo

from motewatch.site.instants import instant
from motewatch.wire.outgoing import AlarmEventMessage, AlarmMessage
from motewatch.wire.records import SECOND_US
from motewatch.wire.wording import plain

MINUTE_S, HOUR_S, DAY_S = 60, 3600, 86_400


class Holding(Enum):
    """Whether limits are held, worst first: the one answer a room gives."""

    OUT = ("OUT", "outside its limits")
    UNKNOWN = ("UNKNOWN", "cannot tell")
    ALERT = ("ALERT", "within its limits, but beyond an alert level")
    HOLDS = ("HOLDS", "holds its limits")
    NOT_JUDGED = ("NO LIMIT", "has no limit in this state")
    UNATTENDED = ("UNATTENDED", "nobody measures here now")

    def __init__(self, word: str, meaning: str) -> None:
        self.word = word
        self.meaning = meaning
        # Asked for each location of each picture: not worked out anew.
        self.rank = len(type(self).__members__)
        """0 for the worst."""


@dataclass(frozen=True, slots=True)
class Signs:
    """The shapes of one character set."""

    out: str
    unknown: str
    alert: str
    holds: str
    none: str
    above: str
    below: str
    full: str
    empty: str
    tick: str
    over: str
    at_least: str
    micro: str
    cubic: str
    dash: str
    more: str
    rule: str
    degree: str

    def of(self, holding: Holding) -> str:
        """The shape of a holding."""
        return {
            Holding.OUT: self.out,
            Holding.UNKNOWN: self.unknown,
            Holding.ALERT: self.alert,
            Holding.HOLDS: self.holds,
        }.get(holding, self.none)


UNICODE = Signs("✖", "?", "!", "✓", "·", "▲", "▼", "█", "░", "┃", "▶", "≥", "µm", "m³", "–", "…", "─", "°C")
ASCII = Signs("X", "?", "!", "+", ".", "^", "v", "#", ".", "|", ">", ">=", "um", "m3", "-", "...", "-", "C")


def signs_for(encoding: str | None) -> Signs:
    """The richest shapes that an output of this encoding can show."""
    try:
        "".join(str(getattr(UNICODE, name)) for name in Signs.__slots__).encode(encoding or "ascii")
    except (LookupError, UnicodeEncodeError):
        return ASCII
    return UNICODE


def figure(value: float) -> str:
    """A number as a person writes it: `3 520`, `35.3`, `0`."""
    if value == 0 or abs(value) >= 100:
        return f"{value:,.0f}".replace(",", " ")
    return f"{value:.1f}"


def limit_figure(value: float) -> str:
    """A limit, which is written as it was set: `3 520`, `18`, `18.5`."""
    return f"{value:,.10g}".replace(",", " ")


def share(value: float) -> str:
    """A share of a limit. Rounding never says 100 % of what is beyond it, nor 0 % of what is not nothing."""
    percent = 100 * value
    if value > 1 and percent < 101:
        return "101 %"
    if 0 < percent < 1:
        return "<1 %"
    return f"{min(percent, 99_999):.0f} %" if value > 1 or percent < 99.5 else f"{100 if value == 1 else 99} %"


def local(us: int, zone: ZoneInfo) -> datetime:
    """The site's wall clock at an instant."""
    return instant(us).astimezone(zone)


def clock(us: int, zone: ZoneInfo, now_us: int | None = None) -> str:
    """`03:12:36`; with the weekday where it is not today's, with the date where it is not this week's."""
    at = local(us, zone)
    if now_us is None:
        return f"{at:%H:%M:%S}"
    days = (local(now_us, zone).date() - at.date()).days
    if days == 0:
        return f"{at:%H:%M:%S}"
    return f"{at:%a %H:%M}" if 0 < days < 7 else f"{at:%d %b %H:%M}"


_IN_UTC = re.compile(r"\b(\d{4})-(\d\d)-(\d\d) (\d\d):(\d\d)(?::(\d\d))? UTC\b")


def local_times(text: str, zone: ZoneInfo) -> str:
    """A sentence of the record, whose times are UTC, with the site's: `until 2026-11-25 23:30 UTC` reads as yesterday
    where it is half past midnight. The record itself stays as it was written."""

    def here(found: re.Match[str]) -> str:
        try:
            year, month, day, hour, minute, second = (int(part) for part in found.groups("0"))
            when = datetime(year, month, day, hour, minute, second, tzinfo=UTC).astimezone(zone)
        except (ValueError, OverflowError):
            return found[0]
        letters = when.strftime("%Z")
        to_the_second = f":{when:%S}" if found[6] else ""
        return f"{when:%Y-%m-%d %H:%M}{to_the_second} {f'UTC{letters}' if letters[:1] in '+-' else letters}"

    return _IN_UTC.sub(here, text)


_SIZE = re.compile(r">= ?(\d+(?:\.\d+)?) um\b")
_CUBIC = re.compile(r"(?<=/)m3\b")


def units(text: str, signs: Signs) -> str:
    """A sentence of the record, whose units are plain letters, with the signs of the screen: `4 841 particles/m3 >= 0.5
    um` reads `4 841 particles/m³ ≥0.5 µm`. The record itself stays as it was written."""
    return _CUBIC.sub(signs.cubic, _SIZE.sub(rf"{signs.at_least}\1 {signs.micro}", text))


def lasting(us: int) -> str:
    """A stretch of time: `8 s`, `4 min`, `3 h 10 min`, `2 days`."""
    seconds = max(0, us) // SECOND_US
    if seconds < 2 * MINUTE_S:
        return f"{seconds} s"
    if seconds < 2 * HOUR_S:
        return f"{seconds // MINUTE_S} min"
    if seconds < 2 * DAY_S:
        return f"{seconds // HOUR_S} h {seconds % HOUR_S // MINUTE_S:02d} min"
    return f"{seconds // DAY_S} days"


def size(size_nm: int, signs: Signs) -> str:
    """`≥0.5 µm`."""
    return f"{signs.at_least}{size_nm / 1000:g} {signs.micro}"


def microseconds(at: datetime) -> int:
    """A message's time as an instant."""
    return round((at - instant(0)).total_seconds() * SECOND_US)


EVENTS = {
    "starts": "raised",
    "returns": "returned to normal",
    "returns-latched": "returned to normal, latched",
    "acknowledge": "acknowledged",
    "reset": "reset",
    "re-alarm": "raised again: acknowledged, and still so",
    "shelve": "shelved",
    "unshelve-active": "unshelved, and still so",
    "unshelve-normal": "unshelved, and normal",
    "unshelve-suppressed": "unshelved, suppressed by design",
    "suppress": "suppressed by design",
    "unsuppress-active": "no longer suppressed, and still so",
    "unsuppress-normal": "no longer suppressed, and normal",
    "remove-from-service": "taken out of service",
    "return-to-service-active": "returned to service, and still so",
    "return-to-service-normal": "returned to service, and normal",
    "return-to-service-suppressed": "returned to service, suppressed by design",
}
"""Every step of an alarm's life, as all pages, calls and reports say it: the words of ISA-18.2 / IEC 62682 where these
have one."""

STATES = {
    "unacknowledged": "not acknowledged",
    "acknowledged": "acknowledged",
    "returned-unacknowledged": "returned to normal, not acknowledged",
    "latched-unacknowledged": "latched, not acknowledged",
    "latched-acknowledged": "latched, acknowledged",
    "shelved": "shelved",
    "suppressed-by-design": "suppressed by design",
    "out-of-service": "out of service",
    "normal": "normal",
}


def subject(alarm: AlarmMessage | AlarmEventMessage, names: dict[str, str], signs: Signs) -> str:
    """What an alarm is about: `Bench: ≥0.5 µm, action`. `names`: what people call each location."""
    return named(alarm.alarm, names, signs, kind=alarm.kind, location=alarm.location)


def named(alarm: str, names: dict[str, str], signs: Signs, *, kind: str = "", location: str | None = None) -> str:
    """The same from an alarm's id alone. `location`: where the sensor of a sensor's alarm stands."""
    place, what, grade = _parts(alarm, kind, location, names, signs)
    return f"{place}: {what}" + (f", {grade}" if grade else "")


def about(alarm: AlarmMessage, names: dict[str, str], signs: Signs) -> str:
    """The same with its figures: `Bench: ≥0.5 µm 4 841/m³, action at 3 520`, as far as the alarm tells."""
    place, what, grade = _parts(alarm.alarm, alarm.kind, alarm.location, names, signs)
    unit = plain(alarm.unit).replace("m3", signs.cubic).replace("%", " %")
    unit = unit if unit.startswith(("/", " ")) or not unit else f" {unit}"
    value = "" if alarm.value is None else f" {figure(alarm.value)}{unit}"
    level = grade if alarm.limit is None else f"{grade or 'limit'} at {limit_figure(alarm.limit)}"
    return f"{place}: {what}{value}" + (f", {level}" if level else "")


def _parts(alarm: str, kind: str, location: str | None, names: dict[str, str], signs: Signs) -> tuple[str, str, str]:
    """Place, quantity and grade, from the alarm's id."""
    about, *rest = plain(alarm).split("/")
    if about == "location" and len(rest) >= 2:
        what = rest[1].removesuffix("-high").removesuffix("-low")
        bare = what.removesuffix("um")
        if bare != what and bare.replace(".", "", 1).isdigit():
            what = f"{signs.at_least}{bare} {signs.micro}"
        elif what == "pressure-difference":
            what = "pressure"
        return plain(names.get(rest[0], rest[0])), what.replace("-", " "), ", ".join(rest[2:])
    if about == "sensor" and len(rest) >= 2:
        where = f" ({plain(names[location])})" if location in names else ""
        return f"sensor {rest[0]}{where}", rest[1].replace("-", " "), ", ".join(rest[2:])
    if about == "cascade" and len(rest) == 2:
        return rest[0], f"pressure above {rest[1]}", ""
    return about, ", ".join(rest).replace("-", " ") or kind, ""


_COUNTED = re.compile(r" particles/m3 >= (\d+(?:\.\d+)?) um\b")


def happened(event: AlarmEventMessage, names: dict[str, str], signs: Signs) -> str:
    """One step in an alarm's life as a sentence: the daemon's own, with its units as the screen can show them."""
    if event.event in ("starts", "returns", "returns-latched"):
        return _COUNTED.sub(rf"/{signs.cubic} {signs.at_least}\1 {signs.micro}", plain(event.text))
    who = plain(event.by or "somebody")
    if event.event == "acknowledge":
        said = f' "{plain(event.comment)}"' if event.comment else ""
        return f"{who} acknowledged {subject(event, names, signs)}.{said}"
    what, now = EVENTS.get(event.event, event.event), STATES[event.after]
    became = what if what == now else f"{what}, now {now}"
    return f"{subject(event, names, signs)}: {became}" + (f" (by {who})" if event.by else "")
