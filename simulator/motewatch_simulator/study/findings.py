"""What a study found, as plain values: records only, filled by `answers`, said by `words`, drawn by `plots`."""

from __future__ import annotations

from dataclasses import dataclass

from motewatch_simulator.study import model as m
from motewatch_simulator.study.class_held import Cell
from motewatch_simulator.study.positions import Placing
from motewatch_simulator.study.sensitivity import Influence


@dataclass(frozen=True, slots=True)
class SizeAnswer:
    """One limit. Concentrations per m3, supplies in air changes per hour; None: no air does it, or it never is."""

    cell: Cell
    nominal: float
    median: float
    low: float
    high: float
    """5 and 95 % of the drawn rooms."""
    held: float
    held_from: float
    held_to: float
    """The share of drawn rooms that hold it, with its 95 % interval."""
    held_by_formula: float
    """The same from median and spread, as if lognormal."""
    needed_per_h: float | None
    """For the wanted probability."""
    simple_per_h: float | None
    """By `Q = G / (eps C / safety)`; only of the mixed room."""


@dataclass(frozen=True, slots=True)
class StateAnswer:
    """One part of the room in one state. `binding_um`: the size that decides."""

    part: str
    state: str
    holds: str
    held: float
    held_from: float
    held_to: float
    binding_um: float
    sizes: tuple[SizeAnswer, ...]
    influences: tuple[Influence, ...]
    """Of the binding size."""


@dataclass(frozen=True, slots=True)
class Recovery:
    """Back to the limit at rest after people left; minutes, None: never."""

    part: str
    size_um: float
    limit_per_m3: int
    nominal_min: float | None
    hundredth_min: float | None
    """100:1 of the room; None for a zone, which clears within its transit."""


@dataclass(frozen=True, slots=True)
class IncidentAnswer:
    """One incident under one rule, by the engine."""

    incident: str
    found: int
    tried: int
    before: int
    """Runs in which an alarm stood already."""
    chance: float
    chance_from: float
    chance_to: float
    by_chance: float
    """How often an alarm of ordinary work would start in the same time."""
    median_delay_s: float | None
    late_delay_s: float | None
    """90 % of those found are found by then."""
    parts_s: tuple[tuple[str, float], ...]
    """What a delay is made of at least, by arithmetic."""


@dataclass(frozen=True, slots=True)
class RuleAnswer:
    """One rule. Alarms per month without any incident, over all counters, and by counter."""

    rule: m.AlarmRule
    months: int
    alarms: int
    per_month: float
    per_month_to: float
    """Upper 95 % bound of the mean."""
    by_place: tuple[tuple[str, float], ...]
    incidents: tuple[IncidentAnswer, ...]
    weighted: float
    """The chance to find what may happen, by the study's weights."""
    beyond: float
    """The same beyond what chance alone would set off."""


@dataclass(frozen=True, slots=True)
class TubeAnswer:
    """What a tube lets through, by size of the counter, and what would let more through."""

    place: str
    arrives: tuple[tuple[float, float], ...]
    transit_s: float
    cures: tuple[tuple[str, float], ...]


@dataclass(frozen=True, slots=True)
class Sampling:
    """What a classification test of the room would need."""

    locations: int
    volume_l: float
    minutes: float


@dataclass(frozen=True, slots=True)
class Answers:
    """Everything a study says."""

    study: m.Study
    states: tuple[StateAnswer, ...]
    recoveries: tuple[Recovery, ...]
    placing: Placing
    rules: tuple[RuleAnswer, ...]
    tubes: tuple[TubeAnswer, ...]
    sampling: Sampling
    needed_per_h: float | None
    """Air changes that hold everything with the wanted probability."""
