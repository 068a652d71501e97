"""The site file as pydantic models: one model per TOML table, units in the key names.

Rules: unknown keys are mistakes; every number has a unit in its name (`_um`, `_s`, `_l_min`, `_c`, `_pct`, `_pa`,
`_m3`, `_per_m3`) and must be written as a number ("20" in quotes is a mistake, and so are TOML's inf and nan); ids may
stand in an MQTT topic. What one key can say about itself is validated here; what needs several keys or tables (a
sensor at a location that does not exist) is `site.crosscheck`. These models are the outside form: the engine compiles
them into its own frozen plan.
"""

from __future__ import annotations

from datetime import date
from itertools import pairwise
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, BeforeValidator, Field, StringConstraints, model_validator

from motewatch.site.alarm_figures import AlarmFigures
from motewatch.site.alarm_rules import AlarmRule, Alarms, Suppression
from motewatch.site.backup import Backup
from motewatch.site.basics import IDENTIFIER_PATTERN as IDENTIFIER_PATTERN
from motewatch.site.basics import LABEL_PATTERN as LABEL_PATTERN
from motewatch.site.basics import TOPIC_ROOT_PATTERN as TOPIC_ROOT_PATTERN
from motewatch.site.basics import URL_PATTERN as URL_PATTERN
from motewatch.site.basics import Flag as Flag
from motewatch.site.basics import Identifier as Identifier
from motewatch.site.basics import Label as Label
from motewatch.site.basics import Number as Number
from motewatch.site.basics import Occupancy as Occupancy
from motewatch.site.basics import SizeUm as SizeUm
from motewatch.site.basics import Table as Table
from motewatch.site.basics import Whole as Whole
from motewatch.site.basics import mistake as mistake
from motewatch.site.basics import size_nm as size_nm
from motewatch.site.console import Console
from motewatch.site.people import CLOCK_PATTERN, People
from motewatch.site.rationalisation import PriorityMatrix, Rationalisation
from motewatch.site.record import Record
from motewatch.site.reports import ReportSchedule
from motewatch.site.retention import Retention
from motewatch.site.standard_file import OwnClass as OwnClass
from motewatch.site.standard_file import StandardFile as StandardFile
from motewatch.site.trends import Suspicion, Trend


def _rising(sizes: tuple[float, ...]) -> tuple[float, ...]:
    if any(b <= a for a, b in pairwise(sizes)):
        raise mistake("", "sizes must rise, each size once", f"Write {sorted(set(sizes))}.")
    return sizes


def _no_number(value: object) -> object:
    # Without this a whole number would be taken as seconds since 1970.
    if isinstance(value, int | float):
        raise mistake("", "must be a date", "Write it without quotes as 2027-03-31.")
    return value


CalendarDate = Annotated[date, BeforeValidator(_no_number)]


def _one_of(grade: str | None, iso_class: float | None, own_class: OwnClass | None) -> None:
    given = {"grade": grade, "iso_class": iso_class, "own_class": own_class}
    names = [name for name, value in given.items() if value is not None]
    if len(names) == 2:
        raise mistake(
            "",
            f"{names[0]} and {names[1]} are both given, and each brings its own limits",
            f"Keep one of {names[0]} and {names[1]} and remove the other.",
        )
    if len(names) == 3:
        raise mistake("", "grade, iso_class and own_class are all given", "Keep one of them and remove the others.")


class Bounds(Table):
    """What a climate bound has beside its values: how long it must hold before and after."""

    on_delay_s: Annotated[Number, Field(ge=0, le=86_400)] = 0.0
    off_delay_s: Annotated[Number, Field(ge=0, le=86_400)] = 0.0


class TemperatureBounds(Bounds):
    """Temperature bounds in degrees Celsius; `low_c`/`high_c` act, the `alert_` ones warn first."""

    low_c: Annotated[Number, Field(ge=-90, le=150)] | None = None
    high_c: Annotated[Number, Field(ge=-90, le=150)] | None = None
    alert_low_c: Annotated[Number, Field(ge=-90, le=150)] | None = None
    alert_high_c: Annotated[Number, Field(ge=-90, le=150)] | None = None
    deadband_c: Annotated[Number, Field(ge=0, le=20)] = 0.0


