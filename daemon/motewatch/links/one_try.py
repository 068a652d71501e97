"""One try of one call over one channel, over when its time is: for whoever decides when to try and what follows.

Rules: only `ChannelError`s and `StopWaitingError` come out of it, whatever the channel or its library does; no text of
a foreign error is kept, because it may hold what was sent, or an address with a password in it.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from typing import Final

from motewatch.links.attempts import Attempts, LeftBehindError, StopWaitingError, TooManyHangError
from motewatch.links.call_message import CallMessage
from motewatch.links.channels import Channel
from motewatch.links.errors import ChannelAwayError, ChannelError
from motewatch.site.people import ChannelBase

log = logging.getLogger(__name__)

SPARE_S: Final = 1.0
"""A channel keeps its deadline by itself and tells why; only what does not is left behind, so much later."""


def one_try(
    channel: Channel, settings: ChannelBase, message: CallMessage, attempts: Attempts, give_way: Callable[[], bool]
) -> None:
    """Send the call. Raises `ChannelError`, or `StopWaitingError` as soon as `give_way` says so."""
    timeout_s = settings.timeout_s
    try:
        attempts.run(lambda: channel.send(message, timeout_s), timeout_s + SPARE_S, give_way)
    except (ChannelError, StopWaitingError):
        raise
    except LeftBehindError:
        raise ChannelAwayError(f"no end within {timeout_s:g} s", may_have_arrived=True) from None
    except TooManyHangError as error:
        raise ChannelAwayError(f"{error.hanging} earlier tries have not ended yet") from None
    except Exception as error:
        log.error("channel '%s' has a defect: %s", settings.id, type(error).__name__)
        raise ChannelAwayError(f"a defect: {type(error).__name__}", may_have_arrived=True) from None
