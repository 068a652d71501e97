"""Roles, and what each may do. Pure.

Rules: an administrator manages access and does not act on alarms: whoever gives rights has no part in the record that
they are about (common practice, no source). Everybody who signs in may look.
"""

from __future__ import annotations

from enum import StrEnum
from typing import Final


class Role(StrEnum):
    """What a user is."""

    VIEWER = "viewer"
    OPERATOR = "operator"
    QUALITY = "quality"
    ADMINISTRATOR = "administrator"


class May(StrEnum):
    """What can be allowed."""

    LOOK = "look"
    ACKNOWLEDGE = "acknowledge"
    OPERATE = "operate"
    """Shelve, reset, take out of service, state a room's occupancy, say where a portable counter stands, test a way."""
    NOTE = "note"
    SIGN = "sign"
    MANAGE = "manage"


RIGHTS: Final[dict[Role, frozenset[May]]] = {
    Role.VIEWER: frozenset({May.LOOK}),
    Role.OPERATOR: frozenset({May.LOOK, May.ACKNOWLEDGE, May.OPERATE, May.NOTE}),
    Role.QUALITY: frozenset({May.LOOK, May.ACKNOWLEDGE, May.OPERATE, May.NOTE, May.SIGN}),
    Role.ADMINISTRATOR: frozenset({May.LOOK, May.MANAGE}),
}

SCOPES: Final[dict[str, frozenset[May]]] = {
    "read": frozenset({May.LOOK}),
    "acknowledge": frozenset({May.LOOK, May.ACKNOWLEDGE}),
    "operate": frozenset({May.LOOK, May.ACKNOWLEDGE, May.OPERATE, May.NOTE}),
    "manage": frozenset({May.LOOK, May.MANAGE}),
}
"""What a token of the HTTP API may do at most; never more than its user. None signs: a signature takes a person."""
