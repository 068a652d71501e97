"""A sign-in at an outside identity provider on its way: begun here, finished when the browser comes back. No I/O.

What is on its way is kept by the browser, in a cookie that only this process can read and make, so that nobody can use
up memory here or push somebody else's sign-in out. The state, nonce and PKCE verifier that go with it are derived from
its random id by the same key (RFC 9700 2.1.1, 4.7: bound to this browser, made anew for each).

Rules: good once and for `LIFE_S`. Which were used is remembered for as long; where there are too many, the older ones
that are still on their way are refused rather than one taken twice. Nothing survives a restart. Must not know who
signs in.
"""

from __future__ import annotations

import hmac
import json
import secrets
import threading
from base64 import urlsafe_b64encode
from collections import OrderedDict
from dataclasses import asdict, dataclass
from typing import Final

from cryptography.fernet import Fernet, InvalidToken

from motewatch.links.clock import TimeSource
from motewatch.wire.records import SECOND_US

LIFE_S: Final = 600
"""Long enough for a second factor, and for who has to look for it."""
KEPT: Final = 4_096


class FlowError(Exception):
    """It is not on its way: never begun here, in another browser, too old, or used."""


@dataclass(frozen=True, slots=True)
class Flow:
    """One on its way. `session`: hash of the session it was begun in, or empty; `signing`: to sign something."""

    id: str
    began_us: int
    after: str
    """Path of our own to go to in the end."""
    session: str = ""
    signing: bool = False
    fresh: bool = True
    """The provider was asked to let nobody through who signed in before."""


class Flows:
    """See the module. From any thread."""

    def __init__(self, clock: TimeSource) -> None:
        self._clock = clock
        self._key = secrets.token_bytes(32)
        self._seal = Fernet(Fernet.generate_key())
        self._lock = threading.Lock()
        self._used: OrderedDict[str, int] = OrderedDict()
        self._none_before_us = 0

    def begin(self, after: str, session: str = "", *, signing: bool = False, fresh: bool = True) -> Flow:
        """Another one."""
        return Flow(secrets.token_urlsafe(16), self._clock.now_us(), after, session, signing, fresh)

    def cookie(self, flow: Flow) -> str:
        """What the browser keeps of it."""
        return self._seal.encrypt_at_time(json.dumps(asdict(flow)).encode(), flow.began_us // SECOND_US).decode()

    def word(self, flow: Flow, what: str) -> str:
        """Its `state`, `nonce` or `verifier`: 256 bits, as 43 characters (RFC 7636 4.1)."""
        made = hmac.digest(self._key, f"{what} {flow.id}".encode(), "sha256")
        return urlsafe_b64encode(made).rstrip(b"=").decode()

    def take(self, cookie: str, state: str) -> Flow:
        """The one that this browser comes back with, which is then used. Raises `FlowError`."""
        now_us = self._clock.now_us()
        try:
            text = self._seal.decrypt_at_time(cookie.encode(), LIFE_S, now_us // SECOND_US)
        except (InvalidToken, UnicodeEncodeError):
            raise FlowError from None
        flow = Flow(**json.loads(text))
        if not hmac.compare_digest(state.encode(), self.word(flow, "state").encode()):
            raise FlowError
        with self._lock:
            oldest_us = now_us - LIFE_S * SECOND_US
            while self._used and next(iter(self._used.values())) < oldest_us:
                self._used.popitem(last=False)
            if flow.id in self._used or flow.began_us <= self._none_before_us:
                raise FlowError
            self._used[flow.id] = flow.began_us
            if len(self._used) > KEPT:
                _, began_us = self._used.popitem(last=False)
                self._none_before_us = max(self._none_before_us, began_us)
        return flow
