"""The console over a journal that holds a day of samples: no broker, no engine, a clock that stands still."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from motewatch.engine.codec import Internal
from motewatch.engine.records import Output
from motewatch.journal.journal import Journal
from motewatch.service.console import Console
from motewatch.wire.records import MINUTE_US
from support.servers import free_port
from support.trend_journal import START_US, open_night, site_of


@dataclass
class Still:
    """A clock that goes on only for what waits."""

    us: int
    waited_s: float = 0.0

    def now_us(self) -> int:
        return self.us

    def monotonic_s(self) -> float:
        self.waited_s += 0.001
        return self.waited_s


@contextmanager
def trend_console(folder: Path, count: int = 1440) -> Iterator[tuple[str, Journal]]:
    """Its address, and the journal behind it; the clock stands at the end of so many minutes."""
    port = free_port()
    url = f"http://127.0.0.1:{port}"
    site = site_of(console={"public_url": url, "port": port})
    assert site.console is not None
    with open_night(folder / "motewatch.db", site, "bench", count) as journal:

        def post(what: Internal, done: Callable[[Sequence[Output]], object] | None = None) -> None:
            if done is not None:
                done(())

        console = Console(
            site,
            site.console,
            folder,
            journal,
            post,
            Still(START_US + count * MINUTE_US),
            alive=lambda: True,
            connected=lambda: True,
        )
        console.start()
        try:
            yield url, journal
        finally:
            console.stop(5.0)
