"""Fixtures shared by all tests: the real servers. Helpers that are no fixtures are in `support`."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

from support.servers import Mosquitto, TimeSeriesServer, running

# No example fails for having taken long: the machine may be busy. The rest is as the library has it, also under CI.
settings.register_profile(
    "unhurried",
    settings(),
    deadline=None,
    suppress_health_check=[*settings().suppress_health_check, HealthCheck.too_slow],
)
settings.load_profile("unhurried")


@pytest.fixture
def mosquitto(tmp_path: Path) -> Iterator[Mosquitto]:
    """A broker on loopback that lets everyone in; saves its store when stopped, not when killed."""
    directory = tmp_path / "mosquitto"
    directory.mkdir()
    with running(Mosquitto(directory)) as broker:
        yield broker


@pytest.fixture
def time_series_server(tmp_path: Path) -> Iterator[TimeSeriesServer]:
    """A time-series server on loopback."""
    directory = tmp_path / "time-series"
    directory.mkdir()
    with running(TimeSeriesServer(directory)) as server:
        yield server
