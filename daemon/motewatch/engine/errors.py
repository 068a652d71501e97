"""What can go wrong in the engine.

EngineError
 +- NotConfiguredError   an input came before the first configuration
 +- TimeWentBackError    an input lies at or before an instant already passed
 +- NewerStateError      a snapshot is of a newer version, which alone can read it
 +- OlderStateError      a snapshot is of an older version: put it aside and replay the inputs
"""

from __future__ import annotations


class EngineError(Exception):
    """Base of the engine's errors."""


class NotConfiguredError(EngineError):
    """An input came before the first configuration."""


class TimeWentBackError(EngineError):
    """An input lies at or before an instant the engine has already passed."""


class NewerStateError(EngineError):
    """A snapshot was made by a newer version than this one knows."""


class OlderStateError(EngineError):
    """A snapshot was made by an older version; the inputs it stands for are on record and can be replayed."""
