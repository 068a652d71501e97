"""Is an id token the provider's, for us, for this sign-in, and of now? The checks, one after the other.

Each check names where it is asked for: OIDC is OpenID Connect Core 1.0, BCP RFC 9700 (OAuth 2.0 Security), JWT BCP
RFC 8725. The steps of OIDC 3.1.3.7 were compared with the text; other sections and RFC 9700's are from memory.

Rules: signatures of public keys only, by an own list: never `none`, and never HS*, for which our list holds no key; the
key decides with the list, not the token. Times are compared with the clock that is handed in. Must not know the
network.
"""

from __future__ import annotations

import math
import secrets
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import jwt
from cryptography.hazmat.primitives.asymmetric.rsa import RSAPublicKey

from motewatch.links.identity import TokenRefusedError
from motewatch.links.identity.fetching import json_object

ALGORITHMS: Final[Mapping[str, tuple[str, str | None]]] = {
    **dict.fromkeys(("RS256", "RS384", "RS512", "PS256", "PS384", "PS512"), ("RSA", None)),
    "ES256": ("EC", "P-256"),
    "ES384": ("EC", "P-384"),
    "ES512": ("EC", "P-521"),
    "EdDSA": ("OKP", "Ed25519"),
}
"""What is taken: the signature, and the kind and curve of the key that it goes with (RFC 7518 3.1, RFC 8037)."""

LEEWAY_S: Final = 60.0
"""So far may the provider's clock be from ours."""
LONGEST: Final = 64 * 1024
FARTHEST_S: Final = 1e12
RSA_BITS: Final = 2048
"""RFC 7518 3.3."""
SUBJECT_MAX: Final = 255
"""OIDC 2 (sub): 255 ASCII characters."""

Jwk = Mapping[str, Any]


class UnknownKeyError(TokenRefusedError):
    """Signed with a key that is not among those that we have: they may have been renewed."""


@dataclass(frozen=True, slots=True)
class Expected:
    """What the token has to say. `began_s`: when this sign-in began here, since 1970. `fresh`: sign in anew for it."""

    issuer: str
    client_id: str
    nonce: str
    began_s: float
    fresh: bool


def claims_of(token: str, keys: Sequence[Jwk], expected: Expected, now_s: float) -> dict[str, Any]:
    """The claims of the token, once everything holds. Raises `TokenRefusedError`."""
    claims = _signed(token, keys)
    _check(claims, expected, now_s)
    return claims


def _signed(token: str, keys: Sequence[Jwk]) -> dict[str, Any]:
    """OIDC 3.1.3.7 (6, 7), 3.1.3.2: the signature holds, by a key that the provider publishes."""
    if len(token) > LONGEST:
        raise TokenRefusedError("too long")
    try:
        header = jwt.get_unverified_header(token)
    except (jwt.PyJWTError, ValueError):
        raise TokenRefusedError("no signed token") from None
    algorithm = header.get("alg")
    # JWT BCP 3.1, 3.2: our list, not the token, says what is taken.
    if not isinstance(algorithm, str) or algorithm not in ALGORITHMS:
        raise TokenRefusedError("signature of a kind that is not taken")
    # RFC 7515 4.1.11: we know no extension, so none may be critical.
    if "crit" in header:
        raise TokenRefusedError("an extension that is not known")
    key = _key(keys, algorithm, header.get("kid"))
    try:
        signed = jwt.PyJWS(algorithms=[algorithm]).decode_complete(token, key, algorithms=[algorithm])
    except (jwt.PyJWTError, ValueError, TypeError):
        raise TokenRefusedError("signature") from None
    claims = json_object(signed["payload"])
    if claims is None:
        raise TokenRefusedError("no claims")
    return claims


