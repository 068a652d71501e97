"""The deterministic step: (state, input, time) -> (state, outputs). Pure.

The design page draws it as one file, `engine.py`; it grew past what one file should hold and is a package: `records`
(the interface), `plan` (the site compiled), `core` (the step), and one module per thing it keeps track of.
"""

from motewatch.engine.core import Engine
from motewatch.engine.errors import (
    EngineError,
    NewerStateError,
    NotConfiguredError,
    OlderStateError,
    TimeWentBackError,
)

__all__ = [
    "Engine",
    "EngineError",
    "NewerStateError",
    "NotConfiguredError",
    "OlderStateError",
    "TimeWentBackError",
]
