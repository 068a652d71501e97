"""One text for one configuration: what the journal keeps, the engine is configured with, and the digest names.

Canonical JSON: every key, defaults included, sorted; no spaces. Two site files that differ in comments, in order of
keys or in writing a default out have one text; any change that the daemon could notice changes it.
"""

from __future__ import annotations

import hashlib
import json

from motewatch.site.models import Site


def canonical_text(site: Site) -> str:
    """The site as canonical JSON. Holds no secrets, because a site has none: only the names of their files."""
    return json.dumps(site.model_dump(mode="json"), sort_keys=True, separators=(",", ":"), ensure_ascii=False)


def site_from_text(text: str) -> Site:
    """The site that `canonical_text` wrote. Raises pydantic's ValidationError for a text of other origin."""
    return Site.model_validate(json.loads(text))


def digest(text: str) -> str:
    """SHA-256 of a canonical text, in hexadecimal."""
    return hashlib.sha256(text.encode()).hexdigest()