class HumidityBounds(Bounds):
    """Relative humidity bounds in percent."""

    low_pct: Annotated[Number, Field(ge=0, le=100)] | None = None
    high_pct: Annotated[Number, Field(ge=0, le=100)] | None = None
    alert_low_pct: Annotated[Number, Field(ge=0, le=100)] | None = None
    alert_high_pct: Annotated[Number, Field(ge=0, le=100)] | None = None
    deadband_pct: Annotated[Number, Field(ge=0, le=30)] = 0.0


class PressureBounds(Bounds):
    """Bounds of the room's pressure difference to its neighbour, in pascal."""

    low_pa: Annotated[Number, Field(ge=-500, le=500)] | None = None
    high_pa: Annotated[Number, Field(ge=-500, le=500)] | None = None
    alert_low_pa: Annotated[Number, Field(ge=-500, le=500)] | None = None
    alert_high_pa: Annotated[Number, Field(ge=-500, le=500)] | None = None
    deadband_pa: Annotated[Number, Field(ge=0, le=100)] = 0.0
    delay_justification: Label | None = None
    """EU GMP Annex 1 (2022) 4.16: a delay on a critical pressure alarm must be assessed and justified."""


class Climate(Table):
    """Climate and pressure bounds of one room."""

    temperature: TemperatureBounds | None = None
    humidity: HumidityBounds | None = None
    pressure_difference: PressureBounds | None = None


class Area(Table):
    """A part of the facility that one team looks after."""

    id: Identifier
    name: Label


class Room(Table):
    """One controlled room: what it must hold, when it is in operation, and its climate.

    One of `grade` (EU GMP Annex 1, 2022), `iso_class` (ISO 14644-1:2015) and `own_class` (any other standard) may be
    given; without any only the site's own levels apply.
    """

    id: Identifier
    name: Label
    area: Identifier
    grade: Literal["A", "B", "C", "D"] | None = None
    iso_class: Annotated[Number, Field(ge=1, le=9, multiple_of=0.5)] | None = None
    own_class: OwnClass | None = None
    """A class of another standard: one of the site's own, or an older edition that motewatch brings."""
    volume_m3: Annotated[Number, Field(gt=0, le=1e6)] | None = None
    occupancy: Occupancy = Occupancy.OPERATIONAL
    """The state outside the schedule's windows (and always, where there is no schedule)."""
    operational: tuple[str, ...] = ()
    """Weekly windows of the operational state in the site's time zone, such as `"Mon-Fri 06:00-18:00"`."""
    clean_up_min: Annotated[Number, Field(ge=0, le=240)] = 0.0
    """How long operational limits stay after a window ends (Annex 1, 4.29 iii: guidance value below 20 min)."""
    climate: Climate = Climate()

    @model_validator(mode="after")
    def _one_standard(self) -> Self:
        _one_of(self.grade, self.iso_class, self.own_class)
        return self


class PerSample(Table):
    """Every sample is judged alone."""

    kind: Literal["per-sample"]


class KOfN(Table):
    """At least `k` of the last `n` consecutive samples exceed."""

    kind: Literal["k-of-n"]
    k: Annotated[Whole, Field(ge=1, le=100)]
    n: Annotated[Whole, Field(ge=1, le=100)]

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        if self.k > self.n:
            raise mistake(
                "k", f"k must not be greater than n, which is {self.n}", f"Give a whole number from 1 to {self.n}."
            )
        return self


class RollingVolume(Table):
    """The last samples that together hold at least `volume_l` of air are judged as one."""

    kind: Literal["rolling-volume"]
    volume_l: Annotated[Number, Field(gt=0, le=100_000)]


class Confidence(Table):
    """A sample exceeds only when its one-sided exact Poisson lower bound at `confidence_pct` lies above the limit."""

    kind: Literal["confidence"]
    confidence_pct: Annotated[Number, Field(gt=50, lt=100)]


Rule = Annotated[PerSample | KOfN | RollingVolume | Confidence, Field(discriminator="kind")]


