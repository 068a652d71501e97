"""Cross checks of the tables that say what alarms mean: kinds that do not exist, tables that nothing would ever use.

That a table's place exists is checked with the other references; what priority comes out is checked in
`links.site_priorities`, which may know the shipped table.
"""

from __future__ import annotations

from motewatch.site.alarm_kinds import ALARM_KINDS, PLACELESS
from motewatch.site.findings import Findings, did_you_mean
from motewatch.site.problems import quoted


def check_rationalisation(findings: Findings) -> None:
    """Look at every table."""
    first: dict[tuple[str | None, ...], int] = {}
    for number, table in enumerate(findings.site.rationalisation):
        if table.kind not in ALARM_KINDS:
            findings.error(
                ("rationalisation", number, "kind"),
                table.kind,
                "there is no such kind of alarm",
                did_you_mean(table.kind, ALARM_KINDS, f"Kinds: {', '.join(ALARM_KINDS)}."),
            )
            continue
        for key in ("location", "room", "area"):
            value = getattr(table, key)
            if value is not None and table.kind in PLACELESS:
                findings.error(
                    ("rationalisation", number, key),
                    value,
                    f"alarms of the kind {quoted(table.kind)} belong to no place, so this would never be used",
                    f"Remove {key}.",
                )
        what = (table.kind, table.location, table.room, table.area)
        if what in first:
            where = findings.path(("rationalisation", first[what]))
            findings.error(
                ("rationalisation", number, "kind"),
                table.kind,
                f"rationalisation[{where[1]}] is for the same kind at the same place",
                "Put both into one table.",
            )
        else:
            first[what] = number
