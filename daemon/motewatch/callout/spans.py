"""A stretch of time that a person is on call. Shared by rotation, calendar and roster."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, order=True)
class Span:
    """From `begin_us` until before `end_us`, microseconds UTC."""

    begin_us: int
    end_us: int
    person: str
