"""How sensors misbehave, as tables of the scenario file: what breaks in an instrument, its network or its clock.

Each is an incident like those of the rooms: at a time, for so long, for one sensor or (`"*"`) for every one. With
`random` it comes and goes by chance within that time, for each sensor by itself. Numbers marked (M) are from memory and
not confirmed, those marked (own choice) are ours; all can be set.
"""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, StringConstraints, model_validator

from motewatch.site.models import IDENTIFIER_PATTERN, Flag, Identifier, Number, SizeUm, Table, mistake
from motewatch_simulator.scenario_words import Happening, Seconds, Share

EVERY = "*"
"""Stands for every sensor of the site."""

SensorName = Annotated[str, StringConstraints(pattern=rf"^\*$|{IDENTIFIER_PATTERN}")]


class AtRandom(Table):
    """Comes and goes by chance: so many times in a day of good order, each time for an exponential time."""

    per_day: Annotated[Number, Field(gt=0, le=100_000)]
    mean_s: Seconds


class SensorFault(Happening):
    """What every misbehaviour has."""

    sensor: SensorName
    random: AtRandom | None = None
    """Absent: it lasts the whole time."""


class SensorUnplugged(SensorFault):
    """A sensor loses its power: no messages, and another boot afterwards."""

    kind: Literal["sensor-unplugged"]
    presence: Literal["will", "explicit"] = "will"
    """`will`: the connection breaks and the broker speaks the last will; `explicit`: it says goodbye."""


class NetworkLost(SensorFault):
    """A sensor goes on counting without a network, and sends everything late, in order, when it is back."""

    kind: Literal["network-lost"]
    late_per_s: Annotated[Number, Field(gt=0, le=100_000)] | None = None
    """How fast the late readings go out, with live ones between them; absent: all at once."""


class DropOut(SensorFault):
    """Readings are lost for good: sequence numbers are missing. Real ones last 2 to 60 min in the mean (M)."""

    kind: Literal["drop-out"]


class Repeats(SensorFault):
    """A sensor sends messages twice, as after a lost acknowledgement."""

    kind: Literal["repeats"]
    share: Share = 1.0
    """Of the messages. In an open data set of 30 meters 0.6 % were exact repeats (measured)."""
    delay_s: Annotated[Number, Field(ge=0, le=86_400)] = 0.0
    """The repeat comes so much later, behind newer ones if that is longer than an interval."""


class FlowFault(SensorFault):
    """A sensor's pump is weak: it counts less, states its nominal volume, and flags its flow."""

    kind: Literal["flow-fault"]
    share: Share = 0.8


class CloggedFlow(SensorFault):
    """An inlet clogs: the flow falls exponentially from nominal, the volume stated stays."""

    kind: Literal["clogged-flow"]
    tau_s: Annotated[Number, Field(gt=0, le=31_536_000)]
    flag_below: Share = 0.9
    """The flow status turns bad below this share of the flow; real ones notice 5 to 10 % (M). 0: never."""


class Stuck(SensorFault):
    """The last counts come again and again; climate and sequence numbers go on."""

    kind: Literal["stuck"]


class AllZero(SensorFault):
    """Pump dead, laser dead or inlet capped: nothing is counted."""

    kind: Literal["all-zero"]
    flags: Literal["nothing", "flow", "laser"] = "nothing"
    """The status that notices it."""
    flag_after_s: Annotated[Number, Field(ge=0, le=604_800)] = 0.0
    """How late it does."""


class LaserAgeing(SensorFault):
    """The laser fades or the optics get dirty: thresholds rise, small channels lose first."""

    kind: Literal["laser-ageing"]
    power: Annotated[Number, Field(gt=0, le=1)] = 0.8
    """Share of the light that is left in the end."""
    ramp_s: Annotated[Number, Field(ge=0, le=604_800)] = 0.0
    """How long the light takes to fade."""
    exponent: Annotated[Number, Field(ge=2, le=6)] = 4.0
    """With which power of the size a pulse grows: 2 to 6 (M)."""
    flag_below: Share = 0.0
    """The laser status turns bad below this share; 0: never."""


class ElectronicNoise(SensorFault):
    """False pulses in the first channel only; the lower its threshold, the more of them (third power)."""

    kind: Literal["electronic-noise"]
    per_min_at_0_3_um: Annotated[Number, Field(gt=0, le=1e9)]
    """As many as a counter with a first threshold of 0.3 um sees."""


class TubeBurst(SensorFault):
    """A dirty tube is moved: bursts of coarse particles with hardly any small ones."""

    kind: Literal["tube-burst"]
    particles: Annotated[Number, Field(gt=0, le=1e6)] = 30.0
    """Mean of a burst, at or above `from_um`, spread by a slope of 2 (own choice)."""
    per_min: Annotated[Number, Field(gt=0, le=1_000)] = 1.0
    from_um: SizeUm = 5.0
    """Counters without such a channel see it in their last one."""


class ChannelOrder(SensorFault):
    """The first two values change places: more at or above the larger size, which cannot be."""

    kind: Literal["channel-order"]


class ClockDrift(SensorFault):
    """The sensor's clock runs fast or slow, in parts per million of time.

    A plain crystal is good to 20 (1.73 s a day), a common module to 10, a compensated one to 1.5 to 3, an RC oscillator
    to 20,000 (found).
    """

    kind: Literal["clock-drift"]
    ppm: Annotated[Number, Field(ge=-500_000, le=500_000)]
    resync: Flag = True
    """It is set right at the end, in one step; else it keeps its error."""


class ClockJump(SensorFault):
    """The sensor's clock is set wrong, and right again at the end."""

    kind: Literal["clock-jump"]
    step_s: Annotated[Number, Field(ge=-1e9, le=1e9)] | None = None
    """3600 for a summer time that nobody wanted."""
    epoch: Literal[1970, 2000] | None = None
    """It begins anew at this year instead, as after a dead battery."""

    @model_validator(mode="after")
    def _one(self) -> Self:
        if (self.step_s is None) == (self.epoch is None):
            raise mistake("", "a clock jump needs exactly one of step_s and epoch", "Give step_s = 3600, or epoch.")
        return self


class ConfigError(SensorFault):
    """Somebody configures a sensor wrongly.

    `per-ft3`: counts are multiplied by 35.3 as if they were taken for a cubic foot and shown for a cubic metre;
    `wrong-kind`: differential counts are called cumulative, or the other way round; `wrong-place`: the sensor hangs at
    another location than it says.
    """

    kind: Literal["config-error"]
    mode: Literal["per-ft3", "wrong-kind", "wrong-place"]
    location: Identifier | None = None
    """Where it really hangs, for `wrong-place`."""

    @model_validator(mode="after")
    def _placed(self) -> Self:
        if (self.mode == "wrong-place") != (self.location is not None):
            raise mistake("location", "location is for mode wrong-place, which needs it", "Add or remove location.")
        return self


Fault = (
    SensorUnplugged
    | NetworkLost
    | DropOut
    | Repeats
    | FlowFault
    | CloggedFlow
    | Stuck
    | AllZero
    | LaserAgeing
    | ElectronicNoise
    | TubeBurst
    | ChannelOrder
    | ClockDrift
    | ClockJump
    | ConfigError
)
"""Everything a sensor can do wrong."""
