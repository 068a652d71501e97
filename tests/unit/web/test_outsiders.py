"""What is made of the claims of an identity provider: ids, groups; and the roles that a site file may name."""

from __future__ import annotations

import re
import textwrap
import tomllib
from pathlib import Path
from typing import Any

import pytest

from motewatch.site.oidc import Oidc, OutsideRole
from motewatch.web.access.outsiders import groups_of, user_id
from motewatch.web.access.roles import Role


@pytest.mark.parametrize(
    ("said", "made"),
    [
        ("mira", "mira"),
        ("Mira.Vale@Example.org", "mira-vale-example-org"),
        ("NORTH\\Mira", "north-mira"),
        ("Zoë Müller", "zoe-muller"),
        ("  mira  ", "mira"),
        ("m_i-r_a7", "m_i-r_a7"),
        ("\u2603", ""),
        ("", ""),
        ("-", ""),
        ("m" * 64, ""),
        ("m" * 500, ""),
        (7, ""),
        (None, ""),
        (["mira"], ""),
    ],
)
def test_an_id_is_made_of_a_name(said: object, made: str) -> None:
    assert user_id(said) == made


@pytest.mark.parametrize(
    ("claims", "name", "groups"),
    [
        ({"groups": ["a", "b"]}, "groups", {"a", "b"}),
        ({"groups": "a b"}, "groups", {"a b"}),
        ({"groups": ["a", 7, None, ["b"]]}, "groups", {"a"}),
        ({"groups": {"a": 1}}, "groups", set()),
        ({}, "groups", set()),
        ({"realm": {"roles": ["a"]}}, "realm.roles", {"a"}),
        ({"realm": ["a"]}, "realm.roles", set()),
        ({"https://house.example/groups": ["a"]}, "https://house.example/groups", {"a"}),
    ],
)
def test_groups_are_read_strictly(claims: dict[str, Any], name: str, groups: set[str]) -> None:
    assert groups_of(claims, name) == groups


def test_a_site_file_names_the_roles_that_there_are() -> None:
    assert [role.value for role in OutsideRole] == [role.value for role in Role]


def test_the_example_of_the_page_is_a_table_that_is_taken() -> None:
    page = (Path(__file__).parents[3] / "deploy" / "docs" / "sign-in-by-oidc.md").read_text()
    (example,) = re.findall(r"((?:^    .*\n|^\n)*^    \[console\.oidc\](?:.*\n)(?:^    .*\n|^\n)*)", page, re.MULTILINE)
    table = tomllib.loads(textwrap.dedent(example))["console"]["oidc"]
    made = Oidc.model_validate(table)
    assert [each.role for each in made.roles] == ["quality", "operator"]
    # It shows every key with its default.
    defaults = Oidc.model_validate({key: table[key] for key in ("issuer", "client_id", "client_secret_file", "roles")})
    assert made == defaults
    assert set(Oidc.model_fields) - set(table) == {"ca_file"}
