"""Keeps libraries quiet that write addresses with secrets in them, or what was sent, into the log.

An HTTP client logs the URL of every request; a notification library logs URLs, headers and payloads while debugging.
What became of a call is said by our own log lines, in words that hold no secret.
"""

from __future__ import annotations

import logging
from typing import Final

TALKERS: Final = ("apprise", "httpcore", "httpx", "requests", "urllib3")


def quieten() -> None:
    """Let these libraries, and all below them, log nothing, whatever the level of the root logger is."""
    for name in TALKERS:
        for known in (name, *(each for each in logging.root.manager.loggerDict if each.startswith(f"{name}."))):
            logger = logging.getLogger(known)
            logger.setLevel(logging.CRITICAL + 1)
            logger.propagate = False
            if not logger.handlers:
                # Else the handler of last resort would print it.
                logger.addHandler(logging.NullHandler())
