"""What can go wrong with the journal, as one tree.

    JournalError
     +- JournalOpenError           it cannot be used as it is; the sentence says what to do
     |   +- NotAJournalError       missing, or something else lies at that path
     |   +- JournalNewerError      written by a newer motewatch
     |   +- JournalOlderError      a reader met a journal that the service has yet to bring up to date
     |   +- OtherSiteError         the journal of another site
     +- JournalDefectError         our own fault: a batch that cannot be, a write through a reader
     +- JournalUnwritableError     nothing was written; the same batch may be tried again
     |   +- DiskFullError
     |   +- JournalBusyError       another process held the write lock too long
     |   +- JournalIoError         the disk or the file system failed
     +- JournalCorruptError        the file is damaged
     +- ArchiveError               an archive file beside the journal is missing, damaged or not what it should be

Rules: whatever the error, the transaction was rolled back whole. Leaves carry data as attributes; where a person must
act the sentence says how.
"""

from __future__ import annotations


class JournalError(Exception):
    """Anything the journal has to say. `path` is the file."""

    def __init__(self, path: str, message: str) -> None:
        self.path = path
        super().__init__(f"{path}: {message}")


class JournalOpenError(JournalError):
    """The journal cannot be opened as it is."""


class NotAJournalError(JournalOpenError):
    """There is no motewatch journal at that path."""


class JournalNewerError(JournalOpenError):
    """A newer motewatch wrote this journal. `found` is its schema version, `known` the newest of this program."""

    def __init__(self, path: str, found: int, known: int) -> None:
        self.found = found
        self.known = known
        super().__init__(
            path,
            f"this journal has schema version {found}, and this motewatch knows versions up to {known}. Install the "
            "motewatch that last wrote it (or a newer one), or restore the backup made before the update.",
        )


class JournalOlderError(JournalOpenError):
    """A reader met an older schema; readers change nothing."""

    def __init__(self, path: str, found: int, known: int) -> None:
        self.found = found
        self.known = known
        super().__init__(
            path,
            f"this journal has schema version {found}, and this motewatch reads version {known}. Start the service "
            "once with this motewatch: it brings the journal up to date.",
        )


class OtherSiteError(JournalOpenError):
    """The journal belongs to another site."""

    def __init__(self, path: str, found: str, wanted: str) -> None:
        self.found = found
        self.wanted = wanted
        super().__init__(
            path,
            f"this is the journal of site '{found}', not of '{wanted}'. Give each site a journal file of its own, or "
            "correct the site's id.",
        )


class JournalDefectError(JournalError):
    """A defect of motewatch itself: what was asked for can never be right."""


class JournalUnwritableError(JournalError):
    """Nothing was written, and the same batch may be written later."""


class DiskFullError(JournalUnwritableError):
    """No room left."""

    def __init__(self, path: str) -> None:
        super().__init__(path, "no space left to write the journal. Free space on its disk; nothing was half written.")


class JournalBusyError(JournalUnwritableError):
    """Another process held the write lock."""

    def __init__(self, path: str) -> None:
        super().__init__(
            path,
            "another process is writing the journal. Only one motewatch service may run on it: stop the other one, or "
            "wait for the backup or maintenance tool to finish.",
        )


class JournalIoError(JournalUnwritableError):
    """The disk or the file system failed, or forbids writing."""


class JournalCorruptError(JournalError):
    """The file is damaged."""

    def __init__(self, path: str, detail: str) -> None:
        super().__init__(
            path,
            f"the journal is damaged ({detail}). Keep this file as it is, restore the last backup, and check the disk.",
        )


class ArchiveError(JournalError):
    """An archive file is missing, damaged, or not what the register says; or archives cannot be read here."""
