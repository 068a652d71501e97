"""How fast is the whole pipeline? Run by hand: python tests/benchmarks/pipeline.py {throughput,latency,memory} --help

A real broker, the daemon as a process of its own, and synthetic sensors (6 channels, climate values, status; 200 of
them unless said otherwise). Broker, load and daemon share the machine: compare ratios rather than absolutes, and take
the median of several runs.

- throughput: a backlog waits in the daemon's session and, the same messages, in that of a bare subscriber (same client
  library, manual acknowledgement, same Receive Maximum). Both take it one after the other, first message to last. For
  the daemon the last is when all inputs are committed; `all told` is when every sample has been published too. CPU is
  that of the process up to `all told`. With --each-reading every message is a sample, too, and goes out again.
- latency: each reading is a sample, some lie beyond the levels; from the moment the reading is sent to the arrival of
  the alarm event at another subscriber. The daemon gathers for 20 ms. With --direct-every 7 only every seventh location
  takes each reading as a sample and the others have periods of 60 s, as a site of that size would.
- memory: resident memory while many sensors send live in periods of 60 s.
"""

from __future__ import annotations

import argparse
import json
import statistics
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent))

import paho.mqtt.client as mqtt  # noqa: E402
from paho.mqtt.enums import CallbackAPIVersion  # noqa: E402

from benchmarks.bare import keep_session  # noqa: E402
from benchmarks.rig import CLOCK, SECOND_US, TOPICS, Record, Rig, plan, preload, publish_live, rig  # noqa: E402
from motewatch_simulator import load  # noqa: E402
from motewatch_simulator.clock import micros  # noqa: E402
from motewatch_simulator.lean import Parcel  # noqa: E402
from support.servers import wait_until  # noqa: E402

PERIOD_S = 60
WARM_UP_S = 5.0


def throughput(options: argparse.Namespace) -> None:
    """Print one line a run, and the medians."""
    columns = ("bare/s", "bare us", "daemon/s", "ratio", "all told/s", "daemon us", "samples")
    print(f"{'run':<8}" + "".join(f"{column:>12}" for column in columns))
    runs = []
    for number in range(options.repeat):
        runs.append(_throughput(options))
        _line(str(number + 1), runs[-1])
    _line("median", [statistics.median(column) for column in zip(*runs, strict=True)])


def _line(name: str, values: list[float]) -> None:
    cells = (f"{value:>12.2f}" if value < 10 else f"{value:>12.0f}" for value in values)
    print(f"{name:<8}{''.join(cells)}", flush=True)


