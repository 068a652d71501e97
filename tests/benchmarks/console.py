"""Do people who look at the console hold up the readings? Run by hand: python tests/benchmarks/console.py --help

The latency of `pipeline.py` (from the moment a reading is sent to the arrival of its alarm event), at the same rate, in
arms that take turns (nobody, viewers, nobody, ...):

- nobody: a site with a console that nobody looks at;
- viewers: so many streams of `Right now` open at once, each of a session of its own, read by one process.

Broker, load, daemon, listener and viewers share the machine, so compare the medians of the arms: how far runs of one
arm lie apart shows what the machine adds. Processor time says more than latency on a machine with other work: `cpu %`
is the daemon's, then that of its threads by name: `writer`, `web` (the console's HTTP with its pool of threads), `feed`
(what stands now), `broker` and `rest`. Of the viewers: `kB/s` what each was sent, `gap s` the longest time without a
word on any stream, `news s` and `news max` the median and the longest time between two changes of the page, `seer %`
their processor time, `page ms` and `page max` the median and the longest time for the whole page while the load runs.
"""

from __future__ import annotations

import argparse
import json
import secrets
import sqlite3
import statistics
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent))

import httpx  # noqa: E402

from benchmarks.pipeline import measure_latency  # noqa: E402
from benchmarks.rig import CLOCK, Rig  # noqa: E402
from motewatch.service.console import SECRET_FILE  # noqa: E402
from motewatch.web.access.desk import digest  # noqa: E402
from support.console import administrator  # noqa: E402
from support.servers import free_port, wait_until  # noqa: E402

ARMS = ("nobody", "viewers")
LATENCY = ("events", "missing", "median", "p95", "p99", "max", "cpu %")
THREADS = ("writer", "web", "feed", "broker", "rest")
SEEN = ("streams", "kB/s", "gap s", "news s", "news max", "seer %", "page ms", "page max", "page kB")
COLUMNS = (*LATENCY, *THREADS, *SEEN)


class Viewers:
    """They sign in once the console answers, then look until they are asked what they saw."""

    def __init__(self, folder: Path, url: str, number: int) -> None:
        wait_until(lambda: _answers(url), "the console", 60)
        wait_until((folder / SECRET_FILE).exists, "the first secret", 60)
        with administrator(folder, url):
            pass
        file = folder / "cookies"
        file.write_text("\n".join(f"motewatch={secret}" for secret in _sessions(folder, max(1, number))))
        parts = httpx.URL(url)
        where = [parts.host, str(parts.port), str(file)]
        self._processes = [_started([role, *where]) for role in (("look", "watch") if number else ())]

    def seen(self) -> dict[str, float]:
        """What they saw."""
        found: dict[str, float] = {}
        for process in self._processes:
            said, _ = process.communicate("?\n", timeout=60)
            found |= json.loads(said)
        return found

    def end(self) -> None:
        """Make sure that they are gone."""
        for process in self._processes:
            process.kill()
            process.communicate()


def _answers(url: str) -> bool:
    with suppress(httpx.HTTPError):
        return httpx.get(f"{url}/sign-in", trust_env=False).status_code == 200
    return False


def _sessions(folder: Path, number: int) -> list[str]:
    """The secrets of so many sign-ins, put where the console keeps them: to make them by passwords takes too long."""
    made = [secrets.token_urlsafe(32) for _ in range(number)]
    now_us = CLOCK.now_us()
    rows = [(digest(secret), "administrator", now_us, now_us) for secret in made]
    with closing(sqlite3.connect(folder / "motewatch.db", timeout=30)) as record, record:
        record.executemany(
            "INSERT INTO console_sessions (hash, user_id, created_us, seen_us) VALUES (?, ?, ?, ?)", rows
        )
    return made


def _started(words: list[str]) -> subprocess.Popen[str]:
    command = [sys.executable, str(HERE / "viewers.py"), *words]
    return subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)


@contextmanager
def _ended(viewers: list[Viewers]) -> Iterator[None]:
    try:
        yield
    finally:
        for each in viewers:
            each.end()


def run(arm: str, options: argparse.Namespace) -> dict[str, float]:
    """One run of one arm."""
    viewers: list[Viewers] = []
    seen: dict[str, float] = {}
    rigs: list[Rig] = []
    url = f"http://127.0.0.1:{free_port()}"

    def prepare(made: Rig) -> None:
        rigs.append(made)
        table = f'\n[console]\npublic_url = "{url}"\nport = {httpx.URL(url).port}\n'
        made.daemon.site_path.write_text(made.daemon.site_path.read_text() + table)

    def before() -> None:
        (made,) = rigs
        # The console is used in both arms: an administrator signs in; and then nobody looks, or all of them do.
        viewers.append(Viewers(made.directory, url, options.viewers if arm == "viewers" else 0))

    def ask() -> None:
        for each in viewers:
            seen.update(each.seen())

    with _ended(viewers):
        latency = measure_latency(options.rate, options, prepare, ask, before)
    threads = rigs[0].daemon.threads
    return {**dict(zip(LATENCY, latency, strict=True)), **_shares(threads), **seen}


def _shares(threads: dict[str, float]) -> dict[str, float]:
    """Processor time of the daemon's threads in per cent of one core, by what they are for."""
    found = dict.fromkeys(THREADS, 0.0)
    for name, share in threads.items():
        kind = {"writer": "writer", "console": "web", "console-feed": "feed", "broker-link": "broker"}.get(name, "rest")
        # Questions of the pages run in the pool of the web server's library, and nothing else does.
        found["web" if name.startswith("AnyIO") else kind] += 100 * share
    return found


def main() -> None:
    """Print one line for each run, the medians, and how the arms compare."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rate", type=int, default=2000)
    parser.add_argument("--sensors", type=int, default=2000)
    parser.add_argument("--direct-every", type=int, default=7)
    parser.add_argument("--seconds", type=float, default=30.0)
    parser.add_argument("--viewers", type=int, default=100)
    parser.add_argument("--repeat", type=int, default=3)
    parser.add_argument("--arms", nargs="+", choices=ARMS, default=ARMS)
    parser.add_argument("--time-series", action="store_true")
    options = parser.parse_args()
    print(f"{'':<10}" + "".join(f"{column:>9}" for column in COLUMNS).replace("seer %", "seer %"))
    found: dict[str, list[dict[str, float]]] = {arm: [] for arm in options.arms}
    for _ in range(options.repeat):
        for arm in options.arms:
            found[arm].append(run(arm, options))
            _print(arm, found[arm][-1])
    medians = {
        arm: {column: statistics.median(each.get(column, 0.0) for each in runs) for column in COLUMNS}
        for arm, runs in found.items()
    }
    for arm, values in medians.items():
        _print(f"= {arm}", values)
    if len(medians) == len(ARMS):
        for column in ("p99", "cpu %", "writer"):
            print(f"{column} with viewers / with nobody: {medians['viewers'][column] / medians['nobody'][column]:.2f}")


def _print(name: str, values: dict[str, float]) -> None:
    print(f"{name:<10}" + "".join(f"{values.get(column, 0.0):>9.1f}" for column in COLUMNS), flush=True)


if __name__ == "__main__":
    main()
