"""Records of the journal as listings.

A sample's JSON is the message that was published: readers need one model.
"""

from __future__ import annotations

import base64
import json
from collections.abc import Sequence
from typing import Any
from zoneinfo import ZoneInfo

from motewatch.cli.printing import Listing
from motewatch.cli.times import local_text
from motewatch.engine.records import AlarmChanged
from motewatch.journal.rows import AuditRow, DeadLetter
from motewatch.links.publications import sample_payload
from motewatch.measure.samples import Sample, Spread
from motewatch.picture.words import figure, limit_figure, local_times
from motewatch.site.basics import size_text
from motewatch.site.models import Site
from motewatch.wire.messages import instant

_SAMPLE = (
    "location",
    "room",
    "start",
    "end",
    "revision",
    "occupancy",
    "coverage_pct",
    "readings",
    "sensors",
    "quality",
)
_CHANNEL = ("size_um", "count", "volume_l", "per_m3", "per_ft3", "lower_95_per_m3", "upper_95_per_m3")
_ALARM = (
    "alarm", "kind", "priority", "event", "before", "state", "since", "found", "late", "text", "value", "limit", "unit",
    "by", "comment", "active", "until", "hidden_because", "hidden_by", "permit", "location", "sensor", "room", "area",
)  # fmt: skip
_CLIMATE = ("temperature_c", "humidity_pct", "pressure_difference_pa")


def samples(found: Sequence[Sample], site: Site) -> Listing:
    """Samples: one JSON object each, one CSV line for each size, one table line each with a column for each size."""
    zone = ZoneInfo(site.site.time_zone)
    rooms = {location.id: location.room for location in site.locations}
    messages = [json.loads(sample_payload(sample, rooms.get(sample.location, "-"))) for sample in found]
    sizes = sorted({channel.size_nm for sample in found for channel in sample.channels})
    size_titles = [f">={size_text(size)} /m3" for size in sizes]
    climate = [
        (title, name)
        for title, name in (("C", "temperature"), ("% RH", "humidity"), ("Pa", "pressure"))
        if any(getattr(sample, name) is not None for sample in found)
    ]
    cells = []
    for sample, message in zip(found, messages, strict=True):
        counted = {channel.size_nm: channel.per_m3 for channel in sample.channels}
        concentrations = [_or_dash(counted.get(size)) for size in sizes]
        values = [_mean(getattr(sample, name)) for _, name in climate]
        cells.append(
            [
                local_text(sample.end_us, zone), sample.location, str(sample.revision), sample.occupancy,
                f"{100 * sample.coverage:.0f} %", *concentrations, *values, ", ".join(message["quality"]),
            ]
        )  # fmt: skip
    titles = ["end", "location", "rev", "state", "coverage", *size_titles, *(title for title, _ in climate), "quality"]
    return Listing(
        records=messages,
        columns=(*_SAMPLE, *_CHANNEL, *(f"{name}_mean" for name in _CLIMATE)),
        rows=[row for message in messages for row in _channel_rows(message)],
        titles=titles,
        cells=cells,
        nothing="No samples on record for this.",
        right=frozenset(("rev", "coverage", *size_titles, *(title for title, _ in climate))),
    )


def _channel_rows(message: dict[str, Any]) -> list[dict[str, Any]]:
    common = {key: message[key] for key in _SAMPLE}
    common["sensors"] = ";".join(message["sensors"])
    common["quality"] = ";".join(message["quality"])
    for name in _CLIMATE:
        if name in message:
            common[f"{name}_mean"] = message[name]["mean"]
    # A sample without air has no channel, and must be seen all the same.
    return [{**common, **channel} for channel in message["channels"]] or [common]


def _or_dash(value: float | None) -> str:
    return "-" if value is None else figure(value)


def _mean(spread: Spread | None) -> str:
    return "-" if spread is None else f"{spread.mean:.1f}"


def alarms(found: Sequence[AlarmChanged], site: Site, *, history: bool) -> Listing:
    """Alarm events; in the table of standing alarms without the step that led there."""
    zone = ZoneInfo(site.site.time_zone)
    records = [_alarm_record(change) for change in found]
    titles = ["since", "priority", "alarm", *(["event"] if history else []), "state", "value", "limit", "by", "text"]
    cells = [
        [
            local_text(change.at_us, zone), change.priority.value, change.alarm,
            *([change.event.value + (" (late)" if change.late else "")] if history else []),
            change.after.value, _value(change.value, change.unit),
            "" if change.limit is None else limit_figure(change.limit), change.by,
            change.text + (f' "{change.comment}"' if change.comment else ""),
        ]
        for change in found
    ]  # fmt: skip
    return Listing(
        records=records,
        columns=_ALARM,
        rows=records,
        titles=titles,
        cells=cells,
        nothing="No alarm on record for this." if history else "No alarm stands.",
        right=frozenset(("value", "limit")),
    )


