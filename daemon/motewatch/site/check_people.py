"""Cross checks of the callout tables: that nobody relies on calls which this version does not make.

Persons with their entitlements and the answer page are at work already; rotas, escalations and channels are not. A
site file that names them looks as if somebody were called at night, so each is told until somebody is.
"""

from __future__ import annotations

from motewatch.site.findings import Findings

_MEND = "Remove the table, and keep the procedure by which people learn of an alarm today."


def check_people(findings: Findings) -> None:
    """Look at rotas, escalations and test calls."""
    site = findings.site
    for name in ("escalations", "rotas"):
        for number, entry in enumerate(getattr(site, name)):
            findings.warning(
                (name, number, "id"), entry.id, f"this version calls nobody: {name} are not followed yet", _MEND
            )
    if site.callout.test_calls is not None:
        findings.warning(
            ("callout", "test_calls", "at"),
            site.callout.test_calls.at,
            "no channel delivers calls yet, so that every test call will fail and say so by an alarm",
            "Remove the table until calls are delivered.",
        )
