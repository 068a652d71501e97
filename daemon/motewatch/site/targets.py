"""Whom the escalations of a site name: one answer for the checks and for the test calls."""

from __future__ import annotations

from motewatch.site.models import Site
from motewatch.site.people import Rota


def _targets(site: Site) -> set[tuple[str, str]]:
    """Kind and id of every target of every step."""
    named = {target for escalation in site.escalations for step in escalation.steps for target in step.tell}
    return {(kind, id_) for kind, _, id_ in (target.partition(":") for target in named)}


def named_rotas(site: Site) -> list[Rota]:
    """The rotas that an escalation names, as they stand in the file."""
    targets = _targets(site)
    return [rota for rota in site.rotas if ("rota", rota.id) in targets]


def reached(site: Site) -> set[str]:
    """Everyone whom an escalation can reach by name, team, rotation or cover; what a calendar says is not read here."""
    targets = _targets(site)
    found = {id_ for kind, id_ in targets if kind == "person"}
    for team in site.teams:
        if ("team", team.id) in targets:
            found.update(team.members)
    for rota in named_rotas(site):
        found.update(cover.person for cover in rota.cover)
        found.update(rota.rotation.members if rota.rotation is not None else ())
    return found
