"""What deploy/docs/channels.md says holds: its example, its code, its shell line, its tables, its message."""

from __future__ import annotations

import re
import subprocess
import tomllib
from dataclasses import replace
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from pydantic import TypeAdapter

from motewatch.links.call_text import render
from motewatch.links.channels.signature import IDEMPOTENCY, SIGNATURE, TIMESTAMP, sign, verify
from motewatch.site.people import Channel
from support.calls import CALL, FACT, NAMES
from support.missing import find_program

PAGE = (Path(__file__).parents[3] / "deploy" / "docs" / "channels.md").read_text(encoding="utf-8")


def fenced(language: str) -> str:
    """The one block of code in this language."""
    (block,) = re.findall(rf"^```{language}\n(.*?)^```", PAGE, flags=re.MULTILINE | re.DOTALL)
    assert isinstance(block, str)
    return block


EXAMPLE = dict(re.findall(r"^(\w+):\s+(.+)$", fenced("text"), flags=re.MULTILINE))
KEY, BODY = EXAMPLE["key"].encode(), EXAMPLE["body"].encode()


def test_the_worked_example_is_right() -> None:
    assert sign(KEY, int(EXAMPLE["timestamp"]), BODY) == EXAMPLE["signature"]
    assert verify(KEY, EXAMPLE["timestamp"], EXAMPLE["signature"], BODY, int(EXAMPLE["timestamp"]) + 60)


def test_the_code_for_receivers_agrees() -> None:
    names: dict[str, Any] = {}
    exec(fenced("python"), names)
    genuine = names["genuine"]
    now_s = int(EXAMPLE["timestamp"])
    headers = {TIMESTAMP: EXAMPLE["timestamp"], SIGNATURE: EXAMPLE["signature"]}
    assert genuine(KEY, headers, BODY, now_s)
    assert not genuine(KEY, headers, BODY + b" ", now_s)
    assert not genuine(KEY + b"x", headers, BODY, now_s)
    assert not genuine(KEY, headers, BODY, now_s + 301)
    assert not genuine(KEY, headers | {TIMESTAMP: str(now_s + 1)}, BODY, now_s)


def test_the_shell_line_agrees() -> None:
    find_program("openssl")
    said = subprocess.run(["sh", "-c", fenced("sh")], check=True, capture_output=True, text=True).stdout
    assert said.split()[-1] == EXAMPLE["signature"].removeprefix("sha256=")


def test_the_headers_have_the_names_that_are_sent() -> None:
    assert all(f"| `{name}` |" in PAGE for name in (TIMESTAMP, SIGNATURE, IDEMPOTENCY))


def test_the_tables_for_the_site_file_are_taken() -> None:
    blocks = re.findall(r"(?:^    .*\n|^\n(?=    ))+", PAGE, flags=re.MULTILINE)
    tables = [
        tomllib.loads(re.sub("^    ", "", block, flags=re.MULTILINE)) for block in blocks if "[[channels]]" in block
    ]
    kinds = []
    for table in tables:
        for channel in table["channels"]:
            if channel["id"] == "mail" and "host" not in channel:
                continue  # the first one shows what all kinds share
            kinds.append(TypeAdapter[Any](Channel).validate_python(channel).kind)
    assert sorted(kinds) == ["e-mail", "mqtt", "service", "webhook"]


@pytest.mark.parametrize("link", ["https://air.example.org/a/AQ..."])
def test_the_message_is_one_that_is_sent(link: str) -> None:
    fact = replace(
        FACT,
        what="Needle side: 14 210 particles/m3 >= 0.5 um, above the action level of 3 520 (ISO 5)",
        where="Needle side, Filling",
    )
    told = replace(CALL, id="call-1780000020-1", facts=(fact,))
    text = render(told, NAMES, link, ZoneInfo("Europe/Berlin")).text.replace("\u202f", " ")
    assert "\n".join(f"    {line}".rstrip() for line in text.splitlines()) in PAGE
