"""The link to the time-series server: line protocol by hand, and a synchronous write through the InfluxDB v2 API.

Rules: a point's timestamp is the end of its sample period, so a later revision (or the same point sent again)
overwrites and never adds. Every value is a number: some servers that answer this API keep no text. The write raises,
so that the outbox knows; what may be tried again and what may not is decided here, the trying again is not. A 204 is
no proof that a point is on disk, and servers differ in whether a malformed line is refused or dropped in silence:
lines are checked before they are sent. This module must not know the outbox, or when an alarm is due.

Measurements (tags; fields):
- `concentration` (site, room, location, size_um, occupancy; per_m3, count, volume_l, lower_95, upper_95 per m3)
- `sample` (site, room, location; coverage 0 to 1, quality as the sum of its flags, revision, readings)
- `climate` (site, room, location; temperature_c, humidity_pct, pressure_difference_pa: means)
- `alarm` (site, alarm, kind, priority; active 0 or 1) at the instant of each change
"""

from __future__ import annotations

import re
from functools import lru_cache
from types import TracebackType
from typing import TYPE_CHECKING, Final

from motewatch.alarms.lifecycle import ACTIVE
from motewatch.engine.records import AlarmChanged
from motewatch.links.errors import PointsRefusedError, TimeSeriesAwayError
from motewatch.links.secrets import Secret, scrub
from motewatch.measure.samples import UL_PER_L, Sample
from motewatch.measure.statistics import concentration_interval
from motewatch.site.later import Later
from motewatch.site.models import TimeSeries

if TYPE_CHECKING:
    import urllib3
    from influxdb_client import rest
    from influxdb_client.client import influxdb_client, write_api
else:
    urllib3 = Later("urllib3")
    rest = Later("influxdb_client.rest")
    influxdb_client = Later("influxdb_client.client.influxdb_client")
    write_api = Later("influxdb_client.client.write_api")

CONTENT_FAULTS: Final = frozenset({400, 413, 422})
"""Answers that are about the lines. Any other refusal (401, 403, 404) is about token, bucket or address: it holds for
all points, a person mends it, and the points wait meanwhile."""

_TAG_SPECIAL: Final = re.compile(r"([,= ])")
_LINE: Final = re.compile(
    rb"""[A-Za-z0-9_]+(?:,(?:[^\s,=\\]|\\.)+=(?:[^\s,=\\]|\\.)+)*
    \ [A-Za-z0-9_]+=-?\d+(?:i|(?:\.\d+)?(?:e[-+]?\d+)?)(?:,[A-Za-z0-9_]+=-?\d+(?:i|(?:\.\d+)?(?:e[-+]?\d+)?))*
    \ -?\d+""",
    re.VERBOSE,
)
_STARTED: Final = re.compile(
    rb"^(?:process_start_time_seconds|vm_app_start_timestamp)(?:\{[^}]*\})? (\S+)", re.MULTILINE
)


@lru_cache(maxsize=65_536)
def tag(text: str) -> str:
    """A tag value as line protocol wants it: comma, equals sign and space escaped. What has no safe form there
    (control characters, a backslash) becomes an underscore, an empty text a hyphen."""
    plain = "".join(each if each.isprintable() and each != "\\" else "_" for each in text) or "-"
    return _TAG_SPECIAL.sub(r"\\\1", plain)


@lru_cache(maxsize=4_096)
def size_um(size_nm: int) -> str:
    """A size in micrometres, in one form for ever, since it is part of a point's identity: 500 -> 0.5, 5000 -> 5."""
    return f"{size_nm / 1000:g}"


