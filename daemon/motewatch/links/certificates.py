"""When do the certificates end that the service lives by? Told days ahead, and when a new one is in place.

Looked at: the broker's certificate as the last connection showed it, and the files that the site names (the authority,
our own certificate, those of our pages). Of a chain that is shown the first end counts; of authorities that are trusted
the last, since one is enough, and a file may hold the old beside the new.

Rules: a file is parsed again only when it has changed. One that cannot be read is told as well: the next start would
fail on it. What the answer means is decided elsewhere. The first look of a service always tells, as in `space`.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Literal

from motewatch.links.broker_tls import Stamp, stamp_of
from motewatch.links.clock import TimeSource
from motewatch.site.instants import instant
from motewatch.wire.records import DAY_US, SECOND_US

log = logging.getLogger(__name__)

LOOK_S: Final = 10.0

Report = Callable[[bool, int, str], object]
"""(do all hold for long enough, since when, in words)"""


@dataclass(frozen=True, slots=True)
class Ending:
    """A certificate in words and when it ends; None: `trouble` says why that cannot be told."""

    name: str
    until_us: int | None
    trouble: str = ""


Source = Callable[[], Ending | None]
"""A certificate as it is now; None where none was seen yet."""


class CertificateFile:
    """A PEM file that the site names. `renewed` is called, from `look`'s thread, when it or its key has changed."""

    def __init__(
        self,
        key: str,
        path: Path,
        kind: Literal["chain", "authorities"],
        key_path: Path | None = None,
        renewed: Callable[[], object] = lambda: None,
    ) -> None:
        self._name = f"the certificate in '{path.name}' ({key})"
        self._path = path
        self._kind = kind
        self._key_path = key_path
        self._renewed = renewed
        self._stamps: list[Stamp | None] = []
        self._ending: Ending | None = None

    def __call__(self) -> Ending:
        """As the file is now."""
        stamps = [stamp_of(path) for path in (self._path, self._key_path) if path is not None]
        if self._ending is None or stamps != self._stamps:
            known_before = self._ending is not None
            self._stamps, self._ending = stamps, self._read()
            if known_before and self._ending.until_us is not None:
                self._renewed()
        return self._ending

    def _read(self) -> Ending:
        # Imported where there are certificates: it costs 10 MB.
        from cryptography import x509

        try:
            found = x509.load_pem_x509_certificates(self._path.read_bytes())
        except (OSError, ValueError) as error:
            why = error.strerror if isinstance(error, OSError) else "it holds no certificate that can be read"
            return Ending(self._name, None, f"cannot be read: {why}")
        ends = [round(each.not_valid_after_utc.timestamp()) * SECOND_US for each in found]
        return Ending(self._name, min(ends) if self._kind == "chain" else max(ends))


class CertificateWatch:
    """`look` is the whole work; from one thread."""

    def __init__(self, sources: Iterable[Source], days: int, report: Report, clock: TimeSource) -> None:
        self._sources = list(sources)
        self._days = days
        self._report = report
        self._clock = clock
        self._well: bool | None = None
        self._said = ""

    def look(self) -> None:
        """Ask, and tell of a change. Which certificates it is about is logged whenever that changes."""
        now_us = self._clock.now_us()
        found = [ending for source in self._sources if (ending := source()) is not None]
        if not found and self._well is None:
            return
        soon = [each for each in found if each.until_us is None or each.until_us < now_us + self._days * DAY_US]
        detail = "; ".join(self._words(each, now_us) for each in sorted(soon, key=_urgency))
        if detail != self._said:
            self._said = detail
            log.log(logging.WARNING if soon else logging.INFO, "certificates: %s", detail or "none ends soon")
        well = not soon
        if well != self._well:
            self._well = well
            self._report(well, now_us, detail)

    @staticmethod
    def _words(ending: Ending, now_us: int) -> str:
        if ending.until_us is None:
            return f"{ending.name} {ending.trouble}"
        word = "ends" if ending.until_us > now_us else "ended"
        return f"{ending.name} {word} on {instant(ending.until_us):%Y-%m-%d %H:%M:%S} UTC"


def _urgency(ending: Ending) -> int:
    return ending.until_us or 0


__all__: Sequence[str] = ["LOOK_S", "CertificateFile", "CertificateWatch", "Ending"]
