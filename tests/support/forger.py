"""Somebody who has the journal's file and knows how its tables hang together; he keeps derived rows in step."""

from __future__ import annotations

import sqlite3
from pathlib import Path
from typing import Any

TABLES = ("inputs", "outputs", "dead_letters")
DERIVED = ("samples", "alarm_events", "audit", "calls", "call_alarms", "call_ids")


class Forger:
    """Has the file, and knows how the tables hang together."""

    def __init__(self, path: Path) -> None:
        self.raw = sqlite3.connect(path)
        self.raw.execute("PRAGMA foreign_keys = OFF")
        for (name,) in self.raw.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            self.raw.execute(f"DROP TRIGGER {name}")

    def last(self, table: str) -> int:
        return int(self.raw.execute(f"SELECT max(id) FROM {table}").fetchone()[0])

    def rename(self, table: str, old: int, new: int) -> None:
        """Another id for a row, and for all that names it."""
        self.raw.execute(f"UPDATE {table} SET id = ? WHERE id = ?", (new, old))
        if table == "outputs":
            for derived in DERIVED:
                self.raw.execute(f"UPDATE {derived} SET output_id = ? WHERE output_id = ?", (new, old))
        elif table == "inputs":
            for derived in ("outputs", "samples"):
                self.raw.execute(f"UPDATE {derived} SET input_id = ? WHERE input_id = ?", (new, old))

    def remove(self, table: str, row_id: int) -> None:
        if table == "outputs":
            for derived in DERIVED:
                self.raw.execute(f"DELETE FROM {derived} WHERE output_id = ?", (row_id,))
        self.raw.execute(f"DELETE FROM {table} WHERE id = ?", (row_id,))

    def row(self, table: str, row_id: int) -> dict[str, Any]:
        found = self.raw.execute(f"SELECT * FROM {table} WHERE id = ?", (row_id,))
        names = [column[0] for column in found.description]
        return dict(zip(names, found.fetchone(), strict=True))

    def insert(self, table: str, row: dict[str, Any]) -> None:
        marks = ", ".join("?" * len(row))
        self.raw.execute(f"INSERT INTO {table} ({', '.join(row)}) VALUES ({marks})", list(row.values()))
