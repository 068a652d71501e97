"""Does calling people hold up the readings? Run by hand: python tests/benchmarks/calls.py --help

The latency of `pipeline.py` (from the moment a reading is sent to the arrival of its alarm event), at the same rate, in
turns:

- nobody: a site that calls nobody;
- calls: every alarm of high priority is a call to one person, over a receiver that takes it;
- hanging: to three persons, over that receiver and over two that accept the connection and never say a word.

Receivers run in a process of their own. Broker, load, daemon, listener and receivers share the machine: compare the
medians of the runs, which take turns so that what else the machine does falls on all alike. `calls` is how many the
receiver has taken, `tries` how many connections the two silent ones have seen.
"""

from __future__ import annotations

import argparse
import statistics
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent))

from benchmarks.pipeline import measure_latency  # noqa: E402
from benchmarks.rig import Rig  # noqa: E402
from support.http_fake import FakeHttp  # noqa: E402
from support.rude import Rude, silent  # noqa: E402

ARMS = ("nobody", "calls", "hanging")
COLUMNS = ("events", "missing", "median", "p95", "p99", "max", "cpu %", "calls", "tries")
P99 = COLUMNS.index("p99")
KEY = "0123456789abcdef" * 4


class Receivers:
    """The receivers in a process of their own."""

    def __init__(self, process: subprocess.Popen[str]) -> None:
        self._process = process
        assert process.stdout is not None
        self._said = process.stdout
        self.ports = [int(word) for word in self._said.readline().split()]

    def counts(self) -> list[float]:
        """Calls taken by the one, and connections to the silent ones, so far."""
        assert self._process.stdin is not None
        self._process.stdin.write("?\n")
        self._process.stdin.flush()
        return [float(word) for word in self._said.readline().split()]


def serve_receivers() -> None:
    """Be that process: say the ports, then the counts for each line that comes."""
    with FakeHttp(lambda *_: (200, b"")) as taking, Rude(silent) as first, Rude(silent) as second:
        print(taking.port, first.port, second.port, flush=True)
        for _ in sys.stdin:
            print(len(taking.requests), first.connections + second.connections, flush=True)


@contextmanager
def receivers() -> Iterator[Receivers]:
    """Started, and ended."""
    command = [sys.executable, str(HERE / "calls.py"), "--receivers"]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as process:
        try:
            yield Receivers(process)
        finally:
            process.kill()


def people(ports: list[int]) -> str:
    """Channels, persons and the escalation: a channel for each port, a person for each channel."""
    parts = ["\n[callout]\nflood_alarms = 1000\nflood_min = 1.0\n"]
    for number, port in enumerate(ports):
        parts.append(
            f'\n[[channels]]\nid = "hook-{number}"\nkind = "webhook"\nurl = "http://127.0.0.1:{port}/call"\n'
            f'key_file = "hook.key"\nper_minute = 10000\n'
            f'\n[[persons]]\nid = "p-{number}"\nname = "Person {number}"\n'
            f'reach = [{{channel = "hook-{number}", address = "p-{number}"}}]\n'
        )
    tell = ", ".join(f'"person:p-{number}"' for number in range(len(ports)))
    parts.append(
        '\n[[escalations]]\nid = "all"\npriorities = ["high"]\nsteps = [{after_min = 0, tell = [' + tell + "]}]\n"
    )
    return "".join(parts)


def run(arm: str, options: argparse.Namespace) -> list[float]:
    """One run of one arm."""
    with receivers() as made_receivers:

        def prepare(made: Rig) -> None:
            ports = {"nobody": [], "calls": made_receivers.ports[:1], "hanging": made_receivers.ports}[arm]
            if ports:
                key = made.directory / "hook.key"
                key.write_text(KEY)
                key.chmod(0o600)
                path = made.daemon.site_path
                path.write_text(path.read_text() + people(ports))

        return [*measure_latency(options.rate, options, prepare), *made_receivers.counts()]


def main() -> None:
    """See the module."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rate", type=int, default=200, help="messages per second, one sensor for each")
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--repeat", type=int, default=3)
    parser.add_argument("--receivers", action="store_true", help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.receivers:
        serve_receivers()
        return
    options.sensors, options.time_series, options.direct_every = None, False, 1
    runs: dict[str, list[list[float]]] = {arm: [] for arm in ARMS}
    print(f"{'arm':<10}" + "".join(f"{column:>9}" for column in COLUMNS))
    for number in range(options.repeat):
        # Each arm comes first, second and third equally often.
        for arm in ARMS[number % 3 :] + ARMS[: number % 3]:
            runs[arm].append(run(arm, options))
            print(f"{arm:<10}" + "".join(f"{value:>9.1f}" for value in runs[arm][-1]), flush=True)
    print("medians")
    p99 = {}
    for arm in ARMS:
        values = [statistics.median(column) for column in zip(*runs[arm], strict=True)]
        p99[arm] = values[P99]
        print(f"{arm:<10}" + "".join(f"{value:>9.1f}" for value in values))
    print(
        f"p99 with hanging channels: {p99['hanging'] / p99['calls']:.2f} of that with calls, "
        f"{p99['hanging'] / p99['nobody']:.2f} of that without"
    )


if __name__ == "__main__":
    main()
