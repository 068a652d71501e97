"""Records that are made for every message: frozen for the type checker, without the guard at run time.

A frozen dataclass writes each field through `object.__setattr__`, which costs five to six times the plain way, and a
message makes fifty such fields. So these few are frozen where it is checked (mypy, in CI) and plain where it would
cost. All else is as in `@dataclass(frozen=True, slots=True)`: fields, equality, hash, `replace`. For records on the
path of every message only.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from dataclasses import dataclass as hot_record
else:
    from dataclasses import dataclass

    def hot_record(*, frozen: bool, slots: bool):
        """`@dataclass(frozen=True, slots=True)` without the guard."""
        assert frozen
        assert slots
        return dataclass(slots=True, unsafe_hash=True)


__all__ = ["hot_record"]
