"""What a site does not use is not loaded: libraries that cost memory and time at every start."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from motewatch.site.later import Later
from motewatch_simulator.load import site_text

HEAVY = {
    "apprise": "channels of a notification service",
    "cryptography": "sign-in and signatures",
    "httpx": "channels over HTTP",
    "icalendar": "rotas from calendars",
    "influxdb_client": "a time-series server",
    "jinja2": "pages",
    "numpy": "trends, studies and reports",
    "starlette": "pages",
    "typst": "reports as PDF",
    "uvicorn": "pages",
}

SERVE = """
import json, sys
from pathlib import Path
from motewatch.service import Service

with Service(Path(sys.argv[1])) as service:
    service.writer.pulse()
    print(json.dumps(sorted({name.partition(".")[0] for name in sys.modules})))
"""


def test_a_site_without_pages_channels_and_series_loads_none_of_their_libraries(tmp_path: Path) -> None:
    site = tmp_path / "site.toml"
    # Nobody listens there: the service starts all the same.
    site.write_text(site_text(3, port=1))
    done = subprocess.run([sys.executable, "-c", SERVE, site], capture_output=True, text=True, check=True, timeout=120)
    loaded = json.loads(done.stdout.splitlines()[-1])
    assert "sqlalchemy" in loaded
    assert [f"{name}: only for {what}" for name, what in HEAVY.items() if name in loaded] == []


def test_a_module_is_loaded_when_something_of_it_is_asked_for() -> None:
    fractions = Later("fractions")
    assert "Fraction" not in vars(fractions)
    assert fractions.Fraction(1, 2) == fractions.Fraction(2, 4)
    assert "Fraction" in vars(fractions)


def test_what_a_module_does_not_have_is_said_as_by_the_module() -> None:
    with pytest.raises(AttributeError, match="module 'fractions' has no attribute 'nothing'"):
        Later("fractions").nothing  # noqa: B018
    with pytest.raises(ModuleNotFoundError):
        Later("no_such_library").anything  # noqa: B018
