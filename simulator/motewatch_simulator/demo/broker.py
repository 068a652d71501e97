"""A broker for the demo: mosquitto where it is installed, else the one from PyPI, on a free loopback port.

Rules: bound to 127.0.0.1, without passwords, in the demo's folder; nobody's existing broker is touched. The broker from
PyPI (iotcore, the `demo` extra) keeps nothing over a restart and ignores session expiry: it is for demos alone.
"""

from __future__ import annotations

import contextlib
import importlib.util
import os
import shutil
import socket
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Literal

from motewatch_simulator.demo.children import Child
from motewatch_simulator.demo.errors import ChildError, DemoError, NoBrokerError

Kind = Literal["mosquitto", "iotcore"]

SBIN: Final = ("/usr/sbin", "/usr/local/sbin")
"""Where Debian keeps server programs, which is not on an ordinary user's PATH."""

READY_S: Final = 15.0
TRIES: Final = 3
"""A port that was free a moment ago can be taken by somebody else."""

# Queue limits are explicit: mosquitto's default silently keeps only the oldest 1000 messages of an outage.
MOSQUITTO: Final = """\
per_listener_settings false
allow_anonymous true
persistence true
persistence_location {directory}/
autosave_interval 30
max_queued_messages 2000000
max_inflight_messages 1000
{user}listener {port} 127.0.0.1
"""

# Without the v5 section it speaks MQTT 3.1.1 alone; its default address would be every network of the machine.
IOTCORE: Final = """\
id = 0

[router]
id = 0
max_connections = 200
max_outgoing_packet_count = 2000
max_segment_size = 104857600
max_segment_count = 10

[v5.1]
name = "mqtt5"
listen = "127.0.0.1:{port}"
next_connection_delay_ms = 1

[v5.1.connections]
connection_timeout_ms = 60000
max_payload_size = 131072
max_inflight_count = 100
dynamic_filters = true
"""


@dataclass(frozen=True, slots=True)
class DemoBroker:
    """A running broker."""

    kind: Kind
    port: int
    child: Child


def start_broker(wanted: Kind | Literal["auto"], directory: Path, logs: Path) -> DemoBroker:
    """Start the broker of that kind, or the best one there is. NoBrokerError says what to install."""
    mosquitto = find_mosquitto()
    if wanted == "mosquitto" and mosquitto is None:
        raise NoBrokerError("mosquitto is not installed. On Debian and Ubuntu: sudo apt-get install mosquitto")
    if wanted != "iotcore" and mosquitto is not None:
        try:
            return _start("mosquitto", [mosquitto], directory, logs)
        except ChildError:
            # Such as a security profile that forbids it this folder. The other broker may do.
            if wanted == "mosquitto" or not has_iotcore():
                raise
    if not has_iotcore():
        raise NoBrokerError(
            "No broker found. Install mosquitto (Debian and Ubuntu: sudo apt-get install mosquitto) or the demo's own "
            "(pip install 'motewatch[demo]')."
        )
    return _start("iotcore", [sys.executable, "-m", "iotcore"], directory, logs)


def find_mosquitto() -> str | None:
    """Full path of mosquitto, or None."""
    return shutil.which("mosquitto", path=os.pathsep.join([os.environ.get("PATH", os.defpath), *SBIN]))


def has_iotcore() -> bool:
    """Whether the broker from PyPI is installed."""
    return importlib.util.find_spec("iotcore") is not None


def _start(kind: Kind, program: list[str], directory: Path, logs: Path) -> DemoBroker:
    folder = directory / "broker"
    folder.mkdir(exist_ok=True)
    attempt = 0
    while True:
        attempt += 1
        port = _free_port()
        command = [*program, *_configure(kind, port, folder)]
        child = Child(f"broker ({kind})", command, logs / "broker.log", folder)
        try:
            child.wait_until(lambda port=port: _accepts(port), "accept connections", READY_S)  # type: ignore[misc]
        except DemoError:
            child.stop(2)
            if attempt == TRIES:
                raise
            continue
        return DemoBroker(kind, port, child)


def _configure(kind: Kind, port: int, folder: Path) -> list[str]:
    """Write the configuration; the arguments that name it."""
    if kind == "mosquitto":
        # As root it would drop to a user of its own, who cannot read this folder.
        user = "user root\n" if os.geteuid() == 0 else ""
        path = folder / "mosquitto.conf"
        path.write_text(MOSQUITTO.format(directory=folder, port=port, user=user))
        return ["-c", str(path)]
    path = folder / "iotcore.toml"
    path.write_text(IOTCORE.format(port=port))
    # It reports every packet as an error of its own; what ends it is printed all the same.
    return ["--config", str(path), "--log-level", "CRITICAL"]


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


def _accepts(port: int) -> bool:
    with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), timeout=1):
        return True
    return False
