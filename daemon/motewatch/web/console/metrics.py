"""The service's own health as OpenMetrics text: figures about the program, none about the air.

Rules: reading it costs the writer nothing; the record is asked once in `FRESH_S` at most, whoever asks how often. Names
stay as they are once published. Must not know how the text is served.
"""

from __future__ import annotations

import os
import threading
from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import Final

from motewatch.journal.journal import Journal
from motewatch.links.clock import TimeSource
from motewatch.web.pulse import COMMIT_BUCKETS_S, Pulse
from motewatch.wire.outgoing import AlarmMessage
from motewatch.wire.records import SECOND_US

KIND: Final = "application/openmetrics-text; version=1.0.0; charset=utf-8"
FRESH_S: Final = 5.0
SINKS: Final = ("mqtt", "mqtt-alarms", "time-series")

Labels = Mapping[str, str]


class Metrics:
    """Makes the text. For all threads."""

    def __init__(
        self,
        record: Journal,
        alarms: Callable[[], list[AlarmMessage]],
        clock: TimeSource,
    ) -> None:
        self._record = record
        self._alarms = alarms
        self._clock = clock
        self._started_us = clock.now_us()
        self._lock = threading.Lock()
        self._asked_s = clock.monotonic_s() - FRESH_S
        self._waiting: dict[str, tuple[int, int]] = {}
        self._bytes = 0

    def text(self, pulse: Pulse | None) -> str:
        """All of it; without a pulse only what is known without the writer."""
        with self._lock:
            now_s = self._clock.monotonic_s()
            if now_s - self._asked_s >= FRESH_S:
                self._waiting, self._bytes = self._record.backlogs(), _size(self._record.store.path)
                self._asked_s = now_s
            waiting, size = self._waiting, self._bytes
        lines: list[str] = []
        _one(lines, "gauge", "start_time_seconds", "When the console started.", self._started_us / SECOND_US)
        memory = _memory()
        if memory is not None:
            _one(lines, "gauge", "resident_memory_bytes", "Memory of the process.", memory)
        _one(lines, "gauge", "journal_bytes", "Size of the journal's files.", size)
        backlog = [({"sink": sink}, waiting.get(sink, (0, 0))[0]) for sink in sorted({*SINKS, *waiting})]
        _many(lines, "gauge", "outbox_rows", "Rows that wait for each sink.", backlog)
        now_us = self._clock.now_us()
        ages = [({"sink": sink}, max(0, now_us - oldest) / SECOND_US) for sink, (_, oldest) in sorted(waiting.items())]
        _many(lines, "gauge", "outbox_oldest_age_seconds", "Age of the oldest row that waits.", ages)
        alarms = self._alarms()
        states = Counter((alarm.state, alarm.priority) for alarm in alarms)
        by_state = [({"state": state, "priority": priority}, n) for (state, priority), n in sorted(states.items())]
        _many(lines, "gauge", "alarms", "Alarms that are not normal.", by_state)
        silent = len({alarm.sensor for alarm in alarms if alarm.kind == "sensor-silent" and _holds(alarm)})
        _one(lines, "gauge", "sensors_silent", "Sensors with an alarm because nothing comes from them.", silent)
        if pulse is not None:
            _pulse(lines, pulse)
        return "\n".join([*lines, "# EOF\n"])


def _pulse(lines: list[str], pulse: Pulse) -> None:
    for name, help_, value in (
        ("messages_taken", "Messages taken from the broker.", pulse.messages),
        ("messages_repeated", "Messages that were known already.", pulse.repeats),
        ("dead_letters", "Messages that could not be used.", pulse.dead_letters),
        ("samples_taken", "Samples and revisions of samples.", pulse.samples),
    ):
        _one(lines, "counter", name, help_, value)
    _one(lines, "gauge", "engine_lag_seconds", "How far the engine's time is behind the clock.", pulse.lag_s)
    _one(lines, "gauge", "broker_connected", "1: the broker is reached.", int(pulse.connected))
    _one(lines, "gauge", "record_writable", "1: what comes is recorded.", int(pulse.writable))
    name = _head(lines, "histogram", "commit_seconds", "How long commits took.")
    total = 0
    for bound, count in zip([*map(str, COMMIT_BUCKETS_S), "+Inf"], pulse.commit_counts, strict=True):
        total += count
        lines.append(f'{name}_bucket{{le="{bound}"}} {total}')
    lines += [f"{name}_count {total}", f"{name}_sum {float(pulse.commit_total_s)!r}"]


def _head(lines: list[str], kind: str, name: str, help_: str) -> str:
    full = f"motewatch_{name}"
    lines.append(f"# TYPE {full} {kind}")
    unit = full.rpartition("_")[2]
    if unit in ("seconds", "bytes", "rows"):
        lines.append(f"# UNIT {full} {unit}")
    lines.append(f"# HELP {full} {help_}")
    return full


def _one(lines: list[str], kind: str, name: str, help_: str, value: float) -> None:
    _many(lines, kind, name, help_, [({}, value)])


def _many(lines: list[str], kind: str, name: str, help_: str, values: Iterable[tuple[Labels, float]]) -> None:
    full = _head(lines, kind, name, help_) + ("_total" if kind == "counter" else "")
    for labels, value in values:
        inner = ",".join(f'{label}="{_escaped(text)}"' for label, text in labels.items())
        lines.append(f"{full}{{{inner}}} {value!r}" if inner else f"{full} {value!r}")


def _holds(alarm: AlarmMessage) -> bool:
    return alarm.state in ("unacknowledged", "acknowledged") or bool(alarm.active)


def _escaped(text: str) -> str:
    return text.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n")


def _size(path: str) -> int:
    """The journal with its write-ahead log."""
    found = 0
    for each in (path, f"{path}-wal"):
        try:
            found += Path(each).stat().st_size
        except OSError:
            continue
    return found


def _memory() -> int | None:
    """Resident memory, where the system tells."""
    try:
        return int(Path("/proc/self/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE")
    except (OSError, ValueError, IndexError):
        return None
