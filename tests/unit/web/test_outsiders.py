"""What is made of the claims of an identity provider: ids, groups; and the roles that a site file may name."""

from __future__ import annotations

import re
import textwrap
import tomllib
from pathlib import Path
from typing import Any

import pytest
from argon2 import PasswordHasher

from motewatch.journal.access import AccessStore
from motewatch.journal.journal import Journal
from motewatch.site.console import Console
from motewatch.site.oidc import Oidc, OutsideRole
from motewatch.web.access.desk import FIRST, NO_PASSWORD, AccessDesk, AccessError, Visitor
from motewatch.web.access.outsiders import Outsiders, groups_of, user_id
from motewatch.web.access.passwords import Hashes
from motewatch.web.access.roles import RIGHTS, Role
from support.links_fakes import FakeClock

ISSUER, HERE, WHY = "https://id.example.org", "192.0.2.1", "the house account came"
OIDC = {"issuer": ISSUER, "client_id": "motewatch", "roles": [{"group": "it", "role": "administrator"}]}


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


def test_there_is_always_an_administrator_with_a_password(tmp_path: Path) -> None:
    """An identity provider may be away, or be taken out of the site file."""
    quick = Hashes(PasswordHasher(time_cost=1, memory_cost=8, parallelism=1))
    settings = Console.model_validate({"public_url": "http://127.0.0.1", "oidc": OIDC})
    with Journal(tmp_path / "journal.db") as journal:
        store, clock = AccessStore(journal.store), FakeClock()
        desk = AccessDesk(store, settings, "North works", clock, lambda *_: None, quick)
        assert settings.oidc is not None
        outsiders = Outsiders(desk, store, settings.oidc, clock, lambda *_: None)
        assert desk.first_administrator() is not None
        claims = {"iss": ISSUER, "sub": "1", "preferred_username": "ida", "groups": ["it"]}
        row = outsiders.current(claims, HERE)
        assert (row.id, row.role, row.password) == ("ida", "administrator", NO_PASSWORD)
        # An administrator of the provider does not count.
        assert desk.first_administrator() is not None
        ida = Visitor("ida", "Ida", Role.ADMINISTRATOR, RIGHTS[Role.ADMINISTRATOR], "session", "", False, True)
        with pytest.raises(AccessError, match="keeps a password"):
            desk.hand_over(ida, FIRST, WHY)
        # What is kept of an outsider fits nothing, not even itself.
        for word in (NO_PASSWORD, "", "1"):
            with pytest.raises(AccessError):
                desk.sign_in("ida", word, f"{HERE}{len(word)}")
        for act in (desk.new_secret, desk.hand_over):
            with pytest.raises(AccessError, match="decided there"):
                act(Visitor(FIRST, "A", Role.ADMINISTRATOR, RIGHTS[Role.ADMINISTRATOR], "s", "", False), "ida", WHY)
