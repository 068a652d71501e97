"""How sensors count, as tables of the scenario file: optics, tubes, schedules, tours, manifolds, and what they report.

A sensor without `response` and `tube` is an ideal counter: it counts each particle once in its own channel. Numbers
marked (M) are from memory and not confirmed, those marked (own choice) are ours; all can be set.
"""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from motewatch.site.models import Identifier, Number, Table, mistake
from motewatch_simulator.scenario_words import RisingSizes, Seconds, Share

Percent = Annotated[Number, Field(gt=-90, le=100)]


class Response(Table):
    """A counter that is not ideal. An empty table is an ordinary one in good order."""

    width: Annotated[Number, Field(ge=0.01, le=1)] = 0.15
    """Of the efficiency curve in natural logarithm of size: 50 % at the threshold, 99.7 % at 1.5 times it."""
    threshold_error_pct: Percent = 0.0
    threshold_spread_pct: Annotated[Number, Field(ge=0, le=30)] = 0.0
    """Standard deviation between sensors; the standard for counters allows 5 to 10 (its sources disagree)."""
    flow_error_pct: Percent = 0.0
    flow_spread_pct: Annotated[Number, Field(ge=0, le=30)] = 0.0
    """Standard deviation between sensors; the standard allows 5."""
    false_per_min: Annotated[Number, Field(ge=0, le=1e6)] = 0.02
    """False counts at or above the first threshold (own choice); the standard allows 1 in 5 min, which is 0.2."""
    coincidence: Literal["paralyzable", "non-paralyzable", "none"] = "paralyzable"
    pulse_us: Annotated[Number, Field(gt=0, le=1_000)] | None = None
    """How long a particle occupies the optics; absent: 10 % loss at the site file's max_concentration_per_m3."""


class Tubing(Table):
    """The tube between probe and counter."""

    length_m: Annotated[Number, Field(gt=0, le=200)]
    diameter_mm: Annotated[Number, Field(ge=1, le=100)] = 10.0
    bends: Annotated[int, Field(strict=True, ge=0, le=50)] = 0
    """Of 90 degrees, tight."""
    incline_deg: Annotated[Number, Field(ge=0, le=90)] = 0.0
    """From the horizontal."""


class Gamma(Table):
    """A factor on the air of each reading, independent: counts are negative binomial, variance m + alpha m^2."""

    kind: Literal["negative-binomial"]
    alpha: Annotated[Number, Field(gt=0, le=5)] = 0.2
    """0.05 at rest, 0.2 to 0.5 in operation (own choice)."""
    zero_share: Annotated[Number, Field(ge=0, lt=1)] = 0.0
    """Share of readings that find nothing at all, for rooms used now and then; the others find more for it."""


class LogOu(Table):
    """A factor whose logarithm wanders, for places that the mixed room does not reach.

    A room's people, doors and air changes make its counts wander already; that must not be added twice.
    """

    kind: Literal["log-ou"]
    sd: Annotated[Number, Field(gt=0, le=3)] = 0.6
    """Standard deviation of the logarithm (own choice)."""
    tau_min: Annotated[Number, Field(gt=0, le=10_080)] = 30.0
    """After which it has forgotten two thirds (own choice)."""


Dispersion = Annotated[Gamma | LogOu, Field(discriminator="kind")]


class Stop(Table):
    """One stop of a tour."""

    location: Identifier
    stay_s: Seconds


class Round(Table):
    """A portable carried round, over and over. On the way it samples nothing."""

    stops: Annotated[tuple[Stop, ...], Field(min_length=1, max_length=200)]
    travel_s: Annotated[Number, Field(ge=0, le=86_400)] = 120.0
    """From each stop to the next (own choice)."""


class Port(Table):
    """One inlet of a manifold."""

    location: Identifier
    tube: Tubing | None = None


class Manifold(Table):
    """One portable's optics behind a switch: each port is purged, then counted for its dwell."""

    ports: Annotated[tuple[Port, ...], Field(min_length=2, max_length=64)]
    dwell_s: Seconds = 60.0
    purge_s: Annotated[Number, Field(ge=0, le=3_600)] = 10.0
    line_l: Annotated[Number, Field(ge=0, le=100)] = 0.5
    """Air between switch and optics, which still holds the port before (own choice)."""
    wall_share: Share = 0.0
    """What the walls give back of the port before, as a share of its particles (own choice)."""


class Counter(Table):
    """How a sensor counts and speaks. `id` names a sensor of the site file; absent ones take the defaults."""

    id: Identifier
    counts: Literal["cumulative", "differential"] = "cumulative"
    climate: tuple[Literal["temperature", "humidity", "pressure-difference"], ...] = (
        "temperature",
        "humidity",
        "pressure-difference",
    )
    """What it reports beside counts, as far as its room has it."""
    location: Identifier | None = None
    """Where a portable sensor stands."""
    tour: Round | None = None
    """Or how a portable is carried round."""
    manifold: Manifold | None = None
    """Or what a portable is switched between."""
    sizes_um: RisingSizes | None = None
    """Channels it is set to; absent: those of the site file."""
    sample_s: Seconds | None = None
    """How much of each interval it samples; absent: all. The rest is a pause."""
    tube: Tubing | None = None
    response: Response | None = None
    """Absent: that of the whole scenario, and without one an ideal counter."""
    dispersion: Dispersion | None = None
    clock_ppm: Annotated[Number, Field(ge=-50_000, le=50_000)] = 0.0
    """How fast its clock runs ahead, for ever."""

    @model_validator(mode="after")
    def _one_way(self) -> Self:
        given = [name for name in ("location", "tour", "manifold") if getattr(self, name) is not None]
        if len(given) > 1:
            raise mistake("", f"{' and '.join(given)} are given", "Keep one of location, tour and manifold.")
        if self.manifold is not None and (self.sample_s is not None or self.tube is not None):
            raise mistake(
                "", "a manifold has its own dwell and tubes", "Write dwell_s in the manifold, and tube in its ports."
            )
        return self
