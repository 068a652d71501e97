"""Cross checks of trends and of suspicion: places that do not exist, sizes nobody counts, charts that do not fit."""

from __future__ import annotations

from motewatch.site.findings import Findings, did_you_mean
from motewatch.site.models import Location, Sensor, size_nm
from motewatch.site.problems import quoted
from motewatch.site.shape import number_text
from motewatch.site.trends import PoissonCusumTrend, Trend, TrendBase, UChartTrend

LEAST_MEAN = 5.0
"""Below so many particles a sample limits in sigmas are wrong for counts (common practice, no source)."""
MOST_MEAN = 100_000.0
"""Above so many particles a sample the Poisson CUSUM is no use: the air scatters far more than Poisson."""


def check_trends(findings: Findings) -> None:
    """Look at every trend, and at the suspicion table."""
    first: dict[tuple[object, ...], int] = {}
    for number, trend in enumerate(findings.site.trends):
        if not _place_exists(findings, number, trend):
            continue
        what = (trend.location, trend.room, trend.area, trend.size_um, trend.method, trend.occupancy)
        if what in first:
            findings.error(
                ("trends", number, "method"),
                trend.method,
                f"trends[{first[what]}] is for the same size, method and occupancy at the same place",
                "Remove one of the two.",
            )
            continue
        first[what] = number
        _size_and_mean(findings, number, trend)
    _suspicion(findings)


def _place_exists(findings: Findings, number: int, trend: TrendBase) -> bool:
    for key, target in (("location", "locations"), ("room", "rooms"), ("area", "areas")):
        wanted = getattr(trend, key)
        known = findings.ids(target)
        if wanted is None or wanted in known:
            continue
        if target not in findings.lost.whole:
            findings.error(
                ("trends", number, key),
                wanted,
                f"there is no such table in [[{target}]]",
                did_you_mean(wanted, known, f"Known ids: {', '.join(sorted(known)) or 'none'}."),
            )
        return False
    return True


def _size_and_mean(findings: Findings, number: int, trend: Trend) -> None:
    site = findings.site
    if not findings.complete("locations", "rooms", "sensors", "programmes"):
        return
    area_of = {room.id: room.area for room in site.rooms}
    places = {
        place.id: place
        for place in site.locations
        if trend.location == place.id or trend.room == place.room or trend.area == area_of.get(place.room)
    }
    fixed = [sensor for sensor in site.sensors if sensor.location in places]
    portables = [sensor for sensor in site.sensors if sensor.kind == "portable"]
    wanted = size_nm(trend.size_um)
    counting = [sensor for sensor in fixed if wanted in {size_nm(size) for size in sensor.sizes_um}]
    if not counting and not any(wanted in {size_nm(size) for size in sensor.sizes_um} for sensor in portables):
        findings.error(
            ("trends", number, "size_um"),
            trend.size_um,
            "no sensor there counts this size, so the trend could never be seen",
            "Give a size that is in the sizes_um of a sensor there.",
        )
        return
    if trend.usual_per_m3 is None or isinstance(trend, UChartTrend):
        return
    means = [_mean(findings, sensor, places[sensor.location or ""], trend.usual_per_m3) for sensor in counting]
    known = [mean for mean in means if mean is not None]
    if isinstance(trend, PoissonCusumTrend):
        if known and max(known) > MOST_MEAN:
            findings.error(
                ("trends", number, "usual_per_m3"),
                trend.usual_per_m3,
                f"a sample would hold {number_text(round(max(known)))} particles, and poisson-cusum is for low counts",
                'Write method = "ewma", with a dispersion.',
            )
    elif known and min(known) < LEAST_MEAN:
        findings.warning(
            ("trends", number, "method"),
            trend.method,
            f"a sample would hold {number_text(round(min(known), 2))} particles, too few for limits in sigmas: single "
            "particles may raise the alarm",
            'Write method = "poisson-cusum" or "u-chart".',
        )


def _mean(findings: Findings, sensor: Sensor, place: Location, per_m3: float) -> float | None:
    programme = next((each for each in findings.site.programmes if each.id == place.programme), None)
    if programme is None:
        return None
    seconds = programme.period_s if programme.sample == "period" else sensor.interval_s
    return per_m3 * sensor.flow_l_min / 1000 * seconds / 60


def _suspicion(findings: Findings) -> None:
    suspicion = findings.site.suspicion
    if suspicion is None or not findings.complete("sensors"):
        return
    sensors = {sensor.id: sensor for sensor in findings.site.sensors}
    seen: set[str] = set()
    for number, item in enumerate(suspicion.sensors):
        path = ("suspicion", "sensors", number, "sensor")
        sensor = sensors.get(item.sensor)
        if sensor is None:
            mend = did_you_mean(item.sensor, sensors, f"Known ids: {', '.join(sorted(sensors)) or 'none'}.")
            findings.error(path, item.sensor, "there is no such table in [[sensors]]", mend)
        elif sensor.kind == "portable":
            findings.error(
                path, item.sensor, "a portable sensor has no usual air, so it is never doubted", "Remove this table."
            )
        elif item.sensor in seen:
            findings.error(path, item.sensor, f"{quoted(item.sensor)} is stated twice", "Remove one of the two.")
        seen.add(item.sensor)
