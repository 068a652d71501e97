"""Do people who look at the console hold up the readings? Run by hand: python tests/benchmarks/console.py --help

The latency of `pipeline.py` (from the moment a reading is sent to the arrival of its alarm event), at the same rate, in
turns:

- nobody: a site with a console that nobody looks at;
- viewers: so many streams of `Right now` open at once, in a process of their own.

Broker, load, daemon, listener and viewers share the machine: compare the medians of the runs, which take turns. Of the
viewers: `page ms` is the median time for the whole page while the load runs (five tries), `page kB` its size, `streams`
how many were open to the end, `kB/s` what each was sent, `gap s` the longest time without a word on any stream after
its first.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import statistics
import subprocess
import sys
import time
from contextlib import suppress
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent))

import httpx  # noqa: E402

from benchmarks.pipeline import measure_latency  # noqa: E402
from benchmarks.rig import Rig  # noqa: E402
from motewatch.service.console import SECRET_FILE  # noqa: E402
from support.console import administrator  # noqa: E402
from support.servers import free_port, wait_until  # noqa: E402

ARMS = ("nobody", "viewers")
COLUMNS = (
    "events",
    "missing",
    "median",
    "p95",
    "p99",
    "max",
    "cpu %",
    "streams",
    "kB/s",
    "gap s",
    "page ms",
    "page kB",
)
P99 = COLUMNS.index("p99")


class _Stream:
    """One viewer: counts what it is sent."""

    def __init__(self) -> None:
        self.bytes = 0
        self.gap_s = 0.0
        self.ended = False

    async def watch(self, http: httpx.AsyncClient) -> None:
        """Until the end."""
        heard_s = None
        with suppress(httpx.HTTPError):
            async with http.stream("GET", "/events?view=now") as answer:
                answer.raise_for_status()
                async for chunk in answer.aiter_raw():
                    now_s = time.monotonic()
                    if heard_s is not None:
                        self.gap_s = max(self.gap_s, now_s - heard_s)
                    heard_s = now_s
                    self.bytes += len(chunk)
        self.ended = True


async def view(url: str, cookies: dict[str, str], number: int) -> list[float]:
    """Open so many streams; when a line comes on the standard input, say what they saw."""
    limits = httpx.Limits(max_connections=number + 10)
    async with httpx.AsyncClient(
        base_url=url, cookies=cookies, limits=limits, timeout=httpx.Timeout(30), trust_env=False
    ) as http:
        streams = [_Stream() for _ in range(number)]
        began_s = time.monotonic()
        tasks = [asyncio.create_task(stream.watch(http)) for stream in streams]
        asked = asyncio.create_task(asyncio.to_thread(sys.stdin.readline))
        pages: list[tuple[float, int]] = []
        while not asked.done():
            await asyncio.wait([asked], timeout=3)
            if len(pages) < 5 and not asked.done():
                asked_s = time.monotonic()
                page = await http.get("/")
                page.raise_for_status()
                pages.append((1000 * (time.monotonic() - asked_s), len(page.content)))
        seconds = time.monotonic() - began_s
        open_ = sum(not stream.ended for stream in streams)
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        sent = statistics.median(stream.bytes for stream in streams) / seconds / 1000 if streams else 0.0
        gap = max((stream.gap_s for stream in streams), default=0.0)
        took, size = (statistics.median(column) for column in zip(*pages, strict=True)) if pages else (0.0, 0.0)
        return [float(open_), sent, gap, took, size / 1000]


def be_viewers(folder: Path, url: str, number: int) -> None:
    """Be that process: sign in once the console answers, then look."""

    def answers() -> bool:
        with suppress(httpx.HTTPError):
            return httpx.get(f"{url}/sign-in", trust_env=False).status_code == 200
        return False

    wait_until(answers, "the console", 60)
    wait_until((folder / SECRET_FILE).exists, "the first secret", 60)
    with administrator(folder, url) as admin:
        cookies = dict(admin.http.cookies)
    print(json.dumps(asyncio.run(view(url, cookies, number))), flush=True)


def run(arm: str, options: argparse.Namespace) -> list[float]:
    """One run of one arm."""
    started: list[subprocess.Popen[str]] = []

    def prepare(made: Rig) -> None:
        port = free_port()
        url = f"http://127.0.0.1:{port}"
        table = f'\n[console]\npublic_url = "{url}"\nport = {port}\n'
        site = made.daemon.site_path.read_text()
        made.daemon.site_path.write_text(site + table)
        number = options.viewers if arm == "viewers" else 0
        command = [sys.executable, __file__, "--be-viewers", str(made.directory), url, str(number)]
        if number:
            started.append(subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True))

    seen = [0.0] * 5

    def ask() -> None:
        for process in started:
            said, _ = process.communicate("?\n", timeout=60)
            seen[:] = json.loads(said)

    try:
        values = measure_latency(options.rate, options, prepare, ask)
    finally:
        for process in started:
            process.kill()
            process.wait()
    return [*values, *seen]


def main() -> None:
    """Print one line for each run, and the medians."""
    if "--be-viewers" in sys.argv:
        folder, url, number = sys.argv[2:]
        be_viewers(Path(folder), url, int(number))
        return
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rate", type=int, default=2000)
    parser.add_argument("--sensors", type=int, default=2000)
    parser.add_argument("--direct-every", type=int, default=7)
    parser.add_argument("--seconds", type=float, default=30.0)
    parser.add_argument("--viewers", type=int, default=100)
    parser.add_argument("--repeat", type=int, default=3)
    parser.add_argument("--time-series", action="store_true")
    options = parser.parse_args()
    print(f"{'':<10}" + "".join(f"{column:>10}" for column in COLUMNS))
    found: dict[str, list[list[float]]] = {arm: [] for arm in ARMS}
    for _ in range(options.repeat):
        for arm in ARMS:
            values = run(arm, options)
            found[arm].append(values)
            print(f"{arm:<10}" + "".join(f"{value:>10.1f}" for value in values), flush=True)
    p99 = {arm: statistics.median(run_[P99] for run_ in runs) for arm, runs in found.items()}
    print(f"p99 with viewers / with nobody: {p99['viewers'] / p99['nobody']:.2f}")


if __name__ == "__main__":
    main()
