"""The identity provider of a site: where to send people, and who comes back. OpenID Connect by authorization code.

Where each thing is asked for: OIDC is OpenID Connect Core 1.0, DISCOVERY OpenID Connect Discovery 1.0, BCP RFC 9700.
Always with PKCE (RFC 7636, S256) and nonce, whether the provider checks them or not.

Rules: what it publishes is kept for `KEPT_S`; keys are asked for again when a token names one that we do not have, at
most once in `KEYS_EVERY_S`, and after a failure nothing is asked for `FAILED_S`: who tries to sign in cannot make us
flood the provider. At most `AT_ONCE` threads are held by it. The access token is thrown away. Must not know users.
"""

from __future__ import annotations

import re
import ssl
import threading
from base64 import b64encode, urlsafe_b64encode
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from hashlib import sha256
from typing import Any, Final
from urllib.parse import quote_plus, urlencode, urlsplit

from motewatch.links.clock import TimeSource
from motewatch.links.identity import IdentityError, ProviderAwayError, ProviderRefusedError, TokenRefusedError
from motewatch.links.identity.fetching import DEADLINE_S, Fetching
from motewatch.links.identity.id_token import Expected, Jwk, UnknownKeyError, claims_of
from motewatch.links.secrets import Secret
from motewatch.site.hosts import on_this_machine, url_parts
from motewatch.site.oidc import Oidc
from motewatch.wire.records import SECOND_US

KEPT_S: Final = 3_600.0
KEYS_EVERY_S: Final = 30.0
FAILED_S: Final = 3.0
AT_ONCE: Final = 8
TURN_S: Final = 1.0
"""So long one waits for a turn."""
KEYS_MAX: Final = 100
CODE_MAX: Final = 4_096

METADATA: Final = "/.well-known/openid-configuration"


@dataclass(frozen=True, slots=True)
class Metadata:
    """What of the discovery document is used."""

    authorize: str
    token: str
    keys: str
    names_itself: bool
    """RFC 9207: its answers carry `iss`."""
    by_form: bool
    """It takes the client's secret in the form only."""


