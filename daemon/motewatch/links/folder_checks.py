"""Looks for `check` at the folder that backups go to: is it there, and may it be written?

Rules: warnings, since `check` also runs on other machines and by other users than the service.
"""

from __future__ import annotations

import os
from pathlib import Path

from motewatch.site.models import Site
from motewatch.site.problems import Problem, Severity, value_text


def check_folders(site: Site, path: Path) -> list[Problem]:
    """Warnings about the backup folder of the site in the file `path`."""
    if site.backup is None:
        return []
    folder = path.parent / site.backup.folder
    found = _look(folder)
    if found is None:
        return []
    message, mend = found
    return [Problem(str(path), "backup.folder", value_text(site.backup.folder), message, mend, Severity.WARNING)]


def _look(folder: Path) -> tuple[str, str] | None:
    """What is wrong with it and how to mend it, or None."""
    mend = "Create it, or mount what belongs there, and let the service's user write in it."
    try:
        if not folder.exists():
            return "this folder is not there now; no backup could be made", mend
        if not folder.is_dir():
            return "this is no folder; no backup could be made", "Name a folder."
    except OSError as error:
        return f"this folder cannot be looked at by whoever runs check ({error.strerror})", mend
    if not os.access(folder, os.W_OK | os.X_OK):
        return "whoever runs check may not write in this folder; the service's user must", mend
    return None
