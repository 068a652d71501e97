"""Archives of a site: makes what its rules of retention say, and lets the rows go.

Rules: files are made in a process of their own, which only reads the journal; rows are let go by the process that
writes it, a little at a time. How long what stays is the site file's; nothing is ever deleted that is not archived.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from motewatch.journal.archives import Kind, Manifest
from motewatch.journal.archiving import make_all
from motewatch.journal.journal import Journal
from motewatch.links.anchoring import signing_key
from motewatch.site.models import Site
from motewatch.site.retention import Retention
from motewatch.wire.records import DAY_US


def stay_us(settings: Retention) -> dict[Kind, int]:
    """How long each kind stays in the journal; kinds that are not named never leave it."""
    days = {Kind.MESSAGES: settings.messages_days, Kind.SAMPLES: settings.samples_days}
    return {kind: each * DAY_US for kind, each in days.items() if each is not None}


def make_archives(
    site: Site,
    base_dir: Path,
    journal: Journal,
    now_us: int,
    made: Callable[[Manifest], object] = lambda manifest: None,
) -> list[Manifest]:
    """Make every file that is due; a journal opened for reading will do.

    Raises `JournalError`, `LinkError`, `OSError`.
    """
    if site.retention is None:
        return []
    name = site.record.signing_key_file
    key = None if name is None else signing_key(name, base_dir)
    return make_all(journal.store, site.site.id, stay_us(site.retention), now_us, key, made)


def words(manifest: Manifest) -> str:
    """What is said of a file that was made, on the audit trail and to people."""
    return (
        f"{manifest.rows} {manifest.kind.value}, rows {manifest.first_id} to {manifest.last_id}, "
        f"sha256 {manifest.sha256}, manifest {manifest.hash}"
    )
