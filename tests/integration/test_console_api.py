"""The console's HTTP API with the real service: what it answers, refuses and describes."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import jsonschema
import pytest
from prometheus_client.openmetrics.parser import text_string_to_metric_families

from motewatch.web.access.roles import RIGHTS, SCOPES, Role
from motewatch.web.console.api import OPERATIONS
from motewatch.web.console.operation import BASE, PROBLEM
from support.console import Person, administrator, bearer, console, user
from support.live import ABOVE, ACTION, ask, spot
from support.mqtt_peer import Peer
from support.servers import Mosquitto, wait_until

pytestmark = pytest.mark.broker

ROOMS, ALARMS, ACKNOWLEDGE = f"{BASE}/rooms", f"{BASE}/alarms", f"{BASE}/alarms/acknowledge"


@pytest.fixture
def ground(mosquitto: Mosquitto, tmp_path: Path) -> Iterator[tuple[Path, str, Person, Person]]:
    with (
        console(tmp_path, mosquitto) as (_, url),
        administrator(tmp_path, url) as admin,
        user(admin, url, "mira", "operator") as mira,
        Peer(mosquitto.port) as peer,
    ):
        peer.publish(*spot(1, ABOVE))
        wait_until(lambda: "Not fine" in mira.http.get("/").text, "the excursion")
        yield tmp_path, url, admin, mira


def checked(answer: httpx.Response, document: dict[str, Any], path: str, method: str) -> Any:
    """The body, once the answer is one that the document describes."""
    described = document["paths"][path][method]["responses"][str(answer.status_code)]["content"]
    kind = answer.headers["content-type"].partition(";")[0]
    schema = {**described[kind]["schema"], "components": document["components"]}
    jsonschema.validate(answer.json(), schema)
    return answer.json()


def test_rooms_and_alarms_are_told_and_an_alarm_is_acknowledged(ground: tuple[Path, str, Person, Person]) -> None:
    folder, url, _, mira = ground
    with httpx.Client(base_url=url, trust_env=False, timeout=20) as program:
        document = program.get("/api/v1/openapi.json").json()
        reading, acting = bearer(mira, "read"), bearer(mira, "acknowledge")
        rooms = checked(program.get(ROOMS, headers=reading), document, ROOMS, "get")["rooms"]
        assert [(room["id"], room["answer"]) for room in rooms] == [("fill", "not-fine"), ("prep", "cannot-tell")]
        (value,) = [one for one in rooms[0]["locations"][0]["values"] if one["size_um"] == 0.5]
        assert (value["limit_per_m3"], value["beyond"]) == (3520, True)
        assert value["share"] == pytest.approx(100 / 0.0283 / 3520, rel=1e-3)
        alarms = checked(program.get(ALARMS, headers=reading), document, ALARMS, "get")["alarms"]
        assert [(one["alarm"], one["state"]) for one in alarms if one["alarm"] == ACTION] == [
            (ACTION, "unacknowledged")
        ]

        def order(headers: dict[str, str], **body: Any) -> tuple[int, Any]:
            answer = program.post(ACKNOWLEDGE, headers=headers, json=body)
            return answer.status_code, checked(answer, document, ACKNOWLEDGE, "post")

        status, refused = order(reading, alarm=ACTION)
        assert (status, "scope acknowledge or operate" in refused["detail"]) == (403, True)
        assert order({}, alarm=ACTION)[0] == 401
        assert order(acting, alarm="")[0] == 422
        assert order(acting, alarm=ACTION, by="somebody else")[0] == 422
        status, body = order(acting, alarm="location/attic/5um/action")
        assert (status, body["detail"][:8]) == (409, "no alarm")
        assert order(acting, alarm=ACTION, comment="by\na program")[0] == 200
        (row,) = ask(folder, lambda journal: journal.query_audit(1)) or []
        assert (row.by, row.action, row.subject, row.detail) == ("mira", "acknowledge", ACTION, "by a program")
        assert order(acting, alarm=ACTION)[0] == 409


def test_each_scope_and_role_may_what_it_may(ground: tuple[Path, str, Person, Person]) -> None:
    _, url, admin, _ = ground
    with httpx.Client(base_url=url, trust_env=False, timeout=20) as program:
        for role in Role:
            with user(admin, url, f"a-{role}", role) as somebody:
                for scope, rights in SCOPES.items():
                    if not rights <= RIGHTS[role]:
                        assert (
                            "more than you may"
                            in somebody.post("/tokens", act="make", label="x", scope=scope, days="30").text
                        )
                        continue
                    headers = bearer(somebody, scope)
                    for one in OPERATIONS:
                        answer = program.request(one.method, one.path, headers=headers)
                        assert (answer.status_code != 403) is (one.needs in rights), (role, scope, one.path)
                # A browser reads with its cookie, but does not act by it.
                assert somebody.http.get(ROOMS).status_code == 200
                assert somebody.http.post(ACKNOWLEDGE, json={"alarm": ACTION}).status_code == 401


def test_what_is_hostile_is_refused_with_a_problem(ground: tuple[Path, str, Person, Person]) -> None:
    _, url, _, mira = ground
    acting = bearer(mira, "acknowledge")
    with httpx.Client(base_url=url, trust_env=False, timeout=20) as program:
        json_kind = {**acting, "Content-Type": "application/json"}
        for status, request in (
            (401, program.build_request("GET", ROOMS, headers={"Authorization": "Bearer " + "x" * 5_000})),
            (401, program.build_request("GET", ROOMS, headers={"Authorization": "Basic bWlyYTp4"})),
            (404, program.build_request("GET", "/api/v1/../v1/nothing", headers=acting)),
            (405, program.build_request("DELETE", ROOMS, headers=acting)),
            (400, program.build_request("POST", ACKNOWLEDGE, headers=json_kind, content=b"{\xff")),
            (400, program.build_request("POST", ACKNOWLEDGE, headers=acting, data={"alarm": ACTION})),
            (413, program.build_request("POST", ACKNOWLEDGE, headers=json_kind, content=b" " * 100_000)),
        ):
            answer = program.send(request)
            assert answer.status_code == status, request.url
            assert answer.headers["content-type"].startswith(PROBLEM)
            assert answer.json()["status"] == status


def test_what_is_known_already_is_not_sent_again_and_what_a_path_cannot_do_is_said(
    ground: tuple[Path, str, Person, Person],
) -> None:
    _, url, _, mira = ground
    headers = bearer(mira, "read")
    with httpx.Client(base_url=url, trust_env=False, timeout=20, headers=headers) as program:
        first = program.get(ALARMS)
        tag = first.headers["etag"]
        assert first.headers["cache-control"] == "private, no-cache"
        for known in (tag, f"W/{tag}", f'"other", {tag}', "*"):
            again = program.get(ALARMS, headers={"If-None-Match": known})
            assert (again.status_code, again.content, again.headers["etag"]) == (304, b"", tag)
        assert program.get(ALARMS, headers={"If-None-Match": '"other"'}).content == first.content
        head = program.head(ALARMS)
        assert (head.status_code, head.content, head.headers["etag"]) == (200, b"", tag)
        refused = program.put(ALARMS)
        allowed = set(refused.headers["allow"].split(", "))
        assert (refused.status_code, allowed) == (405, {"GET", "HEAD"})
        assert refused.headers["cache-control"] == "no-store"


def test_the_services_own_health_is_told_to_a_token_alone(ground: tuple[Path, str, Person, Person]) -> None:
    _, url, _, mira = ground
    with httpx.Client(base_url=url, trust_env=False, timeout=20) as program:
        assert program.get("/metrics").status_code == 401
        answer = program.get("/metrics", headers=bearer(mira, "read"))
        assert answer.headers["content-type"] == "application/openmetrics-text; version=1.0.0; charset=utf-8"
        families: Any = text_string_to_metric_families(answer.text)  # type: ignore[no-untyped-call]
        found = {family.name: family for family in families}
        assert found["motewatch_messages_taken"].samples[0].value >= 1
        assert found["motewatch_broker_connected"].samples[0].value == 1
        assert found["motewatch_record_writable"].samples[0].value == 1
        assert sum(sample.value for sample in found["motewatch_alarms"].samples) >= 1
