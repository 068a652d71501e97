"""That nobody relies on calls which are not made."""

from __future__ import annotations

from motewatch.site.crosscheck import crosscheck
from motewatch.site.models import Site
from motewatch.site.problems import Severity
from support.facility import site_dict


def test_rotas_escalations_and_test_calls_are_told_to_reach_nobody() -> None:
    site = Site.model_validate(
        {
            **site_dict(),
            "persons": [{"id": "ada", "name": "Ada"}],
            "rotas": [{"id": "tech", "name": "T", "rotation": {"members": ["ada"], "first": "2026-01-01"}}],
            "escalations": [{"id": "all", "steps": [{"after_min": 0, "tell": ["rota:tech"]}]}],
            "callout": {"test_calls": {"at": "Tue 10:00"}},
        }
    )
    found = [problem for problem in crosscheck(site) if "callout" in problem.key or "calls nobody" in problem.message]
    assert [(problem.key, problem.severity) for problem in found] == [
        ("escalations[0].id", Severity.WARNING),
        ("rotas[0].id", Severity.WARNING),
        ("callout.test_calls.at", Severity.WARNING),
    ]


def test_a_site_without_them_is_told_nothing_of_calls() -> None:
    assert not [problem for problem in crosscheck(Site.model_validate(site_dict())) if "call" in problem.message]
