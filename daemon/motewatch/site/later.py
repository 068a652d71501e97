"""A module that is loaded when something of it is first asked for.

For libraries that a site may never need (array arithmetic, the client of a time-series server): together they take
28 MB and half a second of every start. The type checker is given the plain import beside it:

    if TYPE_CHECKING:
        import numpy as np
    else:
        np = Later("numpy")
"""

from __future__ import annotations

from importlib import import_module
from typing import Any


class Later:
    """Stands for the module `name`."""

    def __init__(self, name: str) -> None:
        self._name = name

    def __getattr__(self, attribute: str) -> Any:
        value = getattr(import_module(self._name), attribute)
        # Found in the instance from now on, as fast as in the module.
        setattr(self, attribute, value)
        return value
