"""The console's table `oidc` of the site file: sign-in by an outside identity provider (OpenID Connect)."""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated

from pydantic import Field, StringConstraints

from motewatch.site.basics import URL_PATTERN, Flag, Label, Table

SCOPE_PATTERN = r"^[\x21\x23-\x5b\x5d-\x7e]+$"
"""RFC 6749 3.3."""

Scope = Annotated[str, StringConstraints(pattern=SCOPE_PATTERN, max_length=100)]


class OutsideRole(StrEnum):
    """What a group of the provider can be here: the roles of the console."""

    VIEWER = "viewer"
    OPERATOR = "operator"
    QUALITY = "quality"
    ADMINISTRATOR = "administrator"


class OwnSignIn(StrEnum):
    """Who signs in with a password of this console."""

    EVERYONE = "everyone"
    ADMINISTRATORS = "administrators"


class GroupRole(Table):
    """The role of one group."""

    group: Label
    """As the provider writes it, to the letter."""
    role: OutsideRole


class Oidc(Table):
    """Sign-in by an outside identity provider. Absent: there are only users of our own."""

    issuer: Annotated[str, StringConstraints(pattern=URL_PATTERN, max_length=500)]
    """The provider's own name, exactly as in its discovery document, such as `https://id.example.org/house`."""
    client_id: Label
    """The name under which the provider knows this console."""
    client_secret_file: Label | None = None
    """File or `credential:NAME` with the client's secret. Absent: a public client, kept safe by PKCE alone."""
    label: Label = "the company account"
    """On the button: `Sign in with the company account`."""
    user_claim: Label = "preferred_username"
    """The claim of the id token that becomes the user's id here, at the first sign-in."""
    groups_claim: Label = "groups"
    """The claim of the id token that lists the user's groups."""
    scopes: Annotated[list[Scope], Field(max_length=20, default_factory=lambda: ["profile"])]
    """Asked for besides `openid`; some providers tell groups only where a scope of that name is asked for."""
    roles: Annotated[list[GroupRole], Field(min_length=1, max_length=200)]
    """In this order: the first group that a user is in gives the role. Who is in none is refused."""
    ask_anew: Flag = True
    """The provider is to ask each time. False: whoever is signed in there comes in without being asked, also as the
    person who sat at a shared screen before."""
    own_sign_in: OwnSignIn = OwnSignIn.EVERYONE
    """Who may go on signing in with a password of this console. Administrators always may: the provider may be away."""
    ca_file: Label | None = None
    """PEM file of the authority of the provider's certificate. Absent: the authorities this machine trusts."""
