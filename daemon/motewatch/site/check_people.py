"""Cross checks of persons, teams, rotas and escalations: whom a call would miss.

Each reference must lead somewhere, each person whom an escalation can reach must have a way, and hours and zones must
be readable. What a calendar says, and where a rota has gaps, is `links.site_rotas`.
"""

from __future__ import annotations

from collections.abc import Iterable

from motewatch.site.findings import Findings, did_you_mean
from motewatch.site.people import Person, Rota
from motewatch.site.problems import KeyPath
from motewatch.site.schedule import ScheduleError, WeeklyWindows, zone
from motewatch.site.targets import named_rotas, reached

_TARGETS = {"person": "persons", "team": "teams", "rota": "rotas"}


def check_people(findings: Findings) -> None:
    """Look at everything that decides who is called."""
    site = findings.site
    for number, person in enumerate(site.persons):
        for index, reach in enumerate(person.reach):
            _known(findings, ("persons", number, "reach", index, "channel"), reach.channel, "channels")
        _windows(findings, ("persons", number, "quiet"), person.quiet)
        _always_quiet(findings, number, person)
    _names(findings)
    for number, team in enumerate(site.teams):
        _all_known(findings, ("teams", number, "members"), team.members)
    for number, rota in enumerate(site.rotas):
        _rota(findings, number, rota)
    for number, escalation in enumerate(site.escalations):
        for index, step in enumerate(escalation.steps):
            for target in step.tell:
                kind, _, id_ = target.partition(":")
                _known(findings, ("escalations", number, "steps", index, "tell"), id_, _TARGETS[kind], shown=target)
        for area in escalation.areas:
            _known(findings, ("escalations", number, "areas"), area, "areas")
        _windows(findings, ("escalations", number, "during"), escalation.during)
    _ways(findings)
    _nobody_may_acknowledge(findings)
    _unnamed_rotas(findings)
    _unreachable_escalations(findings)
    _uncalled(findings)


def _known(findings: Findings, path: KeyPath, id_: str, target: str, shown: str = "") -> None:
    known = findings.ids(target)
    if id_ not in known and target not in findings.lost.whole:
        findings.error(
            path,
            shown or id_,
            f"there is no such table in [[{target}]]",
            did_you_mean(id_, known, f"Known ids: {', '.join(sorted(known)) or 'none'}."),
        )


def _all_known(findings: Findings, path: KeyPath, persons: Iterable[str]) -> None:
    for person in dict.fromkeys(persons):
        _known(findings, path, person, "persons")


def _windows(findings: Findings, path: KeyPath, windows: tuple[str, ...]) -> None:
    try:
        WeeklyWindows.parse(windows, "UTC")
    except ScheduleError as error:
        findings.error(path, ", ".join(windows), error.message, error.mend)


def _names(findings: Findings) -> None:
    """A command, a calendar event and a link say who by id or by name: that must be one person."""
    first: dict[str, str] = {}
    for number, person in enumerate(findings.site.persons):
        for said in dict.fromkeys((person.id.casefold(), person.name.casefold())):
            other = first.setdefault(said, person.id)
            if other != person.id:
                findings.error(
                    ("persons", number, "name"),
                    person.name,
                    f"'{other}' is called so too, by name or by id, so that nobody knows who is meant",
                    "Give each person a name of their own.",
                )


def _rota(findings: Findings, number: int, rota: Rota) -> None:
    if rota.time_zone is not None:
        try:
            zone(rota.time_zone)
        except ScheduleError as error:
            findings.error(("rotas", number, "time_zone"), rota.time_zone, "no such time zone is known", error.mend)
    if rota.rotation is not None:
        _all_known(findings, ("rotas", number, "rotation", "members"), rota.rotation.members)
    for index, cover in enumerate(rota.cover):
        _known(findings, ("rotas", number, "cover", index, "person"), cover.person, "persons")
        if cover.instead_of is not None:
            _known(findings, ("rotas", number, "cover", index, "instead_of"), cover.instead_of, "persons")


def _ways(findings: Findings) -> None:
    wanted = reached(findings.site)
    for number, person in enumerate(findings.site.persons):
        if person.id in wanted and not person.reach:
            findings.error(
                ("persons", number, "reach"),
                None,
                "an escalation calls this person, but there is no way to reach them",
                'Add a way, such as reach = [{ channel = "mail", address = "someone@example.org" }].',
            )


def _always_quiet(findings: Findings, number: int, person: Person) -> None:
    try:
        windows = WeeklyWindows.parse(person.quiet, "UTC")
    except ScheduleError:
        return  # told already
    if person.quiet and windows.next_change_us(0) is None:
        findings.warning(
            ("persons", number, "quiet"),
            ", ".join(person.quiet),
            "these quiet hours never end: the person is told of alarms of high priority only",
            "Leave an hour of each day free, or take the person out of the escalations of lower priority.",
        )


def _nobody_may_acknowledge(findings: Findings) -> None:
    """Then every climb goes on to its end, and nobody can stop it."""
    persons = findings.site.persons
    if findings.site.escalations and persons and findings.complete("persons"):
        if any("acknowledge" in person.may for person in persons):
            return
        findings.warning(
            ("persons",),
            None,
            "nobody of these may acknowledge: no call could ever be answered",
            'Let somebody who is called, such as may = ["acknowledge"].',
        )


def _unnamed_rotas(findings: Findings) -> None:
    site = findings.site
    if not site.escalations or not findings.complete("escalations"):
        return
    targets = {target for each in site.escalations for step in each.steps for target in step.tell}
    if any(
        target.startswith("rota:") and target.removeprefix("rota:") not in findings.ids("rotas") for target in targets
    ):
        return  # one of them is misspelt there, which is told already
    named = {rota.id for rota in named_rotas(site)}
    for number, rota in enumerate(site.rotas):
        if rota.id not in named:
            findings.warning(
                ("rotas", number, "id"),
                rota.id,
                "no escalation names this rota: nobody is called because of it, and its gaps are not looked for",
                f'Name it in a step, as tell = ["rota:{rota.id}"], or remove it.',
            )


def _unreachable_escalations(findings: Findings) -> None:
    """The first that fits is taken: one behind another that always fits is never used."""
    escalations = findings.site.escalations
    for number, escalation in enumerate(escalations):
        for earlier in escalations[:number]:
            if (
                not earlier.during
                and (
                    not earlier.priorities
                    or set(escalation.priorities or ("low", "medium", "high")) <= set(earlier.priorities)
                )
                and (not earlier.areas or (escalation.areas and set(escalation.areas) <= set(earlier.areas)))
            ):
                findings.warning(
                    ("escalations", number, "id"),
                    escalation.id,
                    f"'{earlier.id}' stands before it and takes every alarm that it would take",
                    "Put the narrower one first, or remove this one.",
                )
                break


def _uncalled(findings: Findings) -> None:
    """Where somebody is called at all, an alarm of high priority that calls nobody is hardly meant."""
    site = findings.site
    if not site.escalations or not findings.complete("escalations", "areas"):
        return
    loud = [each for each in site.escalations if not each.priorities or "high" in each.priorities]
    always = [each.areas for each in loud if not each.during]
    if any(not areas for areas in always):
        return
    named = {area for areas in always for area in areas}
    missing = [f"in the area '{area.id}'" for area in site.areas if area.id not in named]
    findings.warning(
        ("escalations",),
        None,
        f"alarms of high priority call nobody, at least at times: {', '.join([*missing, 'those of no area'])}",
        'End the list with an escalation of priorities = ["high"] without areas and during, or accept that.',
    )
