"""Cross checks of the scheduled reports: shifts that do not follow each other, places and addressees that are not."""

from __future__ import annotations

from itertools import pairwise

from motewatch.site.findings import Findings, did_you_mean
from motewatch.site.people import EmailChannel
from motewatch.site.reports import ReportSchedule

_PLACES = ("locations", "rooms", "areas")


def check_reports(findings: Findings) -> None:
    """Look at the shifts and at each schedule."""
    site = findings.site
    shifts = site.site.shifts
    if "site" not in findings.lost.tables and any(later <= earlier for earlier, later in pairwise(shifts)):
        findings.error(
            ("site", "shifts"),
            list(shifts),
            "the times must rise through the day, each once",
            f"Write {sorted(set(shifts))}.",
        )
    for number, schedule in enumerate(site.reports):
        if schedule.kind == "shift" and not shifts and "site" not in findings.lost.tables:
            findings.error(
                ("reports", number, "kind"),
                schedule.kind,
                "the site names no shifts",
                'Add shifts = ["06:00", "14:00", "22:00"] to [site].',
            )
        for place in _PLACES:
            for id_ in getattr(schedule, place):
                _known(findings, number, place, id_, place)
        _addressees(findings, number, schedule)


def _known(findings: Findings, number: int, key: str, id_: str, target: str) -> None:
    known = findings.ids(target)
    if id_ not in known and target not in findings.lost.whole:
        findings.error(
            ("reports", number, key),
            id_,
            f"there is no such table in [[{target}]]",
            did_you_mean(id_, known, f"Known ids: {', '.join(sorted(known)) or 'none'}."),
        )


def _addressees(findings: Findings, number: int, schedule: ReportSchedule) -> None:
    if not findings.complete("channels", "persons"):
        return
    mail = {each.id for each in findings.site.channels if isinstance(each, EmailChannel)}
    if schedule.channel is not None and schedule.channel not in mail:
        findings.error(
            ("reports", number, "channel"),
            schedule.channel,
            'there is no channel of kind "e-mail" with this id',
            did_you_mean(schedule.channel, mail, f"Channels of that kind: {', '.join(sorted(mail)) or 'none'}."),
        )
    persons = {each.id: each for each in findings.site.persons}
    for addressee in schedule.mail_to:
        if not mail:
            mend = 'Add a [[channels]] table with kind = "e-mail".'
            findings.error(("reports", number, "mail_to"), addressee, "there is no channel for e-mail", mend)
        elif "@" not in addressee and addressee not in persons:
            mend = did_you_mean(addressee, persons, "Give the id of a person, or an address such as qa@example.org.")
            findings.error(("reports", number, "mail_to"), addressee, "this is neither a person nor an address", mend)
        elif "@" not in addressee and not any(way.channel in mail for way in persons[addressee].reach):
            mend = "Add a [[persons.reach]] for e-mail, or give the address."
            findings.error(("reports", number, "mail_to"), addressee, "this person has no e-mail address", mend)
