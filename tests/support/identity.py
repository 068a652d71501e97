"""A small identity provider over HTTP: discovery, sign-in page, codes with PKCE, tokens signed with real keys.

It does what OpenID Connect asks of it until it is told to misbehave: `metadata` and `answers` change what it says,
`twist` what stands in a token, `forge` the token as a whole. It asks for a name and no password.
"""

from __future__ import annotations

import html
import secrets
import ssl
import threading
import time
from base64 import b64decode, urlsafe_b64encode
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import lru_cache
from hashlib import sha256
from http.cookies import SimpleCookie
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from json import dumps, loads
from typing import Any
from urllib.parse import parse_qs, unquote_plus, urlencode, urlsplit

import jwt
from cryptography.hazmat.primitives.asymmetric import ec, rsa
from jwt.algorithms import ECAlgorithm, RSAAlgorithm

from support.certificates import Certificates

CLIENT, SECRET = "motewatch", "a secret: of 100 %"
PATH = "/house"
Claims = dict[str, Any]


@lru_cache
def rsa_key(name: str = "rsa", bits: int = 2048) -> rsa.RSAPrivateKey:
    """The same key for the same name."""
    return rsa.generate_private_key(public_exponent=65537, key_size=bits)


@lru_cache
def ec_key(name: str = "ec") -> ec.EllipticCurvePrivateKey:
    """The same key for the same name."""
    return ec.generate_private_key(ec.SECP256R1())


def public_jwk(key: rsa.RSAPrivateKey | ec.EllipticCurvePrivateKey, kid: str, **more: Any) -> dict[str, Any]:
    """The public half as a provider publishes it."""
    if isinstance(key, rsa.RSAPrivateKey):
        made = loads(RSAAlgorithm.to_jwk(key.public_key()))
    else:
        made = loads(ECAlgorithm.to_jwk(key.public_key()))
    made.pop("key_ops", None)
    return {**made, "kid": kid, "use": "sig", **more}


def segment(data: bytes | dict[str, Any]) -> str:
    """A part of a token."""
    return urlsafe_b64encode(data if isinstance(data, bytes) else dumps(data).encode()).rstrip(b"=").decode()


@dataclass(frozen=True)
class Member:
    """Somebody whom the provider knows."""

    sub: str
    user: str
    name: str
    groups: tuple[str, ...]


@dataclass
class Code:
    """What was asked for where a code was given."""

    asked: dict[str, str]
    member: Member
    auth_time: int
    used: bool = False


