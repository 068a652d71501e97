"""What no table of a site file can say alone: references, doubles, contradictions between tables, things left unused.

Errors are things that cannot work or that break a rule; warnings are possible but rarely meant. Checks against the
limits of the standards are in `links.site_limits`, because `site` must not import them. Order of the problems: as the
checks are listed here, then as the tables stand in the file.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from zoneinfo import available_timezones

from motewatch.site.check_alarm_rules import check_alarm_rules
from motewatch.site.check_answer_page import check_answer_page
from motewatch.site.check_cascade import check_cascade
from motewatch.site.check_channels import check_channels
from motewatch.site.check_console import check_console
from motewatch.site.check_people import check_people
from motewatch.site.check_rationalisation import check_rationalisation
from motewatch.site.check_reports import check_reports
from motewatch.site.check_rooms import check_rooms
from motewatch.site.check_sampling import check_sampling
from motewatch.site.check_trends import check_trends
from motewatch.site.findings import NOTHING, Findings, Lost, did_you_mean
from motewatch.site.hosts import on_this_machine, url_parts
from motewatch.site.models import Site
from motewatch.site.problems import Problem
from motewatch.site.schedule import ScheduleError, zone

_LISTS = (
    *("areas", "rooms", "programmes", "locations", "sensors", "standards", "suppressions"),
    *("channels", "persons", "teams", "rotas", "escalations", "reports"),
)
"""Lists whose tables have an id each."""

_REFERENCES = (
    ("rooms", "area", "areas"),
    ("locations", "room", "rooms"),
    ("locations", "programme", "programmes"),
    ("sensors", "location", "locations"),
    ("levels", "location", "locations"),
    ("levels", "room", "rooms"),
    ("levels", "area", "areas"),
    ("cascade", "higher", "rooms"),
    ("cascade", "lower", "rooms"),
    ("rationalisation", "location", "locations"),
    ("rationalisation", "room", "rooms"),
    ("rationalisation", "area", "areas"),
)


def crosscheck(site: Site, file: str = "", lost: Lost = NOTHING, today: date | None = None) -> list[Problem]:
    """Every problem between the tables of `site`. `today`, where given, is held against calibration dates."""
    findings = Findings(site, file, lost)
    _doubles(findings)
    _references(findings)
    _time_zone(findings)
    if "service" not in lost.tables:
        _broker(findings)
        _time_series(findings)
    check_rooms(findings)
    check_cascade(findings)
    check_alarm_rules(findings)
    check_rationalisation(findings)
    check_sampling(findings, today)
    check_trends(findings)
    check_answer_page(findings)
    check_console(findings)
    check_channels(findings)
    check_people(findings)
    check_reports(findings)
    _unused(findings)
    return findings.problems


def _doubles(findings: Findings) -> None:
    for name in _LISTS:
        first: dict[str, int] = {}
        for number, entry in enumerate(getattr(findings.site, name)):
            if entry.id in first:
                where = findings.path((name, first[entry.id]))
                findings.error(
                    (name, number, "id"),
                    entry.id,
                    f"this id is used twice, first by {where[0]}[{where[1]}]",
                    "Give each its own id.",
                )
            else:
                first[entry.id] = number


def _references(findings: Findings) -> None:
    for name, key, target in _REFERENCES:
        if target in findings.lost.whole:
            continue
        known = findings.ids(target)
        for number, entry in enumerate(getattr(findings.site, name)):
            wanted = getattr(entry, key)
            if wanted is not None and wanted not in known:
                findings.error(
                    (name, number, key),
                    wanted,
                    f"there is no such table in [[{target}]]",
                    did_you_mean(wanted, known, f"Known ids: {', '.join(sorted(known)) or 'none'}."),
                )


def _time_zone(findings: Findings) -> None:
    if "site" in findings.lost.tables:
        return
    name = findings.site.site.time_zone
    try:
        zone(name)
    except ScheduleError as error:
        names = available_timezones()
        is_folder = any(known.startswith(f"{name}/") for known in names)
        mend = error.mend if is_folder else did_you_mean(name, names, error.mend)
        findings.error(("site", "time_zone"), name, "no such time zone is known", mend)


def _broker(findings: Findings) -> None:
    broker = findings.site.service.broker
    path = ("service", "broker")
    if broker.ca_file is not None and not broker.tls:
        findings.error(
            (*path, "ca_file"),
            broker.ca_file,
            "a CA file is given, but tls is false: the connection would not be encrypted",
            "Write tls = true, or remove ca_file.",
        )
    if (broker.cert_file is None) != (broker.cert_key_file is None):
        there, missing = ("cert_file", "cert_key_file") if broker.cert_file else ("cert_key_file", "cert_file")
        findings.error((*path, there), getattr(broker, there), f"{there} is given without {missing}", f"Add {missing}.")
    elif broker.cert_file is not None and not broker.tls:
        findings.error(
            (*path, "cert_file"),
            broker.cert_file,
            "a certificate is given, but tls is false: the connection would not be encrypted",
            "Write tls = true, or remove cert_file and cert_key_file.",
        )
    if (broker.username is None) != (broker.password_file is None):
        there, missing = ("username", "password_file") if broker.username else ("password_file", "username")
        findings.warning(
            (*path, there), getattr(broker, there), f"{there} is given without {missing}", f"Add {missing}."
        )
    if broker.password_file is not None and not broker.tls and not on_this_machine(broker.host):
        findings.warning(
            (*path, "tls"),
            broker.tls,
            f"the password would travel to {broker.host} unencrypted",
            "Write tls = true, and ca_file where the broker's certificate is your own.",
        )


def _time_series(findings: Findings) -> None:
    server = findings.site.service.time_series
    if server is None:
        return
    path = ("service", "time_series", "url")
    parts = url_parts(server.url)
    if parts is None:
        findings.error(path, server.url, "the URL names no host, or no valid port", 'Write "http://127.0.0.1:8086".')
    elif parts.username is not None:
        findings.error(
            path, server.url, "the URL holds a user name or password", "Put the token into a file: token_file."
        )
    elif parts.scheme == "http" and server.token_file is not None and not on_this_machine(parts.hostname):
        findings.warning(path, server.url, f"the token would travel to {parts.hostname} unencrypted", "Use https://.")


def _unused(findings: Findings) -> None:
    site = findings.site
    _unreferred(findings, "areas", "rooms", {room.area for room in site.rooms}, "no room is in this area")
    _unreferred(findings, "rooms", "locations", {place.room for place in site.locations}, "no location is in this room")
    _unreferred(
        findings,
        "programmes",
        "locations",
        {place.programme for place in site.locations},
        "no location uses this programme",
    )


def _unreferred(findings: Findings, name: str, by: str, used: set[str], message: str) -> None:
    # A reference that leads nowhere was meant for one of them, and is told already.
    if not findings.complete(by) or not used <= findings.ids(name):
        return
    entries: Sequence[object] = getattr(findings.site, name)
    for number, entry in enumerate(entries):
        if getattr(entry, "id", None) not in used:
            findings.warning((name, number), None, message, "Remove it, or correct the table that should refer to it.")