def hidden(found: Sequence[AlarmChanged], site: Site) -> Listing:
    """Alarms that are shelved, suppressed by design or out of service: until when, by whom, why."""
    zone = ZoneInfo(site.site.time_zone)
    records = [_alarm_record(change) for change in found]
    cells = [
        [
            change.after.value, change.alarm, change.priority.value, "active" if change.active else "normal",
            "" if change.until_us is None else local_text(change.until_us, zone), change.hidden_by, change.permit,
            change.hidden_because,
        ]
        for change in found
    ]  # fmt: skip
    return Listing(
        records=records,
        columns=_ALARM,
        rows=records,
        titles=["state", "alarm", "priority", "condition", "until", "by", "permit", "why"],
        cells=cells,
        nothing="No alarm is hidden.",
    )


def _alarm_record(change: AlarmChanged) -> dict[str, Any]:
    """The keys of the event message, as far as the journal has them."""
    return {
        "alarm": change.alarm,
        "kind": change.kind,
        "priority": change.priority.value,
        "event": change.event.value,
        "before": change.before.value,
        "state": change.after.value,
        "since": _utc(change.at_us),
        "found": _utc(change.found_us),
        "late": change.late,
        "text": change.text,
        "value": change.value,
        "limit": change.limit,
        "unit": change.unit,
        "by": change.by,
        "comment": change.comment,
        "active": change.active,
        "until": None if change.until_us is None else _utc(change.until_us),
        "hidden_because": change.hidden_because,
        "hidden_by": change.hidden_by,
        "permit": change.permit,
        "location": change.location,
        "sensor": change.sensor,
        "room": change.room,
        "area": change.area,
    }


def dead_letters(found: Sequence[DeadLetter], site: Site) -> Listing:
    """Dead letters; the payload as text where it is UTF-8, else as base64."""
    zone = ZoneInfo(site.site.time_zone)
    records = [
        {
            "received": _utc(letter.received_us),
            "topic": letter.topic,
            "sensor": letter.sensor,
            "reason": letter.reason,
            "detail": letter.detail,
            **_payload(letter.payload),
        }
        for letter in found
    ]
    return Listing(
        records=records,
        columns=("received", "topic", "sensor", "reason", "detail", "payload", "payload_base64"),
        rows=records,
        titles=("received", "topic", "bytes", "reason", "detail"),
        cells=[
            [local_text(letter.received_us, zone), letter.topic, str(len(letter.payload)), letter.reason, letter.detail]
            for letter in found
        ],
        nothing="No dead letters on record.",
        right=frozenset({"bytes"}),
    )


def _payload(payload: bytes) -> dict[str, str | None]:
    try:
        return {"payload": payload.decode(), "payload_base64": None}
    except UnicodeDecodeError:
        return {"payload": None, "payload_base64": base64.b64encode(payload).decode()}


def audit(found: Sequence[AuditRow], site: Site) -> Listing:
    """The audit trail; CSV and JSON carry the hashes of its chain."""
    zone = ZoneInfo(site.site.time_zone)
    records = [
        {
            "id": row.id,
            "at": _utc(row.at_us),
            "by": row.by,
            "action": row.action,
            "subject": row.subject,
            "detail": row.detail,
            "hash": row.hash,
            "previous_hash": row.previous_hash,
        }
        for row in found
    ]
    return Listing(
        records=records,
        columns=("id", "at", "by", "action", "subject", "detail", "hash", "previous_hash"),
        rows=records,
        titles=("at", "by", "action", "subject", "detail"),
        cells=[
            [local_text(row.at_us, zone), row.by, row.action, row.subject, local_times(row.detail, zone)]
            for row in found
        ],
        nothing="The audit trail is empty.",
    )


def _value(value: float | None, unit: str) -> str:
    if value is None:
        return ""
    gap = "" if not unit or unit.startswith("/") else " "
    return f"{figure(value)}{gap}{unit}"


def _utc(us: int) -> str:
    return instant(us).isoformat().replace("+00:00", "Z")
