"""Programs that tests need: found, or the test is skipped by name; with CI=true a missing one is a failure."""

from __future__ import annotations

import os
import shutil
from typing import Final

import pytest

SBIN: Final = ("/usr/sbin", "/usr/local/sbin", "/sbin")
"""Debian keeps server programs here, which is not on an ordinary user's PATH."""


def find_program(*names: str) -> str:
    """Full path of the first of `names` that exists. Skips the calling test, or fails it when CI=true."""
    path = os.pathsep.join([os.environ.get("PATH", os.defpath), *SBIN])
    for name in names:
        found = shutil.which(name, path=path)
        if found is not None:
            return found
    message = f"needs the program {' or '.join(names)}, which is not installed"
    if os.environ.get("CI") == "true":
        pytest.fail(message)
    pytest.skip(message)
