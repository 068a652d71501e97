"""Calls over whatever else the notification library reaches (SMS, voice, chat), by a URL with `{address}` in it.

Rules: one URL and one object of the library for each call: an object slows its own second message down for seconds,
and a refusal of one recipient must not repeat the call to another. The library says only whether a service took the
message, not why it did not, so each failure is worth another try until the channel gives up. Its work cannot be cut,
so it is done in a thread that is left behind at the deadline; where too many hang, no further one is begun. Services
that take short messages get the short form. The URL is a secret, and the library's log is kept quiet.
"""

from __future__ import annotations

import contextlib
from typing import Any, Final
from urllib.parse import quote

import apprise

from motewatch.links.attempts import Attempts, LeftBehindError, TooManyHangError
from motewatch.links.call_message import CallMessage
from motewatch.links.clock import TimeSource
from motewatch.links.errors import ChannelAwayError, ChannelRefusedError, LinkSettingsError
from motewatch.links.quiet_libraries import quieten
from motewatch.links.secrets import Secret
from motewatch.site import people

PLACE: Final = "{address}"
SHORT_BODY: Final = 500
"""A service that takes no more characters than this sends SMS or speaks."""
SPECIMENS: Final = ("15555550100", "ada@example.org", "ada")
"""Stand for an address when the URL is looked at: a number will do for most services, one of these for all."""

_ASSET: Final = apprise.AppriseAsset(
    app_id="motewatch",
    app_desc="motewatch",
    app_url="",
    async_mode=False,
    secure_logging=True,
    storage_mode=apprise.PersistentStoreMode.MEMORY,
)


class ServiceChannel:
    """See the module. Raises `LinkSettingsError` for a URL that the library does not know."""

    def __init__(self, settings: people.ServiceChannel, url: Secret, clock: TimeSource) -> None:
        quieten()
        self._url = url
        self._attempts = Attempts(f"call-{settings.id}", clock)
        key = f'channels "{settings.id}" url_file'
        if PLACE not in url.reveal():
            raise LinkSettingsError(
                key, f"the URL in it has no {PLACE}", f"write {PLACE} where the person's number or name belongs"
            )
        self.kind = str(self._specimen(key).service_name)
        """What the library calls the service."""

    def send(self, message: CallMessage, deadline_s: float) -> None:
        """See `links.channels.Channel`."""
        try:
            service = self._service(message.address, "")
        except LinkSettingsError:
            raise ChannelRefusedError(
                f"{self.kind} cannot reach the address '{message.address}'; correct it in the site file, under persons"
            ) from None
        service.socket_connect_timeout = service.socket_read_timeout = max(1.0, deadline_s / 2)
        taken: list[bool] = []
        try:
            self._attempts.run(lambda: taken.append(_notify(service, message)), deadline_s, lambda: False)
        except LeftBehindError:
            raise ChannelAwayError(
                f"{self.kind} did not answer within {deadline_s:g} s", may_have_arrived=True
            ) from None
        except TooManyHangError as error:
            raise ChannelAwayError(f"{self.kind} still holds {error.hanging} earlier calls") from None
        except Exception:
            taken.clear()  # whatever the library raises is a failure; its text may hold the URL
        if not any(taken):
            raise ChannelAwayError(
                f"{self.kind} did not take the call, and the library does not tell why; check the URL in url_file, "
                f"the address '{message.address}', the account there, and the way to the internet"
            )

    def takes(self, address: str) -> bool:
        """Whether the address fits the service, as far as the library knows without asking it."""
        try:
            self._service(address, "")
        except LinkSettingsError:
            return False
        return True

    def close(self) -> None:
        """Nothing is held open between calls; what hangs ends by its own time-outs."""

    def _specimen(self, key: str) -> Any:
        """The library's object for some address. Raises `LinkSettingsError`."""
        for specimen in SPECIMENS[:-1]:
            with contextlib.suppress(LinkSettingsError):
                return self._service(specimen, key)
        return self._service(SPECIMENS[-1], key)

    def _service(self, address: str, key: str) -> Any:
        """The library's object for one address. Raises `LinkSettingsError`."""
        url = self._url.reveal().replace(PLACE, quote(address, safe=""))
        service = apprise.Apprise.instantiate(url, asset=_ASSET, suppress_exceptions=True)
        if service is None:
            raise LinkSettingsError(
                key,
                "the URL in it is none that the notification library knows",
                "write it as the library's documentation says for the service, such as sms-service://KEY@SENDER/{address}",
            )
        return service


def _notify(service: Any, message: CallMessage) -> bool:
    """Whether the library says that the service took it."""
    title, body = words_for(service, message)
    pages = apprise.Apprise(asset=_ASSET)
    pages.add(service)
    kind = apprise.NotifyType.FAILURE if message.urgent else apprise.NotifyType.INFO
    return bool(pages.notify(body, title=title, notify_type=kind, body_format=apprise.NotifyFormat.TEXT))


def words_for(service: Any, message: CallMessage) -> tuple[str, str]:
    """Title and body for a service, by how much it takes."""
    most = service.body_maxlen
    if 0 < most <= SHORT_BODY or 0 < most < len(message.text):
        return "", message.short
    return message.subject if service.title_maxlen > 0 else "", message.text
