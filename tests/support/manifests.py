"""Folders that say they are backups, for whoever asks how old they are."""

from __future__ import annotations

import json
from pathlib import Path

from motewatch.links.backup import MANIFEST, read_manifest, scheduled_name
from motewatch.site.instants import instant


def backup(folder: Path, at_us: int, site: str = "plant", name_us: int | None = None) -> Path:
    """A folder that says it is a backup of that instant."""
    path = folder / scheduled_name(site, at_us if name_us is None else name_us)
    path.mkdir(parents=True)
    manifest = {
        "format": 1, "made_by": "motewatch", "site": site, "at": instant(at_us).isoformat(), "site_file": "site.toml",
        "journal_path": "journal.db", "inputs": 1, "outputs": 1, "last_input_at": None, "seals": 1, "files": {},
        "missing": [],
    }  # fmt: skip
    (path / MANIFEST).write_text(json.dumps(manifest))
    assert read_manifest(path).at_us == at_us
    return path
