"""The console under what strangers send: made-up requests, long bodies, odd paths, clients that never finish."""

from __future__ import annotations

import socket
from collections.abc import Iterator
from contextlib import ExitStack
from typing import Any, Final
from urllib.parse import urlsplit

import httpx
import pytest
import schemathesis
from hypothesis import HealthCheck, given, settings
from schemathesis.checks import not_a_server_error
from schemathesis.core.result import Ok
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_headers_conformance,
    response_schema_conformance,
    status_code_conformance,
)

from motewatch.web.access.roles import RIGHTS, SCOPES, Role
from motewatch.web.console.api import OPERATIONS
from motewatch.web.console.app import ROUTES
from motewatch.web.console.operation import BASE, PROBLEM
from support.console import bearer
from support.proof import NOT_PAGES, Ground, proof_ground

pytestmark = pytest.mark.broker

CHECKS: Final = [
    not_a_server_error,
    status_code_conformance,
    content_type_conformance,
    response_headers_conformance,
    response_schema_conformance,
]

EXAMPLES: Final = 12
"""For each operation; a long run by hand takes more."""


@pytest.fixture(scope="module")
def ground(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Ground]:
    with proof_ground(tmp_path_factory.mktemp("hostile")) as made:
        yield made


@pytest.mark.parametrize("scope", ["", "operate", "manage"])
def test_whatever_a_program_sends_is_answered_as_the_document_says(ground: Ground, scope: str) -> None:
    asker = ground.people[Role.ADMINISTRATOR if scope == "manage" else Role.QUALITY]
    headers = bearer(asker, scope) if scope else {}
    document = httpx.get(f"{ground.url}{BASE}/openapi.json", trust_env=False).json()
    schema = schemathesis.openapi.from_dict(document)
    number = 0
    for found in schema.get_all_operations():
        assert isinstance(found, Ok)
        operation = found.ok()
        number += 1
        if scope == "manage" and not operation.path.startswith(f"{BASE}/users"):
            continue

        @given(case=operation.as_strategy())
        @settings(
            max_examples=EXAMPLES if scope else 2,
            deadline=None,
            derandomize=True,
            database=None,
            suppress_health_check=[*HealthCheck],
        )
        def answered(case: Any) -> None:
            case.call_and_validate(base_url=ground.url, headers=headers, checks=CHECKS)

        answered()
    assert number == len(OPERATIONS)


def test_every_operation_refuses_what_its_scope_and_role_may_not_do(ground: Ground) -> None:
    with httpx.Client(base_url=ground.url, trust_env=False, timeout=20) as program:
        for role, person in ground.people.items():
            for scope, rights in SCOPES.items():
                if not rights <= RIGHTS[role]:
                    continue
                headers = bearer(person, scope)
                for one in OPERATIONS:
                    for address in ground.addresses(one.path)[:1]:
                        answer = program.request(one.method, address, headers=headers)
                        assert (answer.status_code != 403) is (one.needs in rights), (role, scope, one.path)
                        assert answer.status_code != 500, (role, scope, one.path, answer.text)
        for one in OPERATIONS:
            (address, *_) = ground.addresses(one.path)
            assert program.request(one.method, address).status_code == 401, one.path


def test_every_page_refuses_what_its_role_may_not_do(ground: Ground) -> None:
    with httpx.Client(base_url=ground.url, trust_env=False, timeout=20) as stranger:
        for rule in ROUTES:
            (address, *_) = ground.addresses(rule.path)
            for method in rule.methods:
                if rule.path in NOT_PAGES:
                    continue
                answer = stranger.request(method, address)
                assert answer.status_code == (303 if method == "GET" else 401), rule
                for role, person in ground.people.items():
                    allowed = rule.needs is None or rule.needs in RIGHTS[role]
                    # Without the token of the session's forms a POST is refused to everybody.
                    kind = {"Content-Type": "application/x-www-form-urlencoded"} if method == "POST" else {}
                    said = person.http.request(method, address, headers=kind)
                    assert said.status_code < 500, (rule, role, said.text)
                    assert (said.status_code != 403) is (allowed and method == "GET"), (rule, role)


def test_long_bodies_and_odd_paths_are_refused(ground: Ground) -> None:
    person = ground.people[Role.QUALITY]
    headers = bearer(person, "operate")
    with httpx.Client(base_url=ground.url, trust_env=False, timeout=30) as program:
        posts = [(one.path, "application/json", headers) for one in OPERATIONS if one.method == "POST"]
        posts += [(each.path, "application/x-www-form-urlencoded", {}) for each in ROUTES if "POST" in each.methods]
        for path, kind, more in posts:
            (address, *_) = ground.addresses(path)
            asker = program if more else person.http
            try:
                answer = asker.post(address, content=b"a" * 10_000_000, headers={**more, "Content-Type": kind})
            except httpx.WriteError:
                # Cut off in the middle of it.
                continue
            assert answer.status_code in (401, 403, 404, 409, 413, 422), (path, answer.status_code)
        for path in (
            "/script/..%2f..%2fapp.py.js",
            "/script/%2e%2e/now.js",
            "/..%2f..%2fetc/passwd",
            "//example.org/",
            "/%00",
            "/" + "a" * 8_000,
            f"{BASE}/%2e%2e/%2e%2e/etc/passwd",
            f"{BASE}/rooms/",
        ):
            answer = program.get(path, headers=headers)
            here = answer.status_code == 303 and answer.headers["location"].startswith("/sign-in")
            assert here or answer.status_code in (307, 400, 404), (path, answer.status_code)
            if path.startswith(BASE) and answer.status_code == 404:
                assert answer.headers["content-type"] == PROBLEM


def test_fifty_clients_that_never_finish_hold_nobody_up_and_are_let_go(ground: Ground) -> None:
    parts = urlsplit(ground.url)
    with ExitStack() as stack:
        opened: list[socket.socket] = []
        for number in range(50):
            slow = stack.enter_context(socket.create_connection((parts.hostname or "", parts.port or 0), timeout=10))
            head = b"POST /sign-in HTTP/1.1\r\nHost: x\r\n"
            # Half of them stop in the head, half in the body.
            more = b"Content-Type: application/x-www-form-urlencoded\r\nContent-Length: 9\r\n\r\nuse"
            slow.sendall(head + more if number % 2 else head)
            slow.settimeout(40)
            opened.append(slow)
        answer: Any = ground.people[Role.VIEWER].http.get("/")
        assert answer.status_code == 200
        # None of them is waited for without end: one is cut off, the other told that it cannot be read.
        assert opened[0].recv(100) == b""
        assert opened[1].recv(100).startswith(b"HTTP/1.1 400 ")
