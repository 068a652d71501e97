"""The HTTP client of what goes out by itself: calls by webhook and the dead-man signal.

Rules: certificates are checked; redirects are not followed, since what is sent was meant for one receiver; proxies of
the environment are used, but not towards this machine; nothing is kept open for later, and nothing logged, because
URLs hold secrets. The time-outs are for one operation each: whoever uses it watches the whole.
"""

from __future__ import annotations

import ssl
from collections.abc import Mapping
from typing import Final

import httpx

from motewatch.links.quiet_libraries import quieten

_HERE: Final[Mapping[str, httpx.BaseTransport | None]] = dict.fromkeys(
    ("all://localhost", "all://127.0.0.1", "all://[::1]")
)


def client(tls: ssl.SSLContext, timeout: httpx.Timeout | float) -> httpx.Client:
    """To be closed after one request."""
    quieten()
    return httpx.Client(verify=tls, timeout=timeout, follow_redirects=False, mounts=_HERE)
