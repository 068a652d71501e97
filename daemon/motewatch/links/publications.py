"""What the engine said, as outbox rows: messages for MQTT, points for the time-series server, calls to persons.

Rules:
- Per sample, plain dictionaries and a JSON encoder, without the model: validating what the engine made
  would double the cost, and samples may come by the thousand in a second. A test holds the result against the model.
  Alarms and replies are few and go through their models.
- A sample is retained on its location's topic only while no later period of that location is known, so that a late
  revision of yesterday's air never stands there as the present one.
- An alarm's state is retained, also when it is normal again: who comes later sees that it was looked at.
- Keys are unique for ever, since the journal refuses a batch with a key it knows. A sample's key follows from the
  sample. Steps of alarms and replies add the moment of writing and a running number, because the engine's own times
  may stand still.
- A call goes as the record has it; words, links and secrets are added when it is delivered. Its key is its own id.
- No I/O and no clock here; the only state is which period is the latest of each location.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Final

import msgspec

from motewatch.engine.codec import canonical
from motewatch.engine.records import AlarmChanged, Output, Replied, SampleTaken, Told
from motewatch.journal.rows import OutboxRow
from motewatch.links.call_lanes import place_in_line
from motewatch.links.outbox import CALL, MQTT, MQTT_ALARMS, TIME_SERIES, fresh_row
from motewatch.links.time_series import alarm_line, sample_lines
from motewatch.measure.samples import UL_PER_L, Channel, Quality, Sample, Spread
from motewatch.measure.statistics import concentration_interval
from motewatch.site.models import Site
from motewatch.wire.messages import AlarmEventMessage, AlarmMessage, ReplyMessage, ServiceMessage, instant
from motewatch.wire.topics import Topics

REPLY_EXPIRY_S: Final = 3600
"""An answer that nobody fetched within an hour is worth nothing; the record has it."""

_encode: Final = msgspec.json.Encoder().encode

_QUALITY_WORDS: Final = tuple(
    (flag, word)
    for flag, word in (
        (Quality.PARTIAL, "partial"),
        (Quality.MISSING, "missing"),
        (Quality.OVER_RANGE, "over-range"),
        (Quality.FLOW_FAULT, "flow-fault"),
        (Quality.LASER_FAULT, "laser-fault"),
        (Quality.CALIBRATION_OVERDUE, "calibration-overdue"),
        (Quality.CLOCK_SUSPECT, "clock-suspect"),
        (Quality.SEVERAL_SENSORS, "several-sensors"),
    )
)


@dataclass(frozen=True, slots=True)
class Directory:
    """Which room a location is in, and which area a room is in."""

    rooms: Mapping[str, str]
    areas: Mapping[str, str]

    @classmethod
    def of(cls, site: Site) -> Directory:
        """The directory of a site."""
        return cls(
            rooms={location.id: location.room for location in site.locations},
            areas={room.id: room.area for room in site.rooms},
        )


class Publications:
    """Turns outputs into rows. `time_series` says whether there is such a sink. Used by one thread."""

    def __init__(self, topics: Topics, directory: Directory, *, time_series: bool) -> None:
        self._topics = topics
        self._directory = directory
        self._time_series = time_series
        self._newest_us: dict[str, int] = {}
        self._serial = 0

    def know(self, directory: Directory) -> None:
        """Another configuration took effect."""
        self._directory = directory

    def rows(
        self, outputs: Iterable[Output], now_us: int, response_topics: Mapping[str, str] | None = None
    ) -> list[OutboxRow]:
        """Rows of all sinks for these outputs, in order. `response_topics` maps the id of a command to the MQTT 5
        response topic that came with it; its answer goes there as well."""
        rows: list[OutboxRow] = []
        for output in outputs:
            if isinstance(output, SampleTaken):
                self._sample(output.sample, now_us, rows)
            elif isinstance(output, AlarmChanged):
                self._alarm(output, now_us, rows)
            elif isinstance(output, Replied):
                self._reply(output, now_us, rows, response_topics or {})
            elif isinstance(output, Told):
                body, place = canonical(output).encode(), place_in_line(output.urgent)
                rows.append(fresh_row(f"{CALL}{output.channel}", output.id, "", body, False, now_us, place=place))
        return rows

    def _sample(self, sample: Sample, now_us: int, rows: list[OutboxRow]) -> None:
        location = sample.location
        room = self._directory.rooms.get(location, "-")
        newest_us = self._newest_us.get(location)
        # Not known after a start; a first revision is nearly always the latest then.
        latest = sample.revision == 1 if newest_us is None else sample.end_us >= newest_us
        if latest:
            self._newest_us[location] = sample.end_us
        key = f"sample/{location}/{sample.end_us}/{sample.revision}"
        body = sample_payload(sample, room)
        rows.append(fresh_row(MQTT, key, self._topics.sample(location), body, latest, now_us))
        if self._time_series:
            lines = sample_lines(sample, self._topics.site, room).encode()
            rows.append(fresh_row(TIME_SERIES, key, "", lines, False, now_us))

    def states(self, changes: Iterable[AlarmChanged], now_us: int) -> list[OutboxRow]:
        """The retained states of these alarms once more: a broker that died may have lost what it acknowledged."""
        rows: list[OutboxRow] = []
        for change in changes:
            key = self._key(f"alarm-again/{change.alarm}", now_us)
            state = AlarmMessage(**self._common(change)).to_payload()
            rows.append(fresh_row(MQTT_ALARMS, key, self._topics.alarm(change.alarm), state, True, now_us))
        return rows

    def _alarm(self, change: AlarmChanged, now_us: int, rows: list[OutboxRow]) -> None:
        key = self._key(f"{change.alarm}/{change.event.value}/{change.at_us}", now_us)
        common = self._common(change)
        state = AlarmMessage(**common).to_payload()
        event = AlarmEventMessage(
            **common, event=change.event.value, before=change.before.value, after=change.after.value, id=key
        ).to_payload()
        rows.append(fresh_row(MQTT_ALARMS, f"alarm/{key}", self._topics.alarm(change.alarm), state, True, now_us))
        rows.append(fresh_row(MQTT_ALARMS, f"event/{key}", self._topics.event, event, False, now_us))
        if self._time_series:
            line = alarm_line(change, self._topics.site).encode()
            rows.append(fresh_row(TIME_SERIES, f"alarm/{key}", "", line, False, now_us))

    def _common(self, change: AlarmChanged) -> dict[str, Any]:
        """What the state and the event of an alarm both say."""
        room = change.room or (self._directory.rooms.get(change.location) if change.location else None)
        return {
            "alarm": change.alarm,
            "kind": change.kind,
            "priority": change.priority.value,
            "state": change.after.value,
            "since": instant(change.at_us),
            "found": instant(change.found_us),
            "text": change.text,
            "value": change.value,
            "limit": change.limit,
            "unit": change.unit,
            "location": change.location,
            "sensor": change.sensor,
            "room": room,
            "area": change.area or (self._directory.areas.get(room) if room else None),
            "by": change.by or None,
            "comment": change.comment or None,
            "late": change.late,
            "active": change.active,
            "until": None if change.until_us is None else instant(change.until_us),
            "hidden_because": change.hidden_because or None,
            "hidden_by": change.hidden_by or None,
            "permit": change.permit or None,
        }

    def _reply(self, reply: Replied, now_us: int, rows: list[OutboxRow], response_topics: Mapping[str, str]) -> None:
        body = ReplyMessage(
            id=reply.command_id, accepted=reply.accepted, text=reply.text, at=instant(now_us)
        ).to_payload()
        for topic in dict.fromkeys((self._topics.reply(reply.command_id), response_topics.get(reply.command_id))):
            if topic is not None:
                key = self._key(f"reply/{reply.command_id}", now_us)
                rows.append(fresh_row(MQTT_ALARMS, key, topic, body, False, now_us, REPLY_EXPIRY_S))

    def _key(self, base: str, now_us: int) -> str:
        self._serial += 1
        return f"{base}/{now_us}-{self._serial}"


def sample_payload(sample: Sample, room: str) -> bytes:
    """The bytes of a `SampleMessage`."""
    channels = b",".join([_channel(each.size_nm, each.count, each.volume_ul) for each in sample.channels])
    message: dict[str, Any] = {
        "v": 1,
        "location": sample.location,
        "room": room,
        "start": iso(sample.start_us),
        "end": iso(sample.end_us),
        "revision": sample.revision,
        "occupancy": sample.occupancy,
        "coverage_pct": sample.coverage * 100,
        "readings": sample.readings,
        "sensors": sample.sensors,
        "quality": quality_words(int(sample.quality)),
        "channels": msgspec.Raw(b"[%s]" % channels),
    }
    for key, spread in (
        ("temperature_c", sample.temperature),
        ("humidity_pct", sample.humidity),
        ("pressure_difference_pa", sample.pressure),
    ):
        if spread is not None:
            message[key] = _span(spread)
    return _encode(message)


@lru_cache(maxsize=16_384)
def _channel(size_nm: int, count: int, volume_ul: int) -> bytes:
    """One channel of a sample. Remembered: clean air gives the same few counts in the same volume again and again."""
    channel = Channel(size_nm, count, volume_ul)
    plain: dict[str, Any] = {"size_um": size_nm / 1000, "count": count, "volume_l": volume_ul / UL_PER_L}
    bounds = concentration_interval(count, volume_ul)
    if bounds is not None:
        plain["per_m3"] = channel.per_m3
        plain["per_ft3"] = channel.per_ft3
        plain["lower_95_per_m3"] = bounds.lower
        plain["upper_95_per_m3"] = bounds.upper
    return _encode(plain)


def presence_of(site: str, trouble: Callable[[], str] = lambda: "") -> Callable[[bool, int], bytes]:
    """For the broker link: the payload of the service's presence, `(online, at_us) -> bytes`.

    `trouble()` says why the record cannot be written; empty where it can.
    """

    def payload(online: bool, at_us: int) -> bytes:
        why = trouble() if online else ""
        return ServiceMessage(site=site, online=online, at=instant(at_us), trouble=why or None).to_payload()

    return payload


@lru_cache(maxsize=4_096)
def iso(us: int) -> str:
    """An instant as the wire writes it: ISO 8601, UTC, `Z`, with a fraction only where there is one."""
    return instant(us).isoformat().replace("+00:00", "Z")


@lru_cache(maxsize=256)
def quality_words(quality: int) -> tuple[str, ...]:
    """The words for a sum of quality flags."""
    return tuple(word for flag, word in _QUALITY_WORDS if quality & flag)


def _span(spread: Spread) -> dict[str, float]:
    return {"mean": spread.mean, "low": spread.low / 1000, "high": spread.high / 1000}
