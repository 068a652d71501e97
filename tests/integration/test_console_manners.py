"""How the console behaves where something goes wrong: a page that is not there has ways on, and what was typed is kept.

One service for all of it: each test leaves it as it found it, or looks at what is its own alone.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator
from html import unescape
from urllib.parse import quote

import pytest

from motewatch.site.models import Site
from motewatch.web.access.roles import Role
from motewatch.web.console.app import ROUTES
from support.console import new_user, person
from support.facility import site_dict
from support.live import ACTION
from support.proof import NOT_PAGES, Ground, proof_ground

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


# What was typed


class Field:
    """A field of a page, as a browser without scripts has it."""

    def __init__(self, page: str, id_: str) -> None:
        found = re.search(rf'<(input|select|textarea) id="{re.escape(id_)}"([^>]*)>', page)
        assert found is not None, f"no field {id_}: {page}"
        self.kind, self.attributes = found[1], found[2]
        rest = page[found.end() :]
        if self.kind == "input":
            value = re.search(r' value="([^"]*)"', self.attributes)
            self.value = "" if value is None else unescape(value[1])
        elif self.kind == "textarea":
            self.value = unescape(rest[: rest.index("</textarea>")])
        else:
            options = re.findall(r'<option(?: value="([^"]*)")?( selected)?>([^<]*)', rest[: rest.index("</select>")])
            self.value = next((unescape(value or text) for value, on, text in options if on), "")
        said = re.search(
            rf'<span class="beside" id="{re.escape(id_)}-wrong"><span aria-hidden="true">✖</span> ([^<]*)</span>', page
        )
        self.wrong = "" if said is None else unescape(said[1])
        named = f'aria-describedby="{id_}-wrong' in self.attributes
        assert named == bool(self.wrong) == ('aria-invalid="true"' in self.attributes), page


def test_a_refused_user_keeps_what_was_typed_and_says_beside_the_field_what_is_wrong(ground: Ground) -> None:
    admin = ground.people[Role.ADMINISTRATOR]
    good = {"user": "rea", "name": 'Rea "the" Third', "role": "quality", "reason": "new in <quality>"}
    for wrong, value, said in (
        ("user", "Rea Third", "small letters"),
        ("user", "a-viewer", "already"),
        ("name", "", "full name"),
        ("role", "king", "no such role"),
        ("reason", "x", "Say why"),
    ):
        typed = good | {wrong: value}
        answer = admin.post("/access", act="make", **typed)
        assert answer.status_code == 422
        assert "Nothing was done yet" in answer.text
        for name, each in typed.items():
            field = Field(answer.text, name)
            assert field.value == (each if (name, each) != ("role", "king") else "")
            assert (said in field.wrong) if name == wrong else field.wrong == ""
    # One form's words are not put into another's.
    again = admin.post("/access", act="role", user="a-viewer", role="quality", reason="no")
    assert Field(again.text, "role-why-a-viewer").value == "no"
    assert Field(again.text, "role-why-a-viewer").wrong
    assert Field(again.text, "role-a-viewer").value == "quality"
    assert Field(again.text, "secret-why-a-viewer").value == ""
    assert re.search(r"<details open><summary>Change A-Viewer", again.text)


def test_secrets_are_asked_for_again(ground: Ground) -> None:
    for person_, path, fields in (
        (ground.people[Role.VIEWER], "/password", {"old": "no such heron", "new": "one heron", "again": "two herons"}),
        (
            ground.people[Role.QUALITY],
            f"/sign?subject={quote(ground.alarm)}",
            {"user": "a-quality", "password": "no such heron", "meaning": "reviewed", "comment": "kept", "sha256": ""},
        ),
    ):
        if "sha256" in fields:
            digest = re.search(r'name="sha256" value="(\w+)"', person_.http.get(path).text)
            assert digest is not None
            fields["sha256"] = digest[1]
        answer = person_.post(path, **fields)
        assert answer.status_code in (403, 422)
        assert "heron" not in answer.text
        which = "old" if "old" in fields else "password"
        assert Field(answer.text, which).wrong
        if "comment" in fields:
            assert Field(answer.text, "comment").value == "kept"
            assert Field(answer.text, "user").value == "a-quality"


@pytest.mark.parametrize(
    ("path", "fields", "wrong", "id_"),
    [
        ("/tokens", {"act": "make", "label": "", "scope": "acknowledge", "days": "90"}, "label", "{}"),
        ("/alarm?id={alarm}", {"act": "shelve", "minutes": "60", "comment": "y" * 520}, "comment", "{}-shelve"),
        ("/alarm?id={alarm}", {"act": "shelve", "minutes": "61", "comment": "kept"}, "minutes", "{}-shelve"),
        ("/alarm?id={alarm}", {"act": "shelve", "minutes": "30", "comment": ""}, "comment", "{}-shelve"),
        (
            "/alarm?id={alarm}",
            {"act": "remove-from-service", "permit": "", "comment": "kept"},
            "permit",
            "{}-remove-from-service",
        ),
        ("/alarms", {"take-1": "{action}", "comment": "y" * 520}, "comment", "{}"),
        ("/acknowledge?alarm={alarm}", {"comment": "y" * 520}, "comment", "{}"),
        ("/note?subject={subject}", {"note": "y" * 3_000}, "note", "{}"),
        ("/room/fill/occupancy", {"state": "at-rest", "comment": "y" * 520}, "comment", "{}"),
        ("/reports/make", {"kind": "batch", "batch": "B-7", "start": "2026-03-02T08:00", "end": "x"}, "end", "{}"),
        ("/reports/make", {"kind": "batch", "batch": "", "start": "2026-03-02T08:00"}, "batch", "{}"),
        ("/reports/make", {"kind": "day", "at": "then", "place": ""}, "at", "{}"),
        (
            "/record/rehearsal",
            {"digest": "none", "since": "2026-03-02T08:00", "until": "2026-03-02T09:00"},
            "digest",
            "{}",
        ),
        ("/record/rehearsal", {"digest": "{digest}", "since": "then", "until": "2026-03-02T08:00"}, "since", "{}"),
    ],
)
def test_a_refused_form_keeps_what_was_typed_and_marks_the_field(
    ground: Ground, path: str, fields: dict[str, str], wrong: str, id_: str
) -> None:
    there = {"alarm": quote(ACTION), "subject": quote(ground.sample), "action": ACTION, "digest": ground.digest}
    address = path.format(**there)
    page = "/tokens" if path == "/alarms" else address
    fields = {name: value.format(**there) for name, value in fields.items()}
    answer = ground.people[Role.QUALITY].post(address, page, **fields)
    assert answer.status_code in (409, 422), answer.text
    said = Field(answer.text, id_.format(wrong))
    assert said.wrong
    chosen = {"act", "kind", "state", "take-1", "role"}
    for name, value in fields.items():
        if name not in chosen and (name, value) not in (("minutes", "61"), ("digest", "none")):
            assert Field(answer.text, id_.format(name)).value == value
    if "state" in fields:
        assert re.search(r'value="at-rest" required checked', answer.text)
    if "take-1" in fields:
        assert re.search(r'name="take-1"[^>]* checked>', answer.text)


def test_a_search_that_cannot_be_understood_is_marked(ground: Ground) -> None:
    answer = ground.people[Role.VIEWER].http.get("/record?since=then&person=mira")
    assert answer.status_code == 422
    assert "is no time" in Field(answer.text, "since").wrong
    assert Field(answer.text, "person").value == "mira"


def test_a_note_on_what_is_not_there_is_given_back(ground: Ground) -> None:
    answer = ground.people[Role.QUALITY].post("/note?subject=room/none", "/tokens", note="a long thought")
    assert answer.status_code == 404
    assert "a long thought" in answer.text


# A site that calls nobody


def test_that_nobody_is_called_is_said_once_with_what_to_configure(ground: Ground) -> None:
    page = ground.people[Role.VIEWER].http.get("/on-call").text
    assert "Needle side" in page
    assert page.count("calls nobody") == 1
    assert "Nobody is called" not in page
    # What it says to write is what a site file takes.
    told = unescape(re.search(r'<pre class="rec-text">(.*?)</pre>', page, re.DOTALL)[1])  # type: ignore[index]
    site = site_dict() | tomllib.loads(told)
    assert [each.id for each in Site.model_validate(site).escalations] == ["high"]


def test_the_zone_of_the_times_is_named_once_on_every_page(ground: Ground) -> None:
    for rule in ROUTES:
        asker = ground.asker(rule)
        if "GET" not in rule.methods or rule.path in NOT_PAGES or asker is None:
            continue
        answer = asker.http.get(ground.addresses(rule.path)[0])
        if answer.headers.get("content-type", "").startswith("text/html"):
            assert answer.text.count("Times: UTC") == 1, rule.path


def test_what_acknowledging_makes_of_an_alarm_is_said_before_it_is_done(ground: Ground) -> None:
    for path in (f"/acknowledge?alarm={quote(ACTION)}", f"/alarm?id={quote(ACTION)}"):
        assert "It stays on the list until it returns to normal." in ground.people[Role.OPERATOR].http.get(path).text


# Long lists


@pytest.mark.parametrize("name", ["sensors", "locations"])
def test_a_program_walks_a_long_list_page_by_page(ground: Ground, name: str) -> None:
    http = ground.people[Role.VIEWER].http
    whole = http.get(f"/api/v1/{name}?limit=1000").json()
    assert whole["next"] is None
    seen, cursor = [], ""
    for _ in whole[name]:
        page = http.get(f"/api/v1/{name}?limit=1&cursor={cursor}").json()
        seen += page[name]
        cursor = page["next"]
    assert [each["id"] for each in seen] == [each["id"] for each in whole[name]]
    assert cursor is None
    assert len(seen) > 2
    assert http.get(f"/api/v1/{name}?cursor=x").status_code == 400


def test_sensors_are_narrowed_by_answer_and_words(ground: Ground) -> None:
    http = ground.people[Role.VIEWER].http
    every = {each["id"]: each["answer"] for each in http.get("/api/v1/sensors").json()["sensors"]}
    unheard = [id_ for id_, word in every.items() if word == "cannot-tell"]
    assert unheard
    assert len(unheard) < len(every)
    found = http.get("/api/v1/sensors?answer=cannot-tell").json()["sensors"]
    assert sorted(each["id"] for each in found) == sorted(unheard)
    page = http.get("/sensors?answer=unknown").text
    assert sorted(re.findall(r'<h3><a href="/sensor/([^"]+)"', page)) == sorted(unheard)
    assert f"{len(unheard)} of {len(every)} sensors" in page
    assert Field(page, "answer").value == "unknown"
    one = http.get("/sensors?text=hand").text
    assert re.findall(r'<h3><a href="/sensor/([^"]+)"', one) == ["hand-1"]
    assert "No sensor is so." in http.get("/sensors?text=zebra").text


def test_rooms_are_narrowed_by_words(ground: Ground) -> None:
    http = ground.people[Role.VIEWER].http
    assert 'role="search"' not in http.get("/rooms").text
    page = http.get("/rooms?text=NEEDLE").text
    assert re.findall(r'<h3><a href="/room/([^"]+)"', page) == ["fill"]
    assert "No room is called so." in http.get("/rooms?text=attic").text
