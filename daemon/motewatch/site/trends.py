"""Site file: `[[trends]]`, what is watched for a slow change for the worse, and `[suspicion]`, when to doubt a counter.

Both say nothing unless they are given. A trend holds for one of `location`, `room` or `area`; of several for the same
size, method and occupancy the narrowest place wins, as with levels. Must not know how a statistic is computed.
"""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from motewatch.site.basics import Identifier, Number, Occupancy, SizeUm, Table, Whole, mistake


class TrendBase(Table):
    """What every trend has. The usual mean is either stated or learned."""

    location: Identifier | None = None
    room: Identifier | None = None
    area: Identifier | None = None
    size_um: SizeUm
    occupancy: Occupancy | None = None
    """Only samples of this state are watched. Absent: all are, by one usual mean, and the statistic begins anew with
    each change of state."""
    usual_per_m3: Annotated[Number, Field(gt=0, le=1e9)] | None = None
    """The usual mean, cumulative (at or above the size)."""
    learn_samples: Annotated[Whole, Field(ge=20, le=1_000_000)] | None = None
    """Instead: learned from so many good samples, and more until they hold 20 particles. Then it stays as it is."""
    return_after: Annotated[Whole, Field(ge=1, le=1000)] = 5
    """The alarm returns after so many good samples in a row at which the statistic was at or below half of its limit
    (ewma, poisson-cusum) or no rule spoke (the others)."""
    max_gap_min: Annotated[Number, Field(gt=0, le=10_080)] = 60.0
    """The statistic begins anew after a longer time without a good sample."""

    @model_validator(mode="after")
    def _one_place(self) -> Self:
        if sum(x is not None for x in (self.location, self.room, self.area)) != 1:
            raise mistake("", "a trend is for exactly one of location, room and area", "Give one of these three keys.")
        if (self.usual_per_m3 is None) == (self.learn_samples is None):
            raise mistake(
                "",
                "a trend needs a usual mean, either stated or learned",
                "Give one of usual_per_m3 and learn_samples.",
            )
        return self


class EwmaTrend(TrendBase):
    """The exponentially weighted mean of counts less what was expected, against its own scatter."""

    method: Literal["ewma"]
    weight: Annotated[Number, Field(gt=0, le=1)] = 0.2
    width_sigmas: Annotated[Number, Field(ge=1, le=10)] = 3.0
    dispersion: Annotated[Number, Field(ge=0, le=100)] = 0.0
    """0: counts scatter as Poisson; above: their variance is mean + dispersion x mean^2."""


class PoissonCusumTrend(TrendBase):
    """The upper cumulative sum of counts, for low counts."""

    method: Literal["poisson-cusum"]
    rejectable_ratio: Annotated[Number, Field(gt=1, le=100)] = 2.0
    """The rise to be found fast, as a multiple of the usual mean; it gives the reference value."""
    limit_particles: Annotated[Number, Field(ge=1, le=100_000)]
    """The sum that is a signal (h): the greater, the fewer false alarms, and the longer a rise waits to be told."""


class UChartTrend(TrendBase):
    """Each sample against the exact limit of its own volume: right for any mean."""

    method: Literal["u-chart"]
    tail_pct: Annotated[Number, Field(ge=0.000001, le=10)] = 0.135
    """Chance of a sample above the limit while nothing has changed; 0.135 is that of three sigmas."""
    dispersion: Annotated[Number, Field(ge=0, le=100)] = 0.0


class RunRulesTrend(TrendBase):
    """A set of run rules; of these the ones that find a rise."""

    method: Literal["western-electric", "nelson"]
    dispersion: Annotated[Number, Field(ge=0, le=100)] = 0.0


Trend = Annotated[EwmaTrend | PoissonCusumTrend | UChartTrend | RunRulesTrend, Field(discriminator="method")]


class SuspicionSensor(Table):
    """What is usual at one fixed sensor."""

    sensor: Identifier
    usual_per_m3: Annotated[Number, Field(gt=0, le=1e9)]
    """The lowest usual concentration in its smallest size, in whatever state; instead of a learned one."""


class Suspicion(Table):
    """When a fixed sensor is doubted: the same counts, or none at all, for too many readings in a row."""

    threshold: Annotated[Number, Field(ge=1e-15, le=1e-3)] = 1e-9
    """Chance of such a run with a healthy counter, below which it is doubted."""
    learn_readings: Annotated[Whole, Field(ge=100, le=10_000_000)] = 10_000
    """Readings, in each occupancy state, from which the usual is learned: the least of ten equal blocks of them."""
    dispersion: Annotated[Number, Field(ge=0, le=100)] = 0.0
    """0: counts scatter as Poisson; above: their variance is mean + dispersion x mean^2."""
    sensors: tuple[SuspicionSensor, ...] = ()
