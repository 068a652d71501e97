"""A service on a real broker, and somebody who listens to all that it says."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from motewatch.service import Service
from support.live import EVERYTHING, live_site, serving
from support.mqtt_peer import Peer
from support.servers import Mosquitto


@pytest.fixture
def service(mosquitto: Mosquitto, tmp_path: Path) -> Iterator[Service]:
    with serving(tmp_path, live_site({"port": mosquitto.port})) as made:
        yield made


@pytest.fixture
def peer(mosquitto: Mosquitto, service: Service) -> Iterator[Peer]:
    with Peer(mosquitto.port, EVERYTHING) as made:
        yield made
