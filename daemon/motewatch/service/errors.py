"""What can go wrong with the service itself.

ServiceError                  the service cannot start or had to stop
+-- AnotherServiceError       another one already serves this journal
StopAskedError                a stop was asked while the service was still starting
"""

from __future__ import annotations


class ServiceError(Exception):
    """The service cannot start or had to stop; the text says why and what to do."""


class AnotherServiceError(ServiceError):
    """Another service holds the journal. `holder` is its process id as it wrote it down."""

    def __init__(self, journal: str, holder: str) -> None:
        self.journal = journal
        self.holder = holder
        who = f"process {holder}" if holder else "another process"
        super().__init__(
            f"{journal}: {who} already serves this journal. Stop it first, or give this service a journal of its own "
            "(service.journal in the site file)."
        )


class StopAskedError(Exception):
    """A stop was asked while the service was still starting."""
