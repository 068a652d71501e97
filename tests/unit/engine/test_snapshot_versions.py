"""A snapshot of another version is refused by what it is: an older one to be put aside, a newer one by name."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from motewatch.engine import Engine, NewerStateError, OlderStateError
from motewatch.engine.core import STATE_VERSION
from motewatch.engine.records import Memory
from support.facility import engine

KEPT = Path(__file__).parents[2] / "data" / "snapshots"


def kept(version: int) -> dict[str, Any]:
    """The snapshot that a motewatch of that version wrote."""
    state: dict[str, Any] = json.loads((KEPT / f"version-{version}.json").read_text(encoding="utf-8"))
    return state


@pytest.mark.parametrize("version", range(1, STATE_VERSION))
def test_an_older_snapshot_is_called_older_and_says_what_to_do(version: int) -> None:
    with pytest.raises(OlderStateError, match=f"state version {version}.*put it aside and replay") as caught:
        Engine.restore(kept(version), Memory())
    assert "newer" not in str(caught.value)


@pytest.mark.parametrize("version", [STATE_VERSION + 1, "2", None])
def test_a_newer_or_unknown_snapshot_is_refused_by_name(version: object) -> None:
    state = {**engine().snapshot(), "version": version}
    with pytest.raises(NewerStateError, match=f"state version {version}.*or a newer one"):
        Engine.restore(state, Memory())


def test_one_of_this_version_is_taken() -> None:
    state = engine().snapshot()
    assert Engine.restore(state, Memory()).snapshot() == state