@dataclass
class IdentityProvider:
    """See the module. Use as a context."""

    host: str = "localhost"
    certificates: Certificates | None = None
    """Speaks HTTPS with these."""
    secret: str | None = SECRET
    members: dict[str, Member] = field(default_factory=dict)
    metadata: dict[str, Any] = field(default_factory=dict)
    """Put over the discovery document."""
    answers: dict[str, Callable[[BaseHTTPRequestHandler], None]] = field(default_factory=dict)
    """What answers instead, by the last part of the path."""
    twist: Callable[[Claims], Claims] = dict
    forge: Callable[[Claims], str] | None = None
    keys: list[dict[str, Any]] = field(default_factory=list)
    signing: str = "ec"
    """`ec` or `rsa`."""
    stale_by_s: int = 0
    """It forgets to ask anew, and says that somebody signed in so long ago."""
    iss_in_answer: bool = True
    codes: dict[str, Code] = field(default_factory=dict)
    sessions: dict[str, tuple[Member, int]] = field(default_factory=dict)
    requests: list[str] = field(default_factory=list)
    refused: list[str] = field(default_factory=list)
    """What it refused at its token endpoint."""

    def __post_init__(self) -> None:
        self.keys = self.keys or [public_jwk(ec_key(), "ec"), public_jwk(rsa_key(), "rsa")]
        outer = self

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def do_GET(self) -> None:
                outer.serve(self)

            do_POST = do_GET

            def log_message(self, *_: Any) -> None:
                return None

        class Server(ThreadingHTTPServer):
            daemon_threads = True

            def handle_error(self, request: Any, client_address: Any) -> None:
                """Who leaves early is no news."""

        self._server = Server(("127.0.0.1", 0), Handler)
        self.port: int = self._server.server_address[1]
        if self.certificates is not None:
            context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
            context.load_cert_chain(self.certificates.server, self.certificates.key)
            # The handshake belongs to each client's own thread.
            self._server.socket = context.wrap_socket(
                self._server.socket, server_side=True, do_handshake_on_connect=False
            )
        self.base = f"{'http' if self.certificates is None else 'https'}://{self.host}:{self.port}"
        self.issuer = f"{self.base}{PATH}"
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.05,), daemon=True)
        self.over = threading.Event()

    def __enter__(self) -> IdentityProvider:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()

    def stop(self) -> None:
        """Be away from now on."""
        if not self.over.is_set():
            self.over.set()
            self._server.shutdown()
            self._server.server_close()
            self._thread.join(10)

    def member(self, user: str, *groups: str, sub: str = "", name: str = "") -> Member:
        """Somebody of this name, with these groups from now on."""
        self.members[user] = made = Member(sub or f"sub-of-{user}", user, name or user.title(), groups)
        return made

    def serve(self, handler: BaseHTTPRequestHandler) -> None:
        """One request."""
        parts = urlsplit(handler.path)
        asked = {key: values[0] for key, values in parse_qs(parts.query, keep_blank_values=True).items()}
        body = handler.rfile.read(int(handler.headers.get("Content-Length") or 0)).decode()
        form = {key: values[0] for key, values in parse_qs(body, keep_blank_values=True).items()}
        what = parts.path.removeprefix(f"{PATH}/").rpartition("/")[2]
        self.requests.append(f"{handler.command} {what}")
        if what in self.answers:
            self.answers[what](handler)
        elif what == "openid-configuration":
            reply(handler, 200, self.document())
        elif what == "jwks":
            reply(handler, 200, {"keys": self.keys})
        elif what == "authorize":
            self._authorize(handler, asked)
        elif what == "enter":
            self._enter(handler, form)
        elif what == "token":
            status, said = self._token(handler, form)
            reply(handler, status, said)
        else:
            reply(handler, 404, {})

    def document(self) -> dict[str, Any]:
        """The discovery document."""
        return {
            "issuer": self.issuer,
            "authorization_endpoint": f"{self.issuer}/authorize",
            "token_endpoint": f"{self.issuer}/token",
            "jwks_uri": f"{self.issuer}/jwks",
            "response_types_supported": ["code"],
            "code_challenge_methods_supported": ["S256"],
            "authorization_response_iss_parameter_supported": self.iss_in_answer,
            **self.metadata,
        }

    def _authorize(self, handler: BaseHTTPRequestHandler, asked: dict[str, str]) -> None:
        cookie = SimpleCookie(handler.headers.get("Cookie", "")).get("house")
        known = None if cookie is None else self.sessions.get(cookie.value)
        if known is not None and "prompt" not in asked:
            redirect(handler, self.back(asked, known[0].user, known[1]))
            return
        fields = "".join(
            f'<input type="hidden" name="{html.escape(key)}" value="{html.escape(value)}">'
            for key, value in asked.items()
        )
        page = (
            "<!DOCTYPE html><html lang='en'><link rel='icon' href='data:,'><title>House</title><h1>House account</h1>"
            f"<form method='post' action='{PATH}/enter'>{fields}<label>Name <input id='who' name='who'></label>"
            "<button id='enter'>Enter</button></form></html>"
        )
        reply(handler, 200, page.encode(), "text/html; charset=utf-8")

    def _enter(self, handler: BaseHTTPRequestHandler, form: dict[str, str]) -> None:
        who = form.pop("who")
        now_s = int(time.time())
        key = secrets.token_hex(8)
        self.sessions[key] = (self.members[who], now_s)
        redirect(handler, self.back(form, who, now_s), {"Set-Cookie": f"house={key}; Path=/; HttpOnly"})

    def back(self, asked: dict[str, str], who: str, auth_time: int | None = None) -> str:
        """Where somebody who has signed in is sent to: with a code for what was asked."""
        code = secrets.token_urlsafe(16)
        when = int(time.time()) if auth_time is None else auth_time
        self.codes[code] = Code(asked, self.members[who], when - self.stale_by_s)
        answer = {"code": code, "state": asked["state"]}
        if self.iss_in_answer:
            answer["iss"] = self.issuer
        return f"{asked['redirect_uri']}?{urlencode(answer)}"

    def _token(self, handler: BaseHTTPRequestHandler, form: dict[str, str]) -> tuple[int, dict[str, Any]]:
        code = self.codes.get(form.get("code", ""))
        asked = {} if code is None else code.asked
        wrong = ""
        if not self._client(handler, form):
            wrong = "invalid_client"
        elif code is None or code.used or form.get("redirect_uri") != asked.get("redirect_uri"):
            wrong = "invalid_grant"
        else:
            # RFC 7636 4.6.
            verifier = form.get("code_verifier", "")
            challenge = urlsafe_b64encode(sha256(verifier.encode()).digest()).rstrip(b"=").decode()
            if not 43 <= len(verifier) <= 128 or challenge != asked.get("code_challenge"):
                wrong = "invalid_grant"
        if wrong or code is None:
            self.refused.append(wrong)
            return (401 if wrong == "invalid_client" else 400), {"error": wrong}
        code.used = True
        claims = self.twist(self.claims(code))
        token = self.forge(claims) if self.forge is not None else self.signed(claims)
        return 200, {"access_token": "opaque-token-of-no-use", "token_type": "Bearer", "id_token": token}

    def _client(self, handler: BaseHTTPRequestHandler, form: dict[str, str]) -> bool:
        kind, _, given = handler.headers.get("Authorization", "").partition(" ")
        if self.secret is None:
            return not kind and form.get("client_id") == CLIENT
        if kind == "Basic":
            name, _, secret = b64decode(given).decode().partition(":")
            return (unquote_plus(name), unquote_plus(secret)) == (CLIENT, self.secret)
        return (form.get("client_id"), form.get("client_secret")) == (CLIENT, self.secret)

    def claims(self, code: Code) -> Claims:
        """What it says of somebody."""
        now_s = int(time.time())
        member = code.member
        return {
            "iss": self.issuer,
            "aud": CLIENT,
            "sub": member.sub,
            "iat": now_s,
            "exp": now_s + 300,
            "auth_time": code.auth_time,
            "nonce": code.asked["nonce"],
            "preferred_username": member.user,
            "name": member.name,
            "groups": list(member.groups),
        }

    def signed(self, claims: Claims, **header: Any) -> str:
        """The claims as a token, signed as told by `signing`."""
        key, algorithm = (ec_key(), "ES256") if self.signing == "ec" else (rsa_key(), "RS256")
        return jwt.encode(claims, key, algorithm, headers={"kid": self.signing, **header})

    def sign_in(self, address: str, who: str) -> str:
        """What a browser does with this address, up to the address that it is sent back to."""
        asked = {key: values[0] for key, values in parse_qs(urlsplit(address).query).items()}
        return self.back(asked, who)


def reply(handler: BaseHTTPRequestHandler, status: int, said: bytes | dict[str, Any], kind: str = "") -> None:
    """A whole answer."""
    body = said if isinstance(said, bytes) else dumps(said).encode()
    handler.send_response(status)
    handler.send_header("Content-Type", kind or "application/json")
    handler.send_header("Content-Length", str(len(body)))
    handler.end_headers()
    handler.wfile.write(body)


def redirect(handler: BaseHTTPRequestHandler, where: str, headers: dict[str, str] | None = None) -> None:
    """An answer that sends elsewhere."""
    handler.send_response(303)
    for name, value in {"Location": where, "Content-Length": "0", **(headers or {})}.items():
        handler.send_header(name, value)
    handler.end_headers()
