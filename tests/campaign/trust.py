"""The certificates of a campaign: the broker speaks TLS to the daemon, and each shows the other a certificate.

All are valid for decades before and after, so that a clock of years off does not meet them; faults put others in place.
Rules: files change as a whole. The broker reads its own certificate again on SIGHUP, but not the authority by which it
judges ours: so our certificate always comes from the first authority.
"""

from __future__ import annotations

import signal
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from typing import Final

from support.authority import LONG, Authority, put
from support.certificates import Certificates
from support.servers import Mosquitto

ENDED: Final = timedelta(days=-1)
CERT: Final = "ours.crt"
KEY: Final = "ours.key"
CA: Final = "ca.crt"


@dataclass(slots=True)
class Trust:
    """`folder`: the broker's; `site`: the daemon's."""

    folder: Path
    site: Path
    first: Authority = field(default_factory=Authority)
    present: Authority = field(init=False)

    def __post_init__(self) -> None:
        self.present = self.first
        put(self.files.ca, self.first.certificate)
        put(self.site / CA, self.first.certificate)
        self.present.issue(self.files.server, self.files.key)
        self.ours()

    @property
    def files(self) -> Certificates:
        """The broker's."""
        return Certificates(self.folder / "ca.crt", self.folder / "server.crt", self.folder / "server.key")

    @property
    def settings(self) -> dict[str, str | bool]:
        """What the daemon's site file says of it."""
        return {"tls": True, "ca_file": CA, "cert_file": CERT, "cert_key_file": KEY}

    def serve(self, broker: Mosquitto, until: timedelta = LONG) -> datetime:
        """A new certificate for the broker, which reads it at once; returns when it ends."""
        ends = self.present.issue(self.files.server, self.files.key, until=until)
        broker.send_signal(signal.SIGHUP)
        return ends

    def ours(self, until: timedelta = LONG) -> None:
        """A new certificate for the daemon."""
        self.first.issue(self.site / CERT, self.site / KEY, until=until, name="motewatch")

    def new_authority(self) -> None:
        """From now on the broker's certificates come from another one, which the daemon does not know yet."""
        self.present = Authority("a new authority")

    def tell_daemon(self) -> None:
        """It may know the present one."""
        put(self.site / CA, self.present.certificate)
