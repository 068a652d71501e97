"""Real servers for tests: a broker and a time-series server, each on a free loopback port in a folder of its own.

Rules: started by condition, not by waiting; `kill` is kill -9, `freeze` is SIGSTOP; a restart keeps port and data.
Everything is ended when the `with` block is left, whatever happened in it.
"""

from __future__ import annotations

import contextlib
import json
import os
import signal
import socket
import subprocess
import time
import urllib.parse
import urllib.request
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, TypeVar

from motewatch.site.models import Broker, TimeSeries
from support.certificates import Certificates
from support.missing import find_program

READY_S: Final = 20.0


def free_port() -> int:
    """A loopback port that was free a moment ago."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


def wait_until(condition: Callable[[], Any], what: str, timeout_s: float = READY_S) -> Any:
    """Poll until `condition()` is truthy and return that; an AssertionError naming `what` after `timeout_s`."""
    deadline = time.monotonic() + timeout_s
    while True:
        value = condition()
        if value:
            return value
        if time.monotonic() > deadline:
            raise AssertionError(f"waited {timeout_s:g} s in vain for: {what}")
        time.sleep(0.01)


class ServerProcess:
    """A child process that listens on `port`."""

    def __init__(self, command: list[str], port: int, directory: Path) -> None:
        self.command = command
        self.port = port
        self.directory = directory
        self.log_path = directory / "log"
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start and wait until it accepts connections."""
        with self.log_path.open("ab") as log:
            self._process = subprocess.Popen(self.command, cwd=self.directory, stdout=log, stderr=log)
        process = self._process

        def accepts() -> bool:
            if process.poll() is not None:
                raise AssertionError(f"{self.command[0]} ended with {process.returncode}:\n{self.log()}")
            with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", self.port), timeout=1):
                return True
            return False

        wait_until(accepts, f"{self.command[0]} on port {self.port}")

    def log(self) -> str:
        """What it has written so far."""
        return self.log_path.read_text(errors="replace") if self.log_path.exists() else ""

    def stop(self) -> None:
        """SIGTERM, and wait for the end."""
        self._end(signal.SIGTERM)

    def kill(self) -> None:
        """SIGKILL, and wait for the end."""
        self._end(signal.SIGKILL)

    def restart(self) -> None:
        """Stop if running, then start again on the same port and data."""
        self.stop()
        self.start()

    def freeze(self) -> None:
        """SIGSTOP: the kernel still accepts connections and bytes, nobody answers."""
        self.send_signal(signal.SIGSTOP)

    def thaw(self) -> None:
        """SIGCONT."""
        self.send_signal(signal.SIGCONT)

    @property
    def running(self) -> bool:
        """Whether the process lives."""
        return self._process is not None and self._process.poll() is None

    def send_signal(self, number: signal.Signals) -> None:
        """Send it a signal."""
        assert self._process is not None
        self._process.send_signal(number)

    def _end(self, number: signal.Signals) -> None:
        if self._process is None:
            return
        if self._process.poll() is None:
            self._process.send_signal(signal.SIGCONT)
            self._process.send_signal(number)
        try:
            self._process.wait(10)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait(10)
        self._process = None


@dataclass(frozen=True, slots=True)
class Account:
    """A broker user for tests: password, and ACL lines such as `topic readwrite #`."""

    password: str
    acl: tuple[str, ...] = ("topic readwrite #",)


