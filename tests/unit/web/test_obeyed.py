"""Who is told beforehand that the daemon will not obey: the words hold for what the engine's own rule says."""

from __future__ import annotations

from typing import Any

import pytest

from motewatch.engine.alarm_rules import AlarmRules
from motewatch.site.models import Site
from motewatch.web.access.roles import Role
from motewatch.web.console.obeyed import MATTERS, not_obeyed, without_user
from support.facility import site_dict


def site(*persons: dict[str, Any]) -> Site:
    return Site.model_validate(site_dict(persons=[*persons]))


ADA = {"id": "ada", "name": "Ada Okafor"}
BEN = {"id": "ben", "name": "Ben Lind", "may": ["shelve"]}


@pytest.mark.parametrize(
    ("user", "role", "said"),
    [
        ("ada", Role.OPERATOR, ""),
        ("zoe", Role.OPERATOR, "No person of the site file has the id 'zoe'"),
        ("zoe", Role.QUALITY, "Give the user the id of the person"),
        ("ben", Role.OPERATOR, "does not let the person 'ben' acknowledge alarms, state occupancy, check portables in"),
        # These order nothing.
        ("zoe", Role.VIEWER, ""),
        ("zoe", Role.ADMINISTRATOR, ""),
    ],
)
def test_what_will_be_refused_is_said(user: str, role: Role, said: str) -> None:
    found = not_obeyed(site(ADA, BEN), user, role)
    assert said in found
    assert bool(found) == bool(said)
    if role is Role.OPERATOR:
        rules = AlarmRules.of(site(ADA, BEN))
        assert bool(found) == any(rules.refusal(user, each) for each in MATTERS)


def test_where_no_persons_are_listed_everybody_is_obeyed() -> None:
    assert not_obeyed(site(), "zoe", Role.OPERATOR) == ""


def test_persons_without_a_user_are_named() -> None:
    assert [each.id for each in without_user(site(ADA, BEN), {"ben", "administrator"})] == ["ada"]
