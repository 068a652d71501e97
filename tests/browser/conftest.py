"""A browser for the tests of one module."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from support.browser import Browser


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    """Chromium without a window; each test opens tabs of its own."""
    with Browser(tmp_path_factory.mktemp("browser")) as made:
        yield made