class Provider:
    """See the module. From any thread."""

    def __init__(
        self,
        settings: Oidc,
        back: str,
        secret: Secret | None,
        tls: ssl.SSLContext,
        clock: TimeSource,
        deadline_s: float = DEADLINE_S,
    ) -> None:
        """`back`: where the provider sends people back to."""
        self.settings = settings
        self._back = back
        self._secret = secret
        self._clock = clock
        self._fetching = Fetching(tls, clock, deadline_s)
        self._turn = threading.BoundedSemaphore(AT_ONCE)
        self._lock = threading.Lock()
        self._metadata: tuple[float, Metadata] | None = None
        self._keys: tuple[float, tuple[Jwk, ...]] | None = None
        self._failed: tuple[float, IdentityError] | None = None

    def address(self, state: str, nonce: str, verifier: str, *, fresh: bool) -> str:
        """Where to send somebody to sign in; `fresh`: anew, whoever is signed in there. Raises `IdentityError`."""
        with self._in_turn():
            where = self._known().authorize
        # OIDC 3.1.2.1; RFC 7636 4.3; RFC 6749 3.1: the endpoint may have a query of its own.
        asked = {
            "response_type": "code",
            "client_id": self.settings.client_id,
            "redirect_uri": self._back,
            "scope": " ".join(dict.fromkeys(["openid", *self.settings.scopes])),
            "state": state,
            "nonce": nonce,
            "code_challenge": challenge_of(verifier),
            "code_challenge_method": "S256",
        }
        if fresh:
            asked |= {"prompt": "login", "max_age": "0"}
        return f"{where}{'&' if urlsplit(where).query else '?'}{urlencode(asked)}"

    def claims(self, code: str, verifier: str, issuer: str | None, expected: Expected) -> dict[str, Any]:
        """Who came back with this code; `issuer`: the answer's own word on whose it is. Raises `IdentityError`."""
        with self._in_turn():
            known = self._known()
            self.check_issuer(issuer)
            token = self._redeem(known, code, verifier)
            now_s = self._clock.now_us() / SECOND_US
            try:
                return claims_of(token, self._published(known, again=False), expected, now_s)
            except UnknownKeyError:
                return claims_of(token, self._published(known, again=True), expected, now_s)

    def check_issuer(self, issuer: str | None) -> None:
        """RFC 9207 2.4, BCP 4.4: an answer of another provider, or of none where ours says who it is, is not taken."""
        known = self._metadata
        wanted = known is not None and known[1].names_itself
        if issuer != self.settings.issuer and (issuer is not None or wanted):
            raise TokenRefusedError("the answer is not from our provider")

    @contextmanager
    def _in_turn(self) -> Iterator[None]:
        if not self._turn.acquire(timeout=TURN_S):
            raise ProviderAwayError("many sign in at this moment")
        try:
            yield
        finally:
            self._turn.release()

    def _known(self) -> Metadata:
        """The discovery document, asked for by one at a time."""
        with self._lock:
            now_s = self._clock.monotonic_s()
            if self._metadata is not None and now_s - self._metadata[0] < KEPT_S:
                return self._metadata[1]
            if self._failed is not None and now_s - self._failed[0] < FAILED_S:
                raise type(self._failed[1])(str(self._failed[1])) from None
            try:
                found = self._discovered(self._fetching.get(f"{self.settings.issuer.rstrip('/')}{METADATA}"))
            except (ProviderAwayError, ProviderRefusedError) as error:
                self._failed = (self._clock.monotonic_s(), error)
                raise
            self._failed, self._metadata = None, (self._clock.monotonic_s(), found)
            return found

    def _discovered(self, said: dict[str, Any]) -> Metadata:
        """DISCOVERY 3, 4.3; RFC 8414 2."""
        # DISCOVERY 4.3, BCP 4.4: exactly, or somebody else's document would be taken for ours.
        if said.get("issuer") != self.settings.issuer:
            raise ProviderRefusedError("the identity provider says that it is another than console.oidc.issuer names")
        methods = said.get("code_challenge_methods_supported")
        # BCP 2.1.1. Many say nothing of it; the nonce then guards against a code that was slipped in.
        if isinstance(methods, list) and "S256" not in methods:
            raise ProviderRefusedError("the identity provider does not offer PKCE with S256")
        ways = said.get("token_endpoint_auth_methods_supported", ["client_secret_basic"])
        by_form = isinstance(ways, list) and "client_secret_basic" not in ways and "client_secret_post" in ways
        authorize, token, keys = (
            self._endpoint(said, name) for name in ("authorization_endpoint", "token_endpoint", "jwks_uri")
        )
        names_itself = said.get("authorization_response_iss_parameter_supported") is True
        return Metadata(authorize, token, keys, names_itself, by_form)

    def _endpoint(self, said: dict[str, Any], name: str) -> str:
        url = said.get(name)
        parts = url_parts(url) if isinstance(url, str) and re.fullmatch(r"[\x21-\x7e]{1,2000}", url) else None
        # BCP 2.6: TLS all the way. Without it only where the provider itself is on this machine (a trial).
        here = self.settings.issuer.startswith("http:")
        if parts is None or parts.username is not None or parts.fragment:
            raise ProviderRefusedError(f"the identity provider gives no usable {name}")
        if parts.scheme != "https" and not (here and parts.scheme == "http" and on_this_machine(parts.hostname)):
            raise ProviderRefusedError(f"the identity provider's {name} is without TLS")
        return str(url)

    def _redeem(self, known: Metadata, code: str, verifier: str) -> str:
        """OIDC 3.1.3.1; RFC 6749 4.1.3; RFC 7636 4.5: the id token for a code."""
        if not 1 <= len(code) <= CODE_MAX or not code.isprintable():
            raise TokenRefusedError("code")
        form = {"grant_type": "authorization_code", "code": code, "redirect_uri": self._back, "code_verifier": verifier}
        headers = {}
        client_id = self.settings.client_id
        if self._secret is None or known.by_form:
            form["client_id"] = client_id
        if self._secret is not None:
            if known.by_form:
                form["client_secret"] = self._secret.reveal()
            else:
                # RFC 6749 2.3.1: percent-encoded first.
                pair = f"{quote_plus(client_id)}:{quote_plus(self._secret.reveal())}"
                headers["Authorization"] = f"Basic {b64encode(pair.encode()).decode()}"
        status, said = self._fetching.post(known.token, form, headers)
        if status != 200 or said is None:
            raise ProviderRefusedError(_refusal(status, said))
        token = said.get("id_token")
        if not isinstance(token, str):
            raise ProviderRefusedError("the identity provider gave no id token")
        return token

    def _published(self, known: Metadata, *, again: bool) -> Sequence[Jwk]:
        """OIDC 10.1.1: its keys; `again`: they may have been renewed."""
        with self._lock:
            now_s = self._clock.monotonic_s()
            if self._keys is not None and now_s - self._keys[0] < (KEYS_EVERY_S if again else KEPT_S):
                return self._keys[1]
            said = self._fetching.get(known.keys).get("keys")
            if not isinstance(said, list):
                raise ProviderRefusedError("the identity provider publishes no keys")
            found = tuple(each for each in said[:KEYS_MAX] if isinstance(each, dict))
            self._keys = (self._clock.monotonic_s(), found)
            return found


def challenge_of(verifier: str) -> str:
    """RFC 7636 4.2."""
    return urlsafe_b64encode(sha256(verifier.encode("ascii")).digest()).rstrip(b"=").decode()


def _refusal(status: int, said: dict[str, Any] | None) -> str:
    """RFC 6749 5.2: its word for why, where it is one."""
    word = None if said is None else said.get("error")
    if not isinstance(word, str) or not re.fullmatch(r"[a-z_]{1,40}", word):
        return f"the identity provider answered {status}"
    mend = "; check client_id and client_secret_file" if word == "invalid_client" else ""
    return f"the identity provider did not take the code ({word}){mend}"
