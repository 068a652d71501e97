"""At a start a clock that is years from the end of the record is refused; one that is a little off is not."""

from __future__ import annotations

from pathlib import Path

import pytest

from motewatch.service import Service
from motewatch.service.errors import ServiceError
from motewatch.service.program import AWAY_US, BEHIND_US
from support.command_line import write_site
from support.facility import site_dict
from support.links_fakes import FakeClock
from support.servers import free_port

MINUTE_US = 60_000_000


def test_a_clock_years_off_is_refused_by_name_and_one_a_little_off_is_not(tmp_path: Path) -> None:
    site = site_dict(service={"broker": {"port": free_port()}})
    path, begun = write_site(tmp_path, site), FakeClock()
    with Service(path, begun):
        pass
    for off_us, words in (
        (AWAY_US + MINUTE_US, "400 days after the end of the record (2026-05-28 20:27 UTC): all of that"),
        (10 * AWAY_US, "4000 days after the end of the record"),
        (-BEHIND_US - MINUTE_US, "1 days before the end of the record"),
        (-10 * AWAY_US, "4000 days before the end of the record"),
    ):
        with (
            pytest.raises(ServiceError, match="this machine's clock says") as refused,
            Service(path, FakeClock(begun.now_us() + off_us)),
        ):
            pass
        assert words in str(refused.value)
        assert "set the clock right" in str(refused.value)
    with Service(path, FakeClock(begun.now_us() - BEHIND_US + MINUTE_US)):
        pass
