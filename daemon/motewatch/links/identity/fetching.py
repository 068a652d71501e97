"""One question to the identity provider over HTTP: bounded in time and in bytes.

Rules: whoever tries to sign in must not hold up the console: a question has an end, whatever the provider does.
Redirects are not followed (`links.http_client`), answers are JSON objects of at most `BYTES`. Of an answer that is none
nothing is told but its status. Must not know what is asked.
"""

from __future__ import annotations

import json
import ssl
from collections.abc import Mapping
from typing import Any, Final

import httpx

from motewatch.links.attempts import Attempts, LeftBehindError, StopWaitingError, TooManyHangError, WorkExitedError
from motewatch.links.channels.line import Line, too_late, trouble
from motewatch.links.clock import TimeSource
from motewatch.links.errors import ChannelAwayError, ChannelError
from motewatch.links.http_client import client
from motewatch.links.identity import ProviderAwayError, ProviderRefusedError

DEADLINE_S: Final = 5.0
SPARE_S: Final = 1.0
BYTES: Final = 256 * 1024

AUTHORITY: Final = "name the file of its authority in console.oidc.ca_file, and write the host as the certificate does"


class Fetching:
    """See the module. From any thread."""

    def __init__(self, tls: ssl.SSLContext, clock: TimeSource, deadline_s: float = DEADLINE_S) -> None:
        self._tls = tls
        self._clock = clock
        self._deadline_s = deadline_s
        self._attempts = Attempts("identity-provider", clock)

    def get(self, url: str) -> dict[str, Any]:
        """The JSON object at an address. Raises `IdentityError`."""
        status, found = self._ask("GET", url, None, {})
        if status != 200 or found is None:
            raise ProviderRefusedError(f"{_where(url)} answered {status} without the JSON object that is looked for")
        return found

    def post(self, url: str, form: Mapping[str, str], headers: Mapping[str, str]) -> tuple[int, dict[str, Any] | None]:
        """Status, and the JSON object that came. Raises `IdentityError`."""
        return self._ask("POST", url, form, headers)

    def _ask(
        self, method: str, url: str, form: Mapping[str, str] | None, headers: Mapping[str, str]
    ) -> tuple[int, dict[str, Any] | None]:
        said: list[tuple[int, bytes]] = []

        def work() -> None:
            said.append(self._exchange(method, url, form, headers))

        try:
            # In a thread that can be left behind: a look-up of a name knows no deadline.
            self._attempts.run(work, self._deadline_s + SPARE_S, lambda: False)
        except (LeftBehindError, TooManyHangError, StopWaitingError, WorkExitedError):
            raise ProviderAwayError(str(too_late(_where(url), self._deadline_s, may_have_arrived=False))) from None
        ((status, body),) = said
        if status in (408, 425, 429) or status >= 500:
            raise ProviderAwayError(f"{_where(url)} answered {status}")
        return status, json_object(body)

    def _exchange(
        self, method: str, url: str, form: Mapping[str, str] | None, headers: Mapping[str, str]
    ) -> tuple[int, bytes]:
        where, deadline_s = _where(url), self._deadline_s
        with Line(self._clock, deadline_s) as line:

            def watch(event: str, info: Mapping[str, Any]) -> None:
                if event == "connection.connect_tcp.complete":
                    line.watch(info["return_value"].get_extra_info("socket"))

            # Nothing packed: a few bytes must not become a great many here.
            known = {"User-Agent": "motewatch", "Accept": "application/json", "Accept-Encoding": "identity", **headers}
            timeout = httpx.Timeout(deadline_s, connect=deadline_s / 2)
            try:
                with (
                    client(self._tls, timeout) as http,
                    http.stream(method, url, data=form, headers=known, extensions={"trace": watch}) as response,
                ):
                    body = b""
                    for chunk in response.iter_raw(16 * 1024):
                        body += chunk
                        if len(body) > BYTES:
                            raise ProviderRefusedError(f"{where} answered with more than {BYTES} bytes")
                    return response.status_code, body
            except (httpx.HTTPError, httpx.InvalidURL, httpx.StreamError, OSError) as error:
                # Not chained: the library's error holds the request.
                told = (
                    too_late(where, deadline_s, may_have_arrived=False)
                    if line.expired
                    else trouble(error, where, authority=AUTHORITY)
                )
            raise _ours(told)


def _ours(error: ChannelError) -> ProviderAwayError | ProviderRefusedError:
    kind = ProviderAwayError if isinstance(error, ChannelAwayError) else ProviderRefusedError
    return kind(str(error))


def _where(url: str) -> str:
    """Host and port: the rest of an address may hold what nobody needs to read."""
    try:
        parts = httpx.URL(url)
    except httpx.InvalidURL:
        return "the identity provider"
    return f"{parts.host}:{parts.port or (443 if parts.scheme == 'https' else 80)}"


def json_object(body: bytes) -> dict[str, Any] | None:
    """The JSON object in these bytes, or None. Strict: no NaN and no infinity, with which no comparison holds."""
    try:
        found = json.loads(body, parse_constant=_no_number)
    except (ValueError, RecursionError):
        return None
    return found if isinstance(found, dict) else None


def _no_number(word: str) -> float:
    raise ValueError(word)