class SizeRule(Table):
    """A judging rule for one size only, instead of the programme's `rule`."""

    size_um: SizeUm
    rule: Rule


class Programme(Table):
    """A sampling programme: how readings become samples and how samples are judged."""

    id: Identifier
    sample: Literal["period", "each-reading"] = "period"
    """`period`: clock-aligned sample periods of `period_s`; `each-reading`: each reading is a sample."""
    period_s: Annotated[Number, Field(ge=1, le=86_400, multiple_of=0.001)] = 60.0
    settle_s: Annotated[Number, Field(ge=0, le=600)] = 2.0
    """How long after its end a period waits for readings still on the way."""
    volume_l: Annotated[Number, Field(gt=0, le=100_000)] | None = None
    """Air to be sampled in one period, for coverage by volume; absent: coverage by sampled time alone."""
    min_coverage_pct: Annotated[Number, Field(gt=0, le=100)] = 75.0
    rule: Rule = PerSample(kind="per-sample")
    size_rules: tuple[SizeRule, ...] = ()
    insufficient_after: Annotated[Whole, Field(ge=1, le=1000)] = 3
    """Consecutive samples with too little air before the insufficient-sampling alarm."""


class Location(Table):
    """A sampling location in a room."""

    id: Identifier
    name: Label
    room: Identifier
    programme: Identifier
    grade: Literal["A", "B", "C", "D"] | None = None
    """Instead of the room's: a grade A zone inside a grade B room."""
    iso_class: Annotated[Number, Field(ge=1, le=9, multiple_of=0.5)] | None = None
    own_class: OwnClass | None = None

    @model_validator(mode="after")
    def _one_standard(self) -> Self:
        _one_of(self.grade, self.iso_class, self.own_class)
        return self


def standard_place(location: Location, room: Room) -> Location | Room:
    """The one of the two whose grade or class holds at the location: the location's own, where it has one."""
    own = (location.grade, location.iso_class, location.own_class)
    return location if any(x is not None for x in own) else room


def standard_text(place: Location | Room) -> str:
    """What it is graded as, for people: `grade A`, `ISO 7`, `white (zz-air-7)`; empty where it has no class."""
    if place.grade is not None:
        return f"grade {place.grade}"
    if place.own_class is not None:
        return f"{place.own_class.class_name} ({place.own_class.standard})"
    return "" if place.iso_class is None else f"ISO {place.iso_class:g}"


class Sensor(Table):
    """A particle counter, fixed at a location or portable."""

    id: Identifier
    serial: Label
    kind: Literal["fixed", "portable"] = "fixed"
    location: Identifier | None = None
    """Where a fixed sensor hangs; a portable says in each message where it stands."""
    sizes_um: Annotated[tuple[SizeUm, ...], Field(min_length=1, max_length=64), AfterValidator(_rising)]
    flow_l_min: Annotated[Number, Field(gt=0, le=2_000)]
    flow_tolerance_pct: Annotated[Number, Field(gt=0, le=50)] = 5.0
    """ISO 21501-4: flow within 5 % of nominal."""
    max_concentration_per_m3: Annotated[Number, Field(gt=0)] | None = None
    """Stated maximum concentration (coincidence loss up to 10 %, ISO 21501-4) of all particles counted."""
    calibration_due: CalendarDate | None = None
    interval_s: Annotated[Number, Field(gt=0, le=86_400)] = 60.0
    """How often it normally sends a reading."""
    silent_after_s: Annotated[Number, Field(gt=0, le=604_800)] | None = None
    """Absent: three intervals, and at least 30 s."""
    pressure_above: Identifier | None = None
    """The room, or another place by any name, that its differential pressure is measured against: positive where the
    sensor's own room has the higher pressure. With it the sensor is a gauge of the pressure cascade."""

    @model_validator(mode="after")
    def _placed(self) -> Self:
        if self.kind == "portable" and self.pressure_above is not None:
            raise mistake("pressure_above", "a portable sensor is no gauge between two rooms", "Remove pressure_above.")
        if self.kind == "fixed" and self.location is None:
            raise mistake("location", "a fixed sensor needs a location", 'Add location, or write kind = "portable".')
        if self.kind == "portable" and self.location is not None:
            raise mistake("location", "a portable sensor says in each message where it stands", "Remove location.")
        return self


