"""How the console behaves where something goes wrong: a page that is not there has ways on, and what was typed is kept.

One service for all of it: each test leaves it as it found it, or looks at what is its own alone.
"""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from motewatch.web.access.roles import Role
from support.console import new_user, person
from support.proof import Ground, proof_ground

pytestmark = pytest.mark.broker


@pytest.fixture(scope="module")
def ground(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Ground]:
    with proof_ground(tmp_path_factory.mktemp("manners")) as made:
        yield made


def has_ways(page: str) -> bool:
    """Has it the navigation, and the way out at its foot?"""
    return all(each in page for each in ('aria-label="Pages"', 'href="/alarms"', 'href="/record"', "Sign out "))


@pytest.mark.parametrize(
    ("path", "said"),
    [
        ("/nowhere", "There is no such page"),
        ("/sensor/none", "There is no sensor of this id"),
        ("/room/none", "There is no room of this id"),
        ("/location/none", "There is no location of this id"),
        ("/report/none", "There is no report of this id"),
        ("/record/sample?location=spot-1&end=2026-01-01T00:00:00Z", "There is no such sample"),
        ("/record/configurations/none", "There is no such configuration"),
    ],
)
def test_what_is_not_there_is_said_in_the_frame_with_a_way_on(ground: Ground, path: str, said: str) -> None:
    answer = ground.people[Role.VIEWER].http.get(path)
    assert answer.status_code == 404
    assert said in answer.text
    assert has_ways(answer.text)
    assert "search the record" in answer.text


def test_what_the_role_may_not_do_is_said_in_the_frame(ground: Ground) -> None:
    answer = ground.people[Role.VIEWER].http.get("/access")
    assert answer.status_code == 403
    assert "Your role, viewer, does not allow this." in answer.text
    assert has_ways(answer.text)
    # The navigation of an error is that of the role, too.
    assert 'href="/sign"' not in answer.text


def test_a_form_of_an_earlier_sign_in_is_said_to_be_one(ground: Ground) -> None:
    answer = ground.people[Role.OPERATOR].http.post("/alarms", data={"csrf": "old"})
    assert answer.status_code == 403
    assert "The form is of an earlier sign-in." in answer.text
    assert has_ways(answer.text)


def test_a_stranger_is_shown_no_ways_but_the_door(ground: Ground) -> None:
    with person(ground.url) as stranger:
        missing, ended = stranger.http.get("/nowhere"), stranger.http.post("/alarms", data={})
    assert (missing.status_code, ended.status_code) == (404, 401)
    for page in (missing.text, ended.text):
        assert "<nav" not in page
        assert 'href="/sign-in"' in page


def test_who_has_no_password_yet_is_sent_to_choose_one(ground: Ground) -> None:
    secret = new_user(ground.people[Role.ADMINISTRATOR], "fresh", "viewer")
    with person(ground.url) as fresh:
        assert fresh.sign_in("fresh", secret).status_code == 303
        page = fresh.http.get("/nowhere").text
    assert 'href="/password"' in page
    assert 'aria-label="Pages"' not in page
