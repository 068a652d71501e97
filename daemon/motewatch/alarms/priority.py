"""Priority of an alarm and severity of what it warns of: the words that alarms, callout and the engine share."""

from __future__ import annotations

from enum import StrEnum


class Priority(StrEnum):
    """Priority of an alarm, after the three levels of ISA-18.2 / IEC 62682."""

    LOW = "low"
    MEDIUM = "medium"
    HIGH = "high"


RANK = {Priority.LOW: 0, Priority.MEDIUM: 1, Priority.HIGH: 2}
"""For comparison: a greater rank is more urgent."""


class Severity(StrEnum):
    """How bad it is when nobody responds to the alarm in time."""

    MINOR = "minor"
    """Effort or comfort: neither product nor record suffers."""
    MAJOR = "major"
    """Product may be affected, or part of the record is lost: a deviation to be assessed."""
    SEVERE = "severe"
    """Product is exposed, or nobody watches it."""
