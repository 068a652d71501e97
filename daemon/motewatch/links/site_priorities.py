"""The priorities that come out of a site's own rationalisation: action levels must stay the loudest.

Belongs to the cross checks of `site`, but needs the shipped table of `alarms`, which `site` must not import.
"""

from __future__ import annotations

from motewatch.alarms.priority import Priority
from motewatch.alarms.rationalisation import Advice, Advisor
from motewatch.site.alarm_kinds import ALARM_KINDS
from motewatch.site.findings import NOTHING, Findings, Lost
from motewatch.site.models import Site
from motewatch.site.problems import Problem
from motewatch.wire.records import MINUTE_US

ACTION_KINDS = frozenset(kind for kind in ALARM_KINDS if kind.endswith("-action") or kind == "cascade")
"""What EU GMP Annex 1 (2022) asks a response to at once: action levels, and air flowing the wrong way."""


def check_priorities(site: Site, file: str = "", lost: Lost = NOTHING) -> list[Problem]:
    """Warnings for action-level alarms whose priority is derived as less than high."""
    findings = Findings(site, file, lost)
    if not findings.complete("rationalisation"):
        return []
    advisor = Advisor.of(site)
    for kind in ALARM_KINDS:
        # What no table of the site touches follows from the matrix alone.
        bare = Advisor(advisor.matrix, advisor.own_matrix, {}, {}, {}).advice(kind)
        if site.priority_matrix is not None and kind in ACTION_KINDS and bare.priority is not Priority.HIGH:
            findings.warning(
                ("priority_matrix", bare.severity.value),
                None,
                f"by this matrix the alarm {kind} has {bare.priority.value} priority: it is {_why(bare)}",
                "Raise the row, or state another time or severity for this kind in [[rationalisation]].",
            )
    for number, table in enumerate(site.rationalisation):
        if table.kind not in ACTION_KINDS or (table.severity is None and table.respond_within_min is None):
            continue
        advice = advisor.advice(table.kind, location=table.location, room=table.room, area=table.area)
        if advice.priority is not Priority.HIGH:
            key = "severity" if table.severity is not None else "respond_within_min"
            findings.warning(
                ("rationalisation", number, key),
                getattr(table, key),
                f"an action-level alarm would have {advice.priority.value} priority: it is {_why(advice)}",
                "Give a shorter time to respond or a graver severity, or accept that it is not called first.",
            )
    return findings.problems


def _why(advice: Advice) -> str:
    return f"{advice.severity.value}, with {advice.respond_within_us / MINUTE_US:g} min to respond"
