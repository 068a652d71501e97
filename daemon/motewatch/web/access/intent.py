"""What somebody is about to sign while they confirm it elsewhere, and what may come in between. Pure.

Apart from the sign-in by an identity provider itself, so that pages know of both without loading what only sites with a
provider need.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from motewatch.web.access.desk import AccessError

BACK: Final = "/sign-in/outside/back"
"""Where an identity provider sends people back to."""


class AwayError(AccessError):
    """It is not the visitor's fault: the provider is away, or set up wrongly."""


@dataclass(frozen=True, slots=True)
class Intent:
    """What somebody is about to sign."""

    subject: str
    sha256: str
    meaning: str
    comment: str
