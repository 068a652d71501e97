"""What sensors send and do, as values: measurements, and sensors that come and go."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Measurement:
    """One interval of one sensor. Sizes in micrometres, volume in microlitres, instants in microseconds UTC."""

    sensor: str
    boot: str
    seq: int
    start_us: int
    duration_us: int
    volume_ul: int
    kind: str
    sizes_um: tuple[float, ...]
    values: tuple[int, ...]
    temperature_c: float | None = None
    humidity_pct: float | None = None
    pressure_pa: float | None = None
    flow_ok: bool = True
    location: str | None = None
    laser_ok: bool = True


@dataclass(frozen=True, slots=True)
class Counted:
    """A sensor sends a measurement at `due_us`."""

    due_us: int
    sensor: str
    measurement: Measurement


@dataclass(frozen=True, slots=True)
class Came:
    """A sensor connects; what it says afterwards carries this boot."""

    due_us: int
    sensor: str
    boot: str


@dataclass(frozen=True, slots=True)
class Went:
    """A sensor goes: `abrupt` without a word, so that the broker speaks its will, else with a goodbye."""

    due_us: int
    sensor: str
    boot: str
    abrupt: bool


Emission = Counted | Came | Went
