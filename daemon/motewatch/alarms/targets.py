"""The standards' targets beside the figures of a period: one literal table, each line with how far it is confirmed.

Targets of ISA-18.2-2016 / IEC 62682, and those of EEMUA 191 that differ from them, as public material cites them;
`confirmed` says how: "found" (seen in a public document), "recomputed" (our arithmetic from such a value), "from
memory" (not confirmed). The bands of EEMUA 191 for long-term averages and upsets are left out: no source was found.
Where the standard says "about" the comparison is made with the number itself. Nothing is judged on less than 30 days of
data, as the standard asks; the figure is shown all the same. Not judged here at all: suppression outside the approved
methods (there is no other way to suppress), and changes without authorisation (the audit trail tells).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from operator import ge, le, lt
from typing import Final

from motewatch.alarms.performance import Figures
from motewatch.alarms.priority import Priority
from motewatch.wire.records import DAY_US

DATA_BASE_US: Final = 30 * DAY_US
RATES_FROM_US: Final = DAY_US
"""A rate or a share is given from so long a record on: a rate per day from some minutes says nothing."""

ISA: Final = "ISA-18.2-2016, as a public summary cites it"
EEMUA: Final = "EEMUA 191, as a public leaflet summarises it"


class Verdict(StrEnum):
    """What the comparison gave. One member per branch."""

    MET = "met"
    MANAGEABLE = "manageable"
    """Beyond the target, within what the standard calls the most that can be managed."""
    NOT_MET = "not met"
    TOO_SHORT = "not judged: under 30 days"
    NO_ALARMS = "not judged: no alarms"


@dataclass(frozen=True, slots=True)
class Target:
    """One line. `value` gives the figure, None where there is nothing to compare; met means that `met(value, bound)`
    holds. `manageable`: the standard's second bound, where it has one."""

    key: str
    what: str
    unit: str
    """`/h`, `/10 min`, `/d`, `%` (the value is a share of one), or empty for a number of alarms."""
    value: Callable[[Figures], float | None]
    bound: float
    text: str
    confirmed: str
    manageable: float | None = None
    met: Callable[[float, float], bool] = le
    source: str = ISA

    def judge(self, found: Figures) -> Verdict:
        """The verdict on a period's figures."""
        if found.period.length_us < DATA_BASE_US:
            return Verdict.TOO_SHORT
        value = self.value(found)
        if value is None:
            return Verdict.NO_ALARMS
        if self.met(value, self.bound):
            return Verdict.MET
        if self.manageable is not None and value <= self.manageable:
            return Verdict.MANAGEABLE
        return Verdict.NOT_MET


TARGETS: Final = (
    Target(
        "per_operator_hour", "alarms per operator and hour", "/h", lambda f: f.per_operator_hour,
        6, "about 6, at most 12", "found", manageable=12,
    ),
    Target(
        "per_operator_10_min", "alarms per operator and 10 min", "/10 min", lambda f: f.per_operator_10_min,
        1, "about 1, at most 2", "found", manageable=2,
    ),
    Target(
        "per_operator_day", "alarms per operator and day", "/d", lambda f: f.per_operator_day,
        144, "about 144, at most 288", "recomputed", manageable=288,
    ),
    Target(
        "peak_10_min", "most alarms in 10 min, per operator", "", lambda f: f.peak_10_min / f.operators,
        10, "at most 10", "found",
    ),
    Target(
        "ten_minutes_over_10", "10-min windows with more than 10", "%", lambda f: f.ten_minutes.share_over,
        0.01, "below 1 %", "found", met=lt,
    ),
    Target(
        "hours_over_30", "hours with more than 30", "%", lambda f: f.hours.share_over,
        0.01, "below 1 %", "from memory", met=lt, source="ISA-18.2-2016",
    ),
    Target(
        "flood_share", "time in flood", "%", lambda f: f.flood_share,
        0.01, "below 1 %", "found", met=lt,
    ),
    Target(
        "frequent_share", "share of the ten most frequent", "%", lambda f: f.frequent_share,
        0.05, "1 to 5 %", "found",
    ),
    Target(
        "chattering", "alarms that chatter", "", lambda f: float(len(f.chattering)),
        0, "none", "found",
    ),
    Target(
        "fleeting", "fleeting alarms", "", lambda f: float(f.fleeting),
        0, "none", "found",
    ),
    Target(
        "stale", "most stale alarms on one day", "", lambda f: float(f.stale_most),
        5, "below 5", "found", met=lt,
    ),
    Target(
        "priority_low", "low priority", "%", lambda f: f.priority_share(Priority.LOW),
        0.80, "about 80 %", "found", met=ge,
    ),
    Target(
        "priority_medium", "medium priority", "%", lambda f: f.priority_share(Priority.MEDIUM),
        0.15, "about 15 %", "found",
    ),
    Target(
        "priority_high", "high priority", "%", lambda f: f.priority_share(Priority.HIGH),
        0.05, "about 5 %", "found",
    ),
    Target(
        "eemua_per_operator_hour", "alarms per operator and hour, EEMUA 191", "/h", lambda f: f.per_operator_hour,
        5, "5", "found", source=EEMUA,
    ),
    Target(
        "eemua_per_operator_day", "alarms per operator and day, EEMUA 191", "/d", lambda f: f.per_operator_day,
        120, "120", "found", source=EEMUA,
    ),
    Target(
        "eemua_peak_hour", "most alarms in an hour, per operator, EEMUA 191", "", lambda f: f.peak_hour / f.operators,
        15, "at most 15", "found", source=EEMUA,
    ),
    Target(
        "eemua_peak_minute", "most alarms in a minute, per operator, EEMUA 191", "",
        lambda f: f.peak_minute / f.operators,
        2, "at most 2", "found", source=EEMUA,
    ),
)  # fmt: skip
"""In the order of the report. The priorities are those of annunciated alarms, not of configured ones."""


def too_young(found: Figures) -> bool:
    """Is the record of the period too short for rates and shares?"""
    return found.period.length_us < RATES_FROM_US


def late_words(found: Figures) -> str:
    """What was gathered, in a sentence."""
    bursts = "1 late burst counts" if found.late_bursts == 1 else f"{found.late_bursts} late bursts count"
    return f"{bursts} as one alarm each, with {found.late_in_bursts} excursions that were found after they were over."


def value_text(target: Target, found: Figures) -> str:
    """A figure with its unit; `-` where there is none, or where the record is too short for it."""
    value = target.value(found)
    if value is None or (target.unit and too_young(found)):
        return "-"
    if target.unit == "%":
        return f"{100 * value:.3g} %"
    return f"{value:.0f}{target.unit}" if value >= 1000 else f"{value:.3g}{target.unit}"


def mark(target: Target) -> str:
    """How far its source is confirmed: ~ recomputed, * from memory."""
    return {"recomputed": " ~", "from memory": " *"}.get(target.confirmed, "")
