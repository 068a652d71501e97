"""An outside identity provider, spoken to by OpenID Connect: who is it, and how do we know.

    IdentityError               the text is for the person who signs in: plain, without anything the provider sent
    +-- ProviderAwayError       it cannot be reached, is slow or busy, or says 'later': try again
    +-- ProviderRefusedError    it answers, but not as it has to: its settings and ours do not fit
    +-- TokenRefusedError       what it says of the person does not hold

Rules: no token, code or secret in any text or log line. Must not know users, roles or pages.
"""

from __future__ import annotations

from motewatch.links.errors import LinkError


class IdentityError(LinkError):
    """Base of all."""


class ProviderAwayError(IdentityError):
    """No answer now."""


class ProviderRefusedError(IdentityError):
    """An answer that cannot be used."""

    final = True


class TokenRefusedError(IdentityError):
    """An id token that does not hold. `check` is the one that failed, for the record."""

    final = True

    def __init__(self, check: str) -> None:
        self.check = check
        super().__init__(f"what the identity provider said of you does not hold ({check})")