def _key(keys: Sequence[Jwk], algorithm: str, kid: object) -> Any:
    """The one key that fits. OIDC 10.1: `kid` is needed where there are several."""
    kind, curve = ALGORITHMS[algorithm]
    fitting = [each for each in keys if _fits(each, kind, curve, algorithm)]
    if kid is not None:
        fitting = [each for each in fitting if each.get("kid") == kid]
    if len(fitting) != 1:
        raise UnknownKeyError("signed with a key that the provider does not show" if kid else "key not named")
    try:
        key = jwt.PyJWK(dict(fitting[0]), algorithm).key
    except (jwt.PyJWTError, ValueError, TypeError, KeyError):
        raise TokenRefusedError("a key that cannot be used") from None
    if isinstance(key, RSAPublicKey) and key.key_size < RSA_BITS:
        raise TokenRefusedError("a key that is too short")
    return key


def _fits(key: Jwk, kind: str, curve: str | None, algorithm: str) -> bool:
    """RFC 7517 4: of this kind, and for signatures of this algorithm where it says so. A private part is no key for us:
    who publishes one has lost it."""
    return (
        key.get("kty") == kind
        and (curve is None or key.get("crv") == curve)
        and key.get("use", "sig") == "sig"
        and key.get("alg", algorithm) == algorithm
        and "d" not in key
    )


def _check(claims: Mapping[str, Any], expected: Expected, now_s: float) -> None:
    # OIDC 3.1.3.7 (2), 2 (iss): exactly the issuer of the discovery.
    if claims.get("iss") != expected.issuer:
        raise TokenRefusedError("issuer")
    _audience(claims, expected.client_id)
    # OIDC 3.1.3.7 (9), 2 (exp): no later than this.
    if now_s >= _time(claims, "exp") + LEEWAY_S:
        raise TokenRefusedError("expired")
    # OIDC 2 (iat), 3.1.3.7 (10): made within this sign-in, so neither in the future nor before it began.
    made_s = _time(claims, "iat")
    if made_s > now_s + LEEWAY_S or made_s < expected.began_s - LEEWAY_S:
        raise TokenRefusedError("time it was made at")
    # RFC 7519 4.1.5.
    if "nbf" in claims and _time(claims, "nbf") > now_s + LEEWAY_S:
        raise TokenRefusedError("not valid yet")
    # OIDC 3.1.3.7 (11), 15.5.2, BCP 4.5.3: it answers this sign-in and no other.
    nonce = claims.get("nonce")
    if not isinstance(nonce, str) or not secrets.compare_digest(nonce.encode(), expected.nonce.encode()):
        raise TokenRefusedError("nonce")
    # OIDC 2 (sub).
    subject = claims.get("sub")
    if not isinstance(subject, str) or not 1 <= len(subject) <= SUBJECT_MAX or not subject.isascii():
        raise TokenRefusedError("subject")
    if not subject.isprintable():
        raise TokenRefusedError("subject")
    # OIDC 3.1.2.1 (prompt, max_age), 3.1.3.7 (13): with max_age the time of the sign-in is told, and it is after ours.
    # Whole seconds, and no leeway: a minute would let an old sign-in through, and typing takes longer than clocks
    # that are kept differ.
    if expected.fresh and _time(claims, "auth_time") < math.floor(expected.began_s):
        raise TokenRefusedError("not signed in anew; or the clocks of both machines differ")


def _audience(claims: Mapping[str, Any], client_id: str) -> None:
    """OIDC 3.1.3.7 (3, 4, 5): for us. Step 3 would refuse any further audience that is not trusted; some providers
    always name one of their own, so here the token is taken where `azp` says that it was made for us."""
    found = claims.get("aud")
    audience = [found] if isinstance(found, str) else found
    if not isinstance(audience, list) or client_id not in audience:
        raise TokenRefusedError("audience")
    if "azp" in claims and claims["azp"] != client_id:
        raise TokenRefusedError("authorised party")
    if len(audience) > 1 and "azp" not in claims:
        raise TokenRefusedError("authorised party")


def _time(claims: Mapping[str, Any], name: str) -> float:
    found = claims.get(name)
    # Bounded, so that it can be compared: no infinity, no number of a thousand digits.
    if isinstance(found, bool) or not isinstance(found, int | float) or not -FARTHEST_S < found < FARTHEST_S:
        raise TokenRefusedError(f"{name} is missing")
    return float(found)
