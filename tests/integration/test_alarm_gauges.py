"""A real service publishes its alarm figures to a real time-series server, and retained on a real broker."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from support.live import ABOVE, TOPICS, live_site, serving, spot
from support.mqtt_peer import Peer
from support.servers import Mosquitto, TimeSeriesServer, wait_until

pytestmark = [pytest.mark.broker, pytest.mark.timeseries]


def test_figures_of_the_last_hour_arrive(
    mosquitto: Mosquitto, time_series_server: TimeSeriesServer, tmp_path: Path
) -> None:
    site = live_site({"port": mosquitto.port}, {"url": time_series_server.url})
    site["alarm_figures"] = {"publish_every_s": 1}

    def told() -> list[float]:
        found = time_series_server.export('alarm_figures_annunciated{window="1h"}')
        return [value for _, values in found for _, value in values]

    with serving(tmp_path, site), Peer(mosquitto.port, TOPICS.figures) as peer:
        peer.publish(*spot(0, ABOVE))
        wait_until(lambda: 1.0 in told(), "a point that counts the alarm")
        wait_until(
            lambda: json.loads(peer.wait_for(1)[-1].payload)["windows"][0]["annunciated"] == 1,
            "a message that counts it",
        )
    with Peer(mosquitto.port, TOPICS.figures) as later:
        kept = later.wait_for(1)[0]
    assert json.loads(kept.payload)["windows"][0]["standing"] == 1
