"""Signing in, and confirming a signature, by an outside identity provider: what goes there and what comes back.

Rules: whatever goes wrong there is told in plain words here, and in the log with the reason; never a code or token.
What is to be signed waits here, one thing a user, while the browser is at the provider. Must not know pages.
"""

from __future__ import annotations

import logging
import threading
from typing import Any, Final

from motewatch.journal.access import AccessStore
from motewatch.links.clock import TimeSource
from motewatch.links.identity import IdentityError, ProviderAwayError, TokenRefusedError
from motewatch.links.identity.id_token import Expected
from motewatch.links.identity.provider import Provider
from motewatch.web.access.desk import AccessDesk, AccessError, Audit, Visitor
from motewatch.web.access.flows import Flow, FlowError, Flows
from motewatch.web.access.intent import AwayError, Intent
from motewatch.web.access.outsiders import BY, Outsiders, outside_of
from motewatch.web.guesses import Pace, network
from motewatch.wire.records import SECOND_US

_log = logging.getLogger("motewatch.console")

TIMES: Final = 120
WITHIN_S: Final = 60.0
"""So often one address may begin, and come back: a whole shift may be behind one."""

USED_UP: Final = "This sign-in was used already, took too long, or began in another browser. Begin again."
UNUSABLE: Final = (
    "The sign-in by the identity provider is not set up as it has to be; the service's log says what is wrong."
)
BROKEN_OFF: Final = {
    "access_denied": "The identity provider did not let you in, or you broke it off.",
    "temporarily_unavailable": "The identity provider does not answer now.",
    "server_error": "The identity provider has a fault.",
}
"""RFC 6749 4.1.2.1. Its own words are not shown: anybody can write them into an address."""


class ByProvider:
    """See the module. From any thread."""

    def __init__(
        self, provider: Provider, desk: AccessDesk, store: AccessStore, clock: TimeSource, audit: Audit
    ) -> None:
        self.settings = provider.settings
        self.flows = Flows(clock)
        self._provider = provider
        self._desk = desk
        self._store = store
        self._clock = clock
        self._audit = audit
        self._outsiders = Outsiders(desk, store, provider.settings, clock, audit)
        self._pace = Pace(TIMES, WITHIN_S)
        self._lock = threading.Lock()
        self._intents: dict[str, tuple[Flow, Intent]] = {}
        """By user: at most one each."""

    def begin(self, after: str, session: str, address: str) -> tuple[str, str]:
        """(where to go, cookie) of a sign-in. Raises `AccessError`."""
        self._in_pace(f"begin {network(address)}")
        flow = self.flows.begin(after, session, fresh=self.settings.ask_anew)
        return self._address(flow), self.flows.cookie(flow)

    def begin_signing(self, visitor: Visitor, intent: Intent, after: str) -> tuple[str, str]:
        """(where to go, cookie) to confirm a signature. Raises `AccessError`."""
        assert visitor.session is not None
        self._in_pace(f"sign {visitor.id}")
        flow = self.flows.begin(after, visitor.session, signing=True)
        where = self._address(flow)
        with self._lock:
            self._intents[visitor.id] = flow, intent
        return where, self.flows.cookie(flow)

    def taken(self, cookie: str, state: str, address: str) -> Flow:
        """What the browser comes back with. Raises `AccessError`."""
        self._in_pace(f"back {network(address)}")
        try:
            return self.flows.take(cookie, state)
        except FlowError:
            raise AccessError(USED_UP) from None

    def signed_in(self, flow: Flow, answer: dict[str, str], address: str) -> str:
        """The secret of the session that the provider's answer leads to. Raises `AccessError`."""
        claims = self._claims(flow, answer, "sign-in-failed", "?", address)
        return self._outsiders.sign_in(claims, address, flow.session)

    def confirmed(self, flow: Flow, answer: dict[str, str], address: str) -> tuple[Visitor, Intent]:
        """Who confirmed what they are about to sign, by a sign-in of just now. Raises `AccessError`."""
        visitor = self._desk.visitor_of(flow.session)
        if visitor is None:
            raise AccessError("Your sign-in here has ended. Nothing was signed.")
        with self._lock:
            waiting = self._intents.pop(visitor.id, None)
        if waiting is None or waiting[0] != flow:
            raise AccessError(f"Nothing was signed: you began another signature after this one. {USED_UP}")
        claims = self._claims(flow, answer, "signature-failed", visitor.id, address)
        row = self._store.user(visitor.id)
        if row is None or row.outside != outside_of(claims):
            self._desk.failed("signature-failed", visitor.id, address, f"another user confirmed; {BY}")
            raise AccessError("Somebody else signed in at the identity provider. Nothing was signed.")
        if self._outsiders.current(claims, address).role != visitor.role:
            raise AccessError("Your role is another now. Nothing was signed. Sign in again.")
        self._audit(visitor.id, "signature-confirmed", waiting[1].subject, f"signed in anew {BY}; from {address}")
        return visitor, waiting[1]

    def _address(self, flow: Flow) -> str:
        words = [self.flows.word(flow, what) for what in ("state", "nonce", "verifier")]
        try:
            return self._provider.address(*words, fresh=flow.fresh)
        except IdentityError as error:
            raise self._told(error) from None

    def _claims(self, flow: Flow, answer: dict[str, str], action: str, user: str, address: str) -> dict[str, Any]:
        fault = answer.get("error")
        try:
            # RFC 9207 2.4: also of an answer that says no.
            self._provider.check_issuer(answer.get("iss"))
            if fault is not None:
                raise AccessError(BROKEN_OFF.get(fault, UNUSABLE))
            expected = Expected(
                self.settings.issuer,
                self.settings.client_id,
                self.flows.word(flow, "nonce"),
                flow.began_us / SECOND_US,
                flow.fresh,
            )
            verifier = self.flows.word(flow, "verifier")
            return self._provider.claims(answer.get("code", ""), verifier, answer.get("iss"), expected)
        except TokenRefusedError as error:
            self._desk.failed(action, user, address, f"{error.check}; {BY}")
            raise self._told(error) from None
        except IdentityError as error:
            raise self._told(error) from None

    def _told(self, error: IdentityError) -> AccessError:
        _log.warning("sign-in by the identity provider", extra={"problem": str(error)})
        if isinstance(error, ProviderAwayError):
            return AwayError(
                "The identity provider does not answer now. Try again in a minute; users with a password of this "
                "console sign in as always."
            )
        if isinstance(error, TokenRefusedError):
            text = str(error)
            return AccessError(f"{text[:1].upper()}{text[1:]}. Begin again; if it stays so, tell your administrator.")
        return AwayError(UNUSABLE)

    def _in_pace(self, name: str) -> None:
        wait_s = self._pace.wait_s(name, self._clock.monotonic_s())
        if wait_s > 0:
            raise AccessError(f"Too many tries from here. Try again in {int(wait_s) + 1} s.", wait_s)
