"""A site that calls nobody and has no page starts without the libraries that only the others need."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Final

import pytest

from support.command_line import write_site
from support.live import live_site
from support.servers import free_port

HEAVY: Final = ("apprise", "httpx", "icalendar", "jinja2", "recurring_ical_events", "smtplib", "starlette", "uvicorn")
SHOW: Final = """
import json, sys
from pathlib import Path
from motewatch.service import Service
with Service(Path(sys.argv[1])):
    print(json.dumps(sorted(set(sys.argv[2:]) & set(sys.modules))))
"""


@pytest.mark.parametrize(
    ("changes", "loaded"),
    [
        ({}, []),
        ({"channels": [{"id": "broker", "kind": "mqtt"}]}, ["jinja2"]),
    ],
    ids=["nobody is called", "over the broker"],
)
def test_only_what_the_site_needs_is_loaded(tmp_path: Path, changes: dict[str, object], loaded: list[str]) -> None:
    site = write_site(tmp_path, live_site({"host": "127.0.0.1", "port": free_port()}) | changes)
    shown = subprocess.run(
        [sys.executable, "-c", SHOW, str(site), *HEAVY], capture_output=True, text=True, timeout=60, check=True
    )
    assert json.loads(shown.stdout) == loaded, shown.stderr


def test_what_checks_signed_tokens_is_loaded_for_an_identity_provider_only(tmp_path: Path) -> None:
    port = free_port()
    console = {"public_url": f"http://127.0.0.1:{port}", "port": port}
    site = write_site(tmp_path, live_site({"host": "127.0.0.1", "port": free_port()}) | {"console": console})
    shown = subprocess.run(
        [sys.executable, "-c", SHOW, str(site), "jwt", "cryptography.fernet", "starlette"],
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
    )
    assert json.loads(shown.stdout) == ["starlette"], shown.stderr