class Level(Table):
    """The site's own alert and action levels for one size, per cubic metre, cumulative (at or above the size).

    Given for one of `location`, `room` or `area`. The narrowest place wins, and at one place a level for the present
    state wins over one for every state (`occupancy` absent); alert and action are each looked up for themselves. A
    site's own action level may only be tighter than the standard's limit where one applies (Annex 1, 9.9: the table
    holds maximum action limits); `check` refuses a looser one.
    """

    location: Identifier | None = None
    room: Identifier | None = None
    area: Identifier | None = None
    size_um: SizeUm
    occupancy: Occupancy | None = None
    alert_per_m3: Annotated[Whole, Field(ge=0, le=10**12)] | None = None
    action_per_m3: Annotated[Whole, Field(ge=0, le=10**12)] | None = None

    @model_validator(mode="after")
    def _one_place(self) -> Self:
        if sum(x is not None for x in (self.location, self.room, self.area)) != 1:
            raise mistake(
                "", "a level holds for exactly one of location, room and area", "Give one of these three keys."
            )
        if self.alert_per_m3 is None and self.action_per_m3 is None:
            raise mistake("", "a level without a value", "Give alert_per_m3, action_per_m3 or both.")
        if self.alert_per_m3 is not None and self.action_per_m3 is not None and self.alert_per_m3 > self.action_per_m3:
            raise mistake(
                "alert_per_m3",
                f"alert_per_m3 must not be greater than action_per_m3, which is {self.action_per_m3}",
                "The alert level warns before the action level is reached: give a smaller one.",
            )
        return self


class CascadeStep(Table):
    """One step of the pressure cascade: `higher` must be above `lower` by at least `low_pa`.

    An alarm tells that it is lost where sensors with `pressure_above` connect the two rooms; elsewhere alarms on
    pressure come from the bounds of the rooms (`climate.pressure_difference`) alone.
    """

    higher: Identifier
    lower: Identifier
    low_pa: Annotated[Number, Field(gt=0, le=500)] = 10.0
    """EU GMP Annex 1 (2022) 4.14: at least 10 Pa between adjacent rooms of different grade (guidance value)."""
    deadband_pa: Annotated[Number, Field(ge=0, le=100)] = 0.0
    on_delay_s: Annotated[Number, Field(ge=0, le=86_400)] = 0.0
    off_delay_s: Annotated[Number, Field(ge=0, le=86_400)] = 0.0
    delay_justification: Label | None = None
    """EU GMP Annex 1 (2022) 4.16: a delay on a critical pressure alarm must be assessed and justified."""

    @model_validator(mode="after")
    def _two_rooms(self) -> Self:
        if self.higher == self.lower:
            raise mistake("lower", "a room cannot be above itself", "Name the other room of the door.")
        return self


class Broker(Table):
    """How to reach the MQTT broker. Secrets are read from files, never written here."""

    host: Label = "127.0.0.1"
    port: Annotated[Whole, Field(ge=1, le=65_535)] = 1883
    client_id: Label | None = None
    """Absent: `motewatch-` and the site id. Two services with one client id throw each other out for ever."""
    username: Label | None = None
    password_file: Label | None = None
    tls: Flag = False
    ca_file: Label | None = None
    cert_file: Label | None = None
    """Our own certificate (with its chain), where the broker asks for one."""
    cert_key_file: Label | None = None
    keepalive_s: Annotated[Whole, Field(ge=5, le=600)] = 20
    session_expiry_s: Annotated[Whole, Field(ge=60, le=4_294_967_294)] = 1_209_600
    """How long the broker keeps our queue while we are away: 14 days."""


class TimeSeries(Table):
    """Where concentrations go as time-series points: a server that answers the InfluxDB v2 write API."""

    url: Annotated[str, StringConstraints(pattern=URL_PATTERN)]
    org: Label = "motewatch"
    bucket: Label = "motewatch"
    token_file: Label | None = None
    timeout_s: Annotated[Number, Field(gt=0, le=120)] = 10.0
    resend_s: Annotated[Number, Field(ge=0, le=3_600)] = 30.0
    """Delivered points of this last stretch are sent once more after the server was away (a 204 is not durable)."""


