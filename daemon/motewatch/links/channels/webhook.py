"""Calls by webhook: an HTTP POST of the call as JSON, signed (see `signature`), with the call's id as idempotency key.

Rules: 2xx is taken; 408, 425, 429, 5xx and whatever goes wrong with the connection is worth another try, after the time
the receiver names in Retry-After (RFC 9110, 10.2.3); every other answer is final, redirects too: a signed call is not
sent to where somebody else points. A new connection for each call: calls are rare, and one kept open may be dead. Each
time-out of the library holds for one operation, so the line is cut when the deadline passes. Proxies of the
environment are used, but not towards this machine itself. Of the URL only the host is ever told.
"""

from __future__ import annotations

import ssl
from collections.abc import Mapping
from datetime import UTC
from email.utils import parsedate_to_datetime
from typing import Any, Final

import httpx

from motewatch.links.call_message import CallMessage
from motewatch.links.channels.body import payload_of
from motewatch.links.channels.line import Line, answers_of, too_late, trouble
from motewatch.links.channels.signature import IDEMPOTENCY, SIGNATURE, TIMESTAMP, sign
from motewatch.links.clock import TimeSource
from motewatch.links.errors import ChannelAwayError, ChannelRefusedError
from motewatch.links.http_client import client
from motewatch.links.secrets import Secret, scrub
from motewatch.site import people
from motewatch.site.instants import instant_us
from motewatch.wire.records import SECOND_US

AGAIN: Final = frozenset({408, 425, 429})
GATEWAY: Final = frozenset({502, 504})
"""From a server in between: the receiver may have taken the call."""
LONGEST_ANSWER: Final = 2_000
LIKE_A_TOKEN: Final = 8
"""So long a piece of the URL's path or query may be a secret of the receiver's."""
LONGEST_WAIT_S: Final = 86_400.0
_MENDS: Final = {
    401: "check key_file here and the key there, and that both clocks are right",
    403: "check key_file here and the key there, and that both clocks are right",
    404: "check the path of url",
    405: "check the path of url: nothing is posted there",
    407: "the proxy of the environment wants a login",
    410: "the receiver is gone: give its new url",
}


class WebhookChannel:
    """See the module. `tls` is the context to check the server with."""

    def __init__(self, settings: people.WebhookChannel, tls: ssl.SSLContext, key: Secret, clock: TimeSource) -> None:
        self._settings = settings
        self._tls = tls
        self._key = key
        self._clock = clock
        url = httpx.URL(settings.url)
        self._where = f"{url.host}:{url.port or (443 if url.scheme == 'https' else 80)}"

    def send(self, message: CallMessage, deadline_s: float) -> None:
        """See `links.channels.Channel`."""
        body = payload_of(message)
        now_s = self._clock.now_us() // SECOND_US
        headers = {
            "Content-Type": "application/json",
            "User-Agent": "motewatch",
            TIMESTAMP: str(now_s),
            SIGNATURE: sign(self._key.reveal().encode(), now_s, body),
            IDEMPOTENCY: message.id,
        }
        with Line(self._clock, deadline_s) as line:
            track = _Track(line)
            try:
                status, retry_after, said = self._post(body, headers, line, track)
            except (httpx.HTTPError, httpx.InvalidURL, httpx.StreamError, OSError) as error:
                # Not chained: the library's error holds the request.
                if line.expired:
                    raise too_late(self._where, deadline_s, may_have_arrived=track.sent) from None
                raise trouble(error, self._where, may_have_arrived=track.sent) from None
        self._judge(status, retry_after, said, message)

    def close(self) -> None:
        """Nothing is held open between calls."""

    def _post(
        self, body: bytes, headers: Mapping[str, str], line: Line, track: _Track
    ) -> tuple[int, str | None, bytes]:
        # Half for connecting, since a host with two addresses takes the time-out twice.
        timeout = httpx.Timeout(line.deadline_s, connect=line.deadline_s / 2)
        with (
            client(self._tls, timeout) as http,
            http.stream(
                "POST", self._settings.url, content=body, headers=dict(headers), extensions={"trace": track}
            ) as response,
        ):
            said = b""
            if not response.is_success:
                for chunk in response.iter_raw(LONGEST_ANSWER):
                    said += chunk
                    if len(said) >= LONGEST_ANSWER:
                        break
            return response.status_code, response.headers.get("Retry-After"), said[:LONGEST_ANSWER]

    def _judge(self, status: int, retry_after: str | None, said: bytes, message: CallMessage) -> None:
        if 200 <= status < 300:
            return
        secrets: list[Secret | str] = [
            self._key,
            self._settings.url,
            *_pieces(httpx.URL(self._settings.url)),
            *answers_of(message),
        ]
        words = scrub(said.decode("utf-8", "replace"), secrets, 100)
        sentence = f"{self._where} answered {status}" + (f": {words}" if words else "")
        if status in AGAIN or status >= 500:
            wait_s = retry_after_s(retry_after, self._clock.now_us())
            raise ChannelAwayError(sentence, retry_after_s=wait_s, may_have_arrived=status in GATEWAY)
        if 300 <= status < 400:
            raise ChannelRefusedError(f"{self._where} answered {status}, a redirect, which is not followed; write "
                                      "the final address in url")  # fmt: skip
        mend = _MENDS.get(status)
        raise ChannelRefusedError(f"{sentence}; {mend}" if mend else sentence)


def _pieces(url: httpx.URL) -> list[str]:
    """What of a URL may be a secret: a receiver may say "no such hook" with its token."""
    pieces = [*url.path.split("/"), *(value for _, value in url.params.multi_items())]
    return [url.path, *(piece for piece in pieces if len(piece) >= LIKE_A_TOKEN)]


class _Track:
    """Hears from the library how the request goes: puts the connection on the line, and knows when all is sent."""

    def __init__(self, line: Line) -> None:
        self._line = line
        self.sent = False

    def __call__(self, event: str, info: Mapping[str, Any]) -> None:
        if event == "connection.connect_tcp.complete":
            self._line.watch(info["return_value"].get_extra_info("socket"))
        elif event.endswith(".send_request_body.complete"):
            self.sent = True


def retry_after_s(header: str | None, now_us: int) -> float | None:
    """Seconds to wait by a Retry-After header: a number, or a date. None where there is none that can be read."""
    text = (header or "").strip()
    if text.isascii() and text.isdigit():
        return min(float(text[:9]), LONGEST_WAIT_S)
    try:
        then = parsedate_to_datetime(text)
    except (ValueError, TypeError, IndexError, OverflowError):
        return None
    then = then.replace(tzinfo=UTC) if then.tzinfo is None else then
    return min(max(0.0, (instant_us(then) - now_us) / SECOND_US), LONGEST_WAIT_S)