class Mosquitto(ServerProcess):
    """A mosquitto broker. `port` speaks MQTT: over TLS when certificates were given, unless those are for `tls_port`,
    another port beside it. `ask_certificate`: clients must show one over TLS."""

    def __init__(
        self,
        directory: Path,
        *,
        accounts: Mapping[str, Account] | None = None,
        certificates: Certificates | None = None,
        settings: Mapping[str, str | int] | None = None,
        port: int | None = None,
        tls_port: int | None = None,
        ask_certificate: bool = False,
    ) -> None:
        program = find_program("mosquitto")
        self.accounts = accounts or {}
        self.certificates = certificates
        (directory / "data").mkdir(exist_ok=True)
        port = port or free_port()
        super().__init__([program, "-c", str(directory / "mosquitto.conf")], port, directory)
        lines: dict[str, str | int] = {
            "persistence": "true",
            "persistence_location": f"{directory / 'data'}/",
            "autosave_interval": 1800,
            "max_queued_messages": 2_000_000,
            "max_inflight_messages": 1000,
            "set_tcp_nodelay": "true",
            "allow_anonymous": "false" if self.accounts else "true",
            **(settings or {}),
        }
        if self.accounts:
            self._write_accounts(directory)
            lines |= {"password_file": str(directory / "passwd"), "acl_file": str(directory / "acl")}
        if os.geteuid() == 0:
            lines["user"] = "root"  # else it drops to a user that cannot read a test's folder
        listeners = [f"listener {port} 127.0.0.1"]
        if tls_port is not None:
            listeners.append(f"listener {tls_port} 127.0.0.1")
        if certificates is not None:
            asked = str(ask_certificate).lower()
            listeners += [f"cafile {certificates.ca}", f"certfile {certificates.server}", f"keyfile {certificates.key}"]
            listeners.append(f"require_certificate {asked}")
        text = "\n".join([*(f"{key} {value}" for key, value in lines.items()), *listeners])
        (directory / "mosquitto.conf").write_text(f"{text}\n")

    def _write_accounts(self, directory: Path) -> None:
        acl = []
        passwords = directory / "passwd"
        passwords.write_text("".join(f"{user}:{account.password}\n" for user, account in self.accounts.items()))
        subprocess.run([find_program("mosquitto_passwd"), "-U", str(passwords)], check=True, capture_output=True)
        for user, account in self.accounts.items():
            acl += [f"user {user}", *account.acl]
        (directory / "acl").write_text("\n".join(acl) + "\n")

    def limit_queue(self, messages: int) -> None:
        """Restart it so that it keeps no more than so many messages for a client that is away.

        Version 2.0.11 does not take this over on SIGHUP, whatever its manual says.
        """
        path = self.directory / "mosquitto.conf"
        lines = [line for line in path.read_text().splitlines() if not line.startswith("max_queued_messages ")]
        path.write_text("\n".join([f"max_queued_messages {messages}", *lines]) + "\n")
        self.restart()

    def forget(self) -> None:
        """Kill it and throw its store away, as when a disk is replaced."""
        self.kill()
        for path in (self.directory / "data").iterdir():
            path.unlink()

    def broker(self, **changes: Any) -> Broker:
        """Site settings that reach it."""
        tls = {"tls": True, "ca_file": str(self.certificates.ca)} if self.certificates else {}
        return Broker.model_validate({"host": "127.0.0.1", "port": self.port, **tls, **changes})


class TimeSeriesServer(ServerProcess):
    """A VictoriaMetrics server, which answers the InfluxDB v2 write API."""

    def __init__(self, directory: Path, port: int | None = None) -> None:
        program = find_program("victoria-metrics", "victoria-metrics-prod")
        port = port or free_port()
        command = [
            program, f"-storageDataPath={directory / 'data'}", f"-httpListenAddr=127.0.0.1:{port}",
            "-retentionPeriod=100y", "-dedup.minScrapeInterval=1ms", "-loggerLevel=WARN",
        ]  # fmt: skip
        super().__init__(command, port, directory)

    @property
    def url(self) -> str:
        """Its base address."""
        return f"http://127.0.0.1:{self.port}"

    def settings(self, **changes: Any) -> TimeSeries:
        """Site settings that reach it."""
        return TimeSeries.model_validate({"url": self.url, "timeout_s": 5.0, **changes})

    def get(self, path: str, **query: str) -> bytes:
        """Body of a GET."""
        address = f"{self.url}{path}" + (f"?{urllib.parse.urlencode(query)}" if query else "")
        with urllib.request.urlopen(address, timeout=10) as answer:  # address is our own loopback
            body: bytes = answer.read()
            return body

    def flush(self) -> None:
        """Make what was written visible to `export` (which does not make it durable)."""
        self.get("/internal/force_flush")

    def export(self, match: str) -> list[tuple[dict[str, str], list[tuple[int, float]]]]:
        """Series that match, each as (labels, [(milliseconds, value), ...]), after a flush."""
        self.flush()
        lines = self.get("/api/v1/export", **{"match[]": match, "start": "0", "end": "4102444800"}).splitlines()
        series = []
        for line in lines:
            plain = json.loads(line)
            series.append((plain["metric"], list(zip(plain["timestamps"], plain["values"], strict=True))))
        return series


AServer = TypeVar("AServer", bound=ServerProcess)


@contextlib.contextmanager
def running(server: AServer) -> Iterator[AServer]:
    """Start the server, and end it however the block is left."""
    try:
        server.start()
        yield server
    finally:
        server.kill()