class Service(Table):
    """What the daemon needs beside the facility: its journal, its broker, its time-series server."""

    journal: Label = "motewatch.db"
    """Path of the SQLite journal, relative to the site file."""
    broker: Broker = Broker()
    time_series: TimeSeries | None = None
    topic_root: Annotated[str, StringConstraints(pattern=TOPIC_ROOT_PATTERN)] = "motewatch/v1"
    hold_limit_s: Annotated[Number, Field(ge=0, le=3_600)] = 30.0
    """How long periods may stay open for a broker that is away before they close as missing."""
    clock_tolerance_s: Annotated[Number, Field(ge=1, le=3_600)] = 30.0
    """A sensor's clock further than this from ours is suspect."""
    late_limit_h: Annotated[Number, Field(gt=0, le=8_760)] = 720.0
    """Data older than this are refused as too old (and kept with that reason)."""
    dead_letters_alarm: Annotated[Whole, Field(ge=1, le=1_000_000)] = 5
    """So many undecodable messages within `dead_letters_window_s` raise an alarm."""
    dead_letters_kept_per_h: Annotated[Whole, Field(ge=1, le=1_000_000)] = 100
    """So many messages of one source that cannot be used are kept whole in an hour, of all ten times as many."""
    dead_letters_kept_mb_per_h: Annotated[Whole, Field(ge=1, le=100_000)] = 20
    """So many megabytes of them are kept in an hour; beyond either they are counted, with a line a minute."""
    dead_letters_window_s: Annotated[Number, Field(ge=1, le=86_400)] = 600.0
    certificate_warn_days: Annotated[Whole, Field(ge=0, le=365)] = 14
    """An alarm tells so many days ahead that a certificate ends: the broker's, or one that the site file names."""


class SiteHead(Table):
    """The facility as a whole."""

    id: Identifier
    name: Label
    time_zone: Label
    """IANA name, such as `Europe/Berlin`."""
    shifts: tuple[Annotated[str, StringConstraints(pattern=CLOCK_PATTERN)], ...] = ()
    """When shifts begin, in local time, such as `["06:00", "14:00", "22:00"]`; reports of a shift need them."""


class Site(People):
    """A whole site file."""

    format: Literal[1]
    site: SiteHead
    service: Service = Service()
    areas: tuple[Area, ...]
    rooms: tuple[Room, ...]
    programmes: tuple[Programme, ...]
    locations: tuple[Location, ...]
    sensors: tuple[Sensor, ...]
    levels: tuple[Level, ...] = ()
    cascade: tuple[CascadeStep, ...] = ()
    trends: tuple[Trend, ...] = ()
    suspicion: Suspicion | None = None
    """Absent: no sensor is doubted for the sameness of its counts."""
    alarms: Alarms = Alarms()
    alarm_rules: tuple[AlarmRule, ...] = ()
    suppressions: tuple[Suppression, ...] = ()
    console: Console | None = None
    """Absent: the daemon serves no console."""
    rationalisation: tuple[Rationalisation, ...] = ()
    """What the alarms mean at this site, where that differs from the shipped texts."""
    priority_matrix: PriorityMatrix | None = None
    """Absent: the shipped one."""
    alarm_figures: AlarmFigures = AlarmFigures()
    record: Record = Record()
    backup: Backup | None = None
    """Absent: the daemon makes no backups by itself."""
    retention: Retention | None = None
    """Absent: everything stays in the journal for ever."""
    reports: tuple[ReportSchedule, ...] = ()
    """Reports that are made and mailed by the clock."""
    standards: tuple[StandardFile, ...] = ()
    """Standards of the site's own, for `own_class`: tables of limits in the form of motewatch's own data files."""
    standard_files: tuple[Label, ...] = ()
    """Files that each hold one such standard, relative to the site file. Reading the site puts them into `standards`,
    so that the configuration on record holds all that it was judged by."""
