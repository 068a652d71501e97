"""What the checks ask of hosts and URLs."""

from __future__ import annotations

from urllib.parse import SplitResult, urlsplit


def on_this_machine(host: str | None) -> bool:
    """Is it a name of this machine alone, so that nothing sent there crosses a network?"""
    return host in ("localhost", "::1") or (host or "").startswith("127.")


def url_parts(url: str) -> SplitResult | None:
    """The parts of a URL that names a host and a possible port; else None."""
    try:
        parts = urlsplit(url)
        _ = parts.port
    except ValueError:
        return None
    return parts if parts.hostname else None