def sample_lines(sample: Sample, site: str, room: str) -> str:
    """All points of one sample, a line each, timestamps in microseconds."""
    place = f"site={tag(site)},room={tag(room)},location={tag(sample.location)}"
    end_us = sample.end_us
    lines = [
        f"sample,{place} coverage={sample.coverage!r},quality={int(sample.quality)}i,"
        f"revision={sample.revision}i,readings={sample.readings}i {end_us}"
    ]
    occupancy = tag(sample.occupancy)
    for channel in sample.channels:
        bounds = concentration_interval(channel.count, channel.volume_ul)
        if bounds is None:
            continue
        lines.append(
            f"concentration,{place},size_um={size_um(channel.size_nm)},occupancy={occupancy} "
            f"per_m3={channel.per_m3!r},count={channel.count}i,volume_l={channel.volume_ul / UL_PER_L!r},"
            f"lower_95={bounds.lower!r},upper_95={bounds.upper!r} {end_us}"
        )
    climate = [
        f"{name}={spread.mean!r}"
        for name, spread in (
            ("temperature_c", sample.temperature),
            ("humidity_pct", sample.humidity),
            ("pressure_difference_pa", sample.pressure),
        )
        if spread is not None
    ]
    if climate:
        lines.append(f"climate,{place} {','.join(climate)} {end_us}")
    return "\n".join(lines)


def alarm_line(change: AlarmChanged, site: str) -> str:
    """The point of one step in an alarm's life."""
    return (
        f"alarm,site={tag(site)},alarm={tag(change.alarm)},kind={tag(change.kind)},priority={change.priority.value} "
        f"active={int(change.after in ACTIVE)}i {change.at_us}"
    )


def malformed(lines: bytes) -> str | None:
    """The first line that is not line protocol as written here, shortened for a log; None when all are."""
    for line in lines.split(b"\n"):
        if not _LINE.fullmatch(line):
            return line[:200].decode(errors="backslashreplace")
    return None


class TimeSeriesLink:
    """Writes lines to one bucket. One thread at a time; close it."""

    def __init__(self, settings: TimeSeries, token: str | None = None) -> None:
        self._settings = settings
        self._token = Secret(token or "")
        self._client = influxdb_client.InfluxDBClient(
            url=settings.url,
            token=token or "",
            org=settings.org,
            timeout=round(settings.timeout_s * 1000),
            retries=False,
        )
        self._write_api = self._client.write_api(write_options=write_api.SYNCHRONOUS)
        self._pool = urllib3.PoolManager(num_pools=1, retries=False, timeout=min(settings.timeout_s, 2.0))

    def __enter__(self) -> TimeSeriesLink:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the connections."""
        self._write_api.close()  # type: ignore[no-untyped-call]
        self._client.close()  # type: ignore[no-untyped-call]
        self._pool.clear()

    def write(self, lines: str) -> None:
        """Write joined lines (microseconds). Raises `PointsRefusedError` when the lines are at fault (any of them;
        others may have been taken), `TimeSeriesAwayError` for everything else."""
        try:
            self._write_api.write(
                bucket=self._settings.bucket,
                org=self._settings.org,
                record=lines,
                write_precision="us",  # type: ignore[arg-type]
            )
        except rest.ApiException as error:
            status = int(error.status or 0)
            # A server, or a proxy before it, may give back what it was sent, the token too.
            detail = scrub(str(error.message or error.reason or ""), [self._token], 300)
            if status in CONTENT_FAULTS:
                raise PointsRefusedError(status, detail) from None
            mend = ""
            if status in (401, 403):
                mend = "; check service.time_series.token_file and that the token may write the bucket"
            elif status == 404:
                mend = "; check service.time_series.url, org and bucket"
            raise TimeSeriesAwayError(f"{self._settings.url} answered {status}: {detail}{mend}") from None
        except (urllib3.exceptions.HTTPError, OSError) as error:
            kind = type(error).__name__
            raise TimeSeriesAwayError(
                f"{self._settings.url} cannot be reached ({kind}); check service.time_series.url, and that it runs"
            ) from error

    def started_at(self) -> float | None:
        """When the server's process started (its clock, seconds), from its metrics page; None where it does not say.

        A change means that it was restarted, and that points it had accepted shortly before may be gone.
        """
        try:
            answer = self._pool.request("GET", f"{self._settings.url.rstrip('/')}/metrics")
        except (urllib3.exceptions.HTTPError, OSError):
            return None
        found = _STARTED.search(answer.data) if answer.status == 200 else None
        try:
            return None if found is None else float(found.group(1))
        except ValueError:
            return None