def _throughput(options: argparse.Namespace) -> list[float]:
    messages, sensors = options.messages, options.sensors
    made_for = {"interval_s": 1.0, "each_reading": options.each_reading, "time_series": options.time_series}
    with rig(sensors, **made_for) as made:
        made.daemon.run_in_the_past(messages / sensors + 60)
        topic = TOPICS.counts("+")
        keep_session(made.broker.port, topic)
        preload(made.broker, plan(sensors, 1.0, CLOCK.now_us() - messages * SECOND_US // sensors), messages)

        command = [sys.executable, str(HERE / "bare.py"), str(made.broker.port), topic, str(messages)]
        bare = json.loads(subprocess.run(command, check=True, capture_output=True).stdout)

        record = Record(made.daemon)
        inputs, samples = record.last_input(), record.last_sample()
        made.daemon.start()
        _poll(lambda: made.daemon.alive and record.last_input() > inputs)
        cpu_s = made.daemon.cpu_s()
        _poll(lambda: record.last_input() >= inputs + messages)
        end_us = CLOCK.now_us()
        made.daemon.wait_drained()
        _poll(lambda: record.last_sample() > samples and not record.waiting())
        told_us = CLOCK.now_us()
        cpu_s = made.daemon.cpu_s() - cpu_s
        taken = record.ask(f"SELECT count(*) FROM inputs WHERE id > {inputs} AND seq IS NOT NULL")
        if taken != messages:
            raise RuntimeError(f"{taken} of {messages} readings are on record")
        first_us = record.ask(f"SELECT received_us FROM inputs WHERE id = {inputs + 1}")
        told = record.ask(f"SELECT count(*) FROM samples WHERE output_id > {samples}")
        record.close()
        made.daemon.stop()
    rate, bare_rate = messages / (end_us - first_us) * 1e6, messages / bare["seconds"]
    told_rate = messages / (told_us - first_us) * 1e6
    return [
        bare_rate, bare["cpu_s"] / messages * 1e6, rate, rate / bare_rate, told_rate, cpu_s / messages * 1e6, told,
    ]  # fmt: skip


def _poll(condition: Callable[[], bool], timeout_s: float = 600.0) -> None:
    deadline_s = time.monotonic() + timeout_s
    while not condition():
        if time.monotonic() > deadline_s:
            raise RuntimeError("this takes too long")
        time.sleep(0.005)


def latency(options: argparse.Namespace) -> None:
    """Print one line for each rate and run: milliseconds from sending a reading to the arrival of its alarm event."""
    columns = ("events", "missing", "median", "p95", "p99", "max", "cpu %")
    print(f"{'msg/s':<8}" + "".join(f"{column:>10}" for column in columns))
    for rate in options.rates:
        for _ in range(options.repeat):
            values = measure_latency(rate, options)
            print(f"{rate:<8}" + "".join(f"{value:>10.1f}" for value in values), flush=True)


def measure_latency(
    rate: int,
    options: argparse.Namespace,
    prepare: Callable[[Rig], None] | None = None,
    at_the_end: Callable[[], None] | None = None,
    before: Callable[[], None] | None = None,
) -> list[float]:
    """One run: the columns of `latency`. `prepare` may change the site file before the daemon starts; `before` is
    called once it runs, before anything is sent, `at_the_end` when all was sent, before it stops."""
    interval_s = options.sensors / rate if options.sensors else 1.0
    sensors = options.sensors or rate
    sent: dict[tuple[str, int], Parcel] = {}
    arrived: list[tuple[float, bytes | bytearray]] = []
    with rig(
        sensors,
        interval_s=interval_s,
        each_reading=True,
        time_series=options.time_series,
        direct_every=options.direct_every,
    ) as made:
        if prepare is not None:
            prepare(made)
        made.daemon.start()
        made.daemon.wait_drained()
        subscribed = threading.Event()
        listener = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="bench-listener", protocol=mqtt.MQTTv5)
        listener.on_connect = lambda client, *_: client.subscribe(TOPICS.event, qos=1)
        listener.on_subscribe = lambda *_: subscribed.set()
        listener.on_message = lambda _client, _user, message: arrived.append((time.monotonic(), message.payload))
        listener.connect("127.0.0.1", made.broker.port)
        listener.loop_start()
        if not subscribed.wait(10):
            raise RuntimeError("the broker did not confirm the subscription")
        if before is not None:
            before()
        # The readings of the first interval began before the daemon ran, like those of sensors that run for long.
        now_us = CLOCK.now_us()
        begin_us = now_us + round(WARM_UP_S * SECOND_US)
        end_us = begin_us + round(options.seconds * SECOND_US)
        sending = plan(sensors, interval_s, now_us - round(interval_s * SECOND_US))
        cpu_s, threads_s, began_s = made.daemon.cpu_s(), made.daemon.cpu_by_thread(), time.monotonic()
        publish_live(made.broker, sending, end_us, sent)
        seconds = time.monotonic() - began_s
        share = (made.daemon.cpu_s() - cpu_s) / seconds
        names = made.daemon.names_of_threads()
        for number, used_s in made.daemon.cpu_by_thread().items():
            name = names.get(number, "?")
            used = (used_s - threads_s.get(number, 0.0)) / seconds
            made.daemon.threads[name] = made.daemon.threads.get(name, 0.0) + used
        if at_the_end is not None:
            at_the_end()
        expected = _expected(sending, begin_us, end_us, options.direct_every)
        measured: dict[tuple[str, int, str, str], float] = {}
        deadline_s = time.monotonic() + 15
        while len(measured) < len(expected) and time.monotonic() < deadline_s:
            measured = _measured(arrived, sent, expected)
            time.sleep(0.1)
        listener.disconnect()
        listener.loop_stop()
        made.daemon.stop()
    times = sorted(measured.values())
    cuts = statistics.quantiles(times, n=100, method="inclusive")
    return [len(times), len(expected) - len(times), cuts[49], cuts[94], cuts[98], times[-1], 100 * share]


def _expected(sending: load.LoadPlan, begin_us: int, end_us: int, direct_every: int) -> set[tuple[str, int, str, str]]:
    """The events that the readings of that stretch must cause: location, instant, kind, event."""
    expected = set()
    for index in range(0, sending.sensors, direct_every):
        offset_us = sending.interval_us * index // sending.sensors
        last = (end_us - sending.start_us - offset_us) // sending.interval_us
        for seq in range(1, last):
            at_us = sending.start_us + seq * sending.interval_us + offset_us + sending.interval_us
            before, now = load.in_excursion(index, seq - 1), load.in_excursion(index, seq)
            if before != now and begin_us <= at_us <= end_us:
                for kind in ("count-alert", "count-action"):
                    expected.add((load.location_id(index), at_us, kind, "starts" if now else "returns"))
    return expected


def _measured(
    arrived: list[tuple[float, bytes | bytearray]],
    sent: dict[tuple[str, int], Parcel],
    expected: set[tuple[str, int, str, str]],
) -> dict[tuple[str, int, str, str], float]:
    measured: dict[tuple[str, int, str, str], float] = {}
    for at_s, payload in list(arrived):
        event: dict[str, Any] = json.loads(payload)
        at_us = micros(datetime.fromisoformat(event["since"]))
        key = (str(event.get("location")), at_us, event["kind"], event["event"])
        if key in expected:
            parcel = sent[(key[0].replace("l", "s", 1), key[1])]
            measured.setdefault(key, (at_s - parcel.sent_s) * 1000)
    return measured


def memory(options: argparse.Namespace) -> None:
    """Print resident memory at the start, and every ten seconds under load."""
    with rig(options.sensors, interval_s=1.0, each_reading=False, time_series=options.time_series) as made:
        made.daemon.start()
        made.daemon.wait_drained()
        print(f"{'second':>7}{'RSS MB':>9}{'peak MB':>9}{'cpu %':>8}")
        print(f"{0:>7}{made.daemon.memory_mb()[0]:>9.1f}{made.daemon.memory_mb()[1]:>9.1f}")
        now_us = CLOCK.now_us()
        until_us = now_us + round(options.seconds * SECOND_US)
        sending = plan(options.sensors, 1.0, now_us - SECOND_US)
        sender = threading.Thread(target=publish_live, args=(made.broker, sending, until_us), daemon=True)
        sender.start()
        second = 0
        cpu_s = made.daemon.cpu_s()
        while sender.is_alive():
            sender.join(10)
            second += 10
            before_s, cpu_s = cpu_s, made.daemon.cpu_s()
            rss, peak = made.daemon.memory_mb()
            print(f"{second:>7}{rss:>9.1f}{peak:>9.1f}{(cpu_s - before_s) * 10:>8.1f}", flush=True)
        record = Record(made.daemon)
        wait_until(lambda: not record.waiting(), "the outbox is empty", 60)
        readings = record.ask("SELECT count(*) FROM inputs WHERE seq IS NOT NULL")
        samples = record.ask("SELECT count(*) FROM samples")
        snapshots = record.ask("SELECT max(id) FROM snapshots")
        record.close()
        made.daemon.stop()
        print(f"{readings} readings, {samples} samples, {snapshots} snapshots on record")


def main() -> None:
    """See the module."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    commands = parser.add_subparsers(required=True)
    command = commands.add_parser("throughput", help="messages per second beside a bare subscriber")
    command.add_argument("--messages", type=int, default=60_000)
    command.add_argument("--sensors", type=int, default=200)
    command.add_argument("--each-reading", action="store_true", help="every message is a sample, and is told")
    command.set_defaults(run=throughput, repeat=3)
    command = commands.add_parser("latency", help="from a reading to the alarm event it causes")
    command.add_argument("--direct-every", type=int, default=1, help="every n-th location: each reading is a sample")
    command.add_argument("--rates", type=int, nargs="+", default=[200, 2000], help="messages per second")
    command.add_argument("--sensors", type=int, help="default: one for each message per second")
    command.add_argument("--seconds", type=float, default=60.0)
    command.set_defaults(run=latency, repeat=1)
    command = commands.add_parser("memory", help="resident memory under live load, one reading per second and sensor")
    command.add_argument("--sensors", type=int, default=2000)
    command.add_argument("--seconds", type=float, default=150.0)
    command.set_defaults(run=memory, repeat=1)
    for command in commands.choices.values():
        command.add_argument("--repeat", type=int, default=command.get_default("repeat"))
        command.add_argument("--time-series", action="store_true", help="with a time-series server as second sink")
    options = parser.parse_args()
    options.run(options)


if __name__ == "__main__":
    main()
