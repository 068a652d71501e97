"""Puts the headers of a careful page on every answer, the error pages included.

The policy of a page that is one file lets it show its own style sheet (by its hash) and post to where it came from, and
nothing else: no script, no frame, no request to anywhere. Nothing is kept by a browser unless the answer says so.
Must not know what is shown.
"""

from __future__ import annotations

from base64 import b64encode
from hashlib import sha256

from starlette.datastructures import MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send


class Hardened:
    """An ASGI application around another. `style` is the text of the one style sheet."""

    def __init__(self, app: ASGIApp, style: str, *, https: bool, policy: str | None = None) -> None:
        """`policy`: another one, for pages of several files."""
        self._app = app
        digest = b64encode(sha256(style.encode()).digest()).decode()
        self._headers = {
            "Content-Security-Policy": policy
            or (
                f"default-src 'none'; style-src 'sha256-{digest}'; img-src data:; form-action 'self'; "
                "base-uri 'none'; frame-ancestors 'none'"
            ),
            # Without any, a browser sends `Origin: null` with a form, and nobody could tell ours from others'.
            "Referrer-Policy": "no-referrer" if policy is None else "same-origin",
            "X-Content-Type-Options": "nosniff",
            "X-Frame-Options": "DENY",
            "X-Robots-Tag": "noindex, nofollow, noarchive",
            "Cross-Origin-Opener-Policy": "same-origin",
            "Cross-Origin-Resource-Policy": "same-origin",
            "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
        }
        if https:
            self._headers["Strict-Transport-Security"] = "max-age=31536000"

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer as the application does, with the headers."""

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in self._headers.items():
                    headers[name] = value
                headers.setdefault("Cache-Control", "no-store")
            await send(message)

        await self._app(scope, receive, with_headers)
