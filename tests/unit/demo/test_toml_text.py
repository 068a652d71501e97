"""The demo's TOML writer: what it writes reads back as it was."""

from __future__ import annotations

import tomllib
from datetime import date, time
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from motewatch_simulator.demo.toml_text import toml_text

CONFIG = Path(__file__).parents[3] / "config"

scalars = (
    st.booleans()
    | st.integers(-(2**63), 2**63 - 1)
    | st.floats(allow_nan=False)
    | st.text(st.characters(exclude_categories=["Cs"]))
    | st.dates()
)
keys = st.text(st.characters(exclude_categories=["Cs"]), max_size=8)
documents = st.dictionaries(
    keys,
    st.recursive(
        scalars, lambda inner: st.lists(inner, max_size=4) | st.dictionaries(keys, inner, max_size=4), max_leaves=12
    ),
    max_size=5,
)


@given(documents)
def test_any_document_survives(document: dict[str, Any]) -> None:
    assert tomllib.loads(toml_text(document)) == document


@pytest.mark.parametrize("name", ["demo-site.toml", "demo-scenario.toml"])
def test_the_demo_files_survive(name: str) -> None:
    document = tomllib.loads((CONFIG / name).read_text())
    assert tomllib.loads(toml_text(document)) == document


def test_tables_of_a_list_keep_what_is_inside_them() -> None:
    document = {"rooms": [{"id": "a", "climate": {"low": {"c": 1.5}}}, {"id": "b"}], "due": date(2030, 6, 30)}
    assert toml_text(document) == (
        'due = 2030-06-30\n\n[[rooms]]\nid = "a"\n\n[rooms.climate]\n\n[rooms.climate.low]\nc = 1.5\n\n'
        '[[rooms]]\nid = "b"\n'
    )


def test_what_it_cannot_write_is_refused() -> None:
    with pytest.raises(ValueError, match="no TOML for time"):
        toml_text({"at": time(8, 0)})
