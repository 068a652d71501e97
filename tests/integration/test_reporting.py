"""Scheduled reports in the real service: made after its time is over, also when the service was down meanwhile."""

from __future__ import annotations

from pathlib import Path

import pytest

from motewatch.journal.reports import made_reports
from support.live import ABOVE, ShiftedClock, ask, live_site, serving, spot
from support.mqtt_peer import Peer
from support.servers import Mosquitto, wait_until

pytestmark = pytest.mark.broker

DAY_S = 86_400.0


def test_a_day_is_reported_by_the_service_that_comes_after_it(mosquitto: Mosquitto, tmp_path: Path) -> None:
    site = {**live_site({"port": mosquitto.port}), "reports": [{"id": "daily", "kind": "day", "after_min": 1}]}
    with serving(tmp_path, site), Peer(mosquitto.port) as peer:
        peer.publish(*spot(1, ABOVE))
        wait_until(lambda: bool(ask(tmp_path, lambda journal: journal.query_samples("spot-1"))), "the sample")
        assert ask(tmp_path, lambda journal: made_reports(journal.store)) == []
    with serving(tmp_path, site, ShiftedClock(DAY_S + 120)):
        wait_until(lambda: bool(ask(tmp_path, lambda journal: made_reports(journal.store))), "the report", 60)
        ((_, made),) = ask(tmp_path, lambda journal: made_reports(journal.store)) or []
        assert (made.kind, made.made_by) == ("day", "motewatch")
        assert (tmp_path / "reports" / made.file).is_file()

        def told() -> bool:
            rows = ask(tmp_path, lambda journal: journal.query_audit()) or []
            return [(row.action, row.subject) for row in rows if row.action.startswith("report")] == [
                ("report-made", f"report/{made.id}")
            ]

        wait_until(told, "the audit trail")
