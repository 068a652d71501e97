"""How far a check of the record goes: the option of each command that checks, and what it says afterwards was walked.

Two extents, everywhere by the same words: the whole record, or all that the journal holds with archive files by their
hashes. Where there are no archive files they are one, and nothing is said.
"""

from __future__ import annotations

from typing import Annotated

import typer

WholeOption = Annotated[
    bool, typer.Option("--whole", help="Walk the rows of archive files, too; else these are checked by their hashes.")
]
ByHashesOption = Annotated[
    bool, typer.Option("--by-hashes", help="Check archive files by their hashes, without walking their rows.")
]


def walked(files: int, whole: bool, site: object) -> str | None:
    """What was walked of a record with so many archive files, and how the rest is proved; None: there is no rest."""
    if not files:
        return None
    many = "1 archive file" if files == 1 else f"{files} archive files"
    if whole:
        return f"All of it was walked, the rows of {many} too."
    return (
        f"All that the journal holds was walked, and {many} checked by SHA-256. Not walked: the rows in them, and the "
        f"sums of hours over their time. Have all of it proved, also beside a running service: motewatch verify {site}"
    )
