"""The deterministic step.

`apply` takes one input, `advance` lets time pass; both return outputs and call nothing. The same inputs with the same
times give the same outputs however they are chopped, twice, or after a restore: deadlines are worked off at their
nominal instants, in the agenda's order, before any input that comes later. An input at the very instant of a deadline
comes first, so a caller that has advanced to an instant gives later inputs a later one; the engine refuses others.

What it must not know: clocks, sockets, files, random numbers, and the bytes of messages.
"""

from __future__ import annotations

import json
from collections import deque
from typing import Any, Final

from motewatch.alarms.lifecycle import RefusedError
from motewatch.engine.agenda import Agenda, Due
from motewatch.engine.alarm_book import AlarmBook, Subject
from motewatch.engine.codec import decode_internal, encode_internal
from motewatch.engine.desk import BROKER_ALARM, Desk, RoomState, silent_alarm
from motewatch.engine.locations import LocationDesk, LocationState, new_state
from motewatch.engine.plan import SensorPlan, compile_plan
from motewatch.engine.records import (
    Audited,
    ClockStepped,
    Commanded,
    Configured,
    Heard,
    History,
    Input,
    Link,
    LinkChanged,
    Output,
    Priority,
    Refused,
    Repeated,
    ReplayDiffered,
    Replied,
    Seen,
    SessionLost,
    Turned,
)
from motewatch.engine.sensors import BOOTS_KEPT, FUTURE_LIMIT_US, Ranges, SensorState, clock_suspect, quality_of
from motewatch.measure.samples import Quality
from motewatch.site.models import Site
from motewatch.wire.records import (
    SECOND_US,
    Acknowledge,
    Command,
    Presence,
    Reading,
    Refusal,
    RefusalReason,
    SetOccupancy,
)

STATE_VERSION: Final = 1
COMMANDS_KEPT: Final = 512
"""Ids of commands already answered: the broker may bring one twice."""

_TIME_SERIES_ALARM: Final = "service/time-series"
_DEAD_LETTERS_ALARM: Final = "service/dead-letters"
_SERVICE_ALARMS: Final = {
    BROKER_ALARM: Subject(BROKER_ALARM, "broker-down", Priority.HIGH),
    _TIME_SERIES_ALARM: Subject(_TIME_SERIES_ALARM, "time-series-down", Priority.LOW),
    _DEAD_LETTERS_ALARM: Subject(_DEAD_LETTERS_ALARM, "dead-letters", Priority.MEDIUM),
    "service/session": Subject("service/session", "session-lost", Priority.MEDIUM),
    "service/clock": Subject("service/clock", "clock-step", Priority.MEDIUM),
    "service/replay": Subject("service/replay", "replay-differed", Priority.HIGH),
}
_FAULTS: Final = (
    (Quality.FLOW_FAULT, "flow", Priority.MEDIUM, "flow is outside its tolerance or reported as a fault"),
    (Quality.LASER_FAULT, "laser", Priority.MEDIUM, "laser is reported as a fault"),
    (Quality.CALIBRATION_OVERDUE, "calibration", Priority.LOW, "calibration is overdue"),
    (Quality.CLOCK_SUSPECT, "clock", Priority.MEDIUM, "clock is off or was stepped"),
)


class EngineError(Exception):
    """Base of the engine's errors."""


class NotConfiguredError(EngineError):
    """An input came before the first configuration."""


class TimeWentBackError(EngineError):
    """An input lies at or before an instant the engine has already passed."""


class NewerStateError(EngineError):
    """A snapshot was made by a newer version than this one knows."""


class Engine:
    """The engine: state, deadlines, and the step. `history` is its long memory (see `records.History`)."""

    def __init__(self, history: History) -> None:
        self._history = history
        self._desk: Desk | None = None
        self._configured: Configured | None = None
        self._locations: dict[str, LocationDesk] = {}
        self._sensors: dict[str, SensorState] = {}
        self._dead_letters: deque[int] = deque()
        self._commands: dict[str, Replied] = {}
        self._time_us = 0
        self._passed_us = -1

    @property
    def time_us(self) -> int:
        """The engine's own time: that of the last input, or the instant advanced to."""
        return self._time_us

    @property
    def passed_us(self) -> int:
        """Every deadline up to and including this instant is worked off; inputs must lie after it."""
        return self._passed_us

    @property
    def digest(self) -> str | None:
        """Digest of the configuration in force, or None before the first."""
        return None if self._configured is None else self._configured.digest

    @property
    def next_due_us(self) -> int | None:
        """Instant of the earliest deadline, or None."""
        return None if self._desk is None else self._desk.agenda.next_us

    def apply(self, item: Input) -> list[Output]:
        """Take one input, after working off what was due before it. Returns outputs in order.

        Raises `TimeWentBackError` for an input at or before `passed_us` or before an earlier input, and
        `NotConfiguredError` for one before the first `Configured`.
        """
        at_us = item.applied_at_us
        if at_us <= self._passed_us or at_us < self._time_us:
            raise TimeWentBackError(f"input at {at_us} us, but the engine has already passed {self._time_us} us")
        self._work_off(at_us)
        self._time_us = at_us
        desk = self._desk
        what = item.what
        if isinstance(what, Configured):
            self._configure(what)
            desk = self._desk
        if desk is None:
            raise NotConfiguredError("the first input must be the site configuration")
        desk.time_us = at_us
        if isinstance(what, Heard):
            self._heard(desk, what.reading, item.received_at_us)
        elif isinstance(what, Seen):
            self._seen(desk, what.presence)
        elif isinstance(what, Refused):
            self._dead_letter(desk, what.refusal)
            if what.refusal.command_id is not None:
                desk.outputs.append(Replied(what.refusal.command_id, False, what.refusal.detail))
        elif isinstance(what, Commanded):
            self._commanded(desk, what.command)
        elif isinstance(what, LinkChanged):
            self._link_changed(desk, what)
        elif isinstance(what, SessionLost | ClockStepped | ReplayDiffered):
            self._happened(desk, what)
        return self._take_outputs(desk)

    def advance(self, to_us: int) -> list[Output]:
        """Let time pass up to and including `to_us`. Going back is nothing: the engine's time stands still."""
        if to_us <= self._passed_us or self._desk is None:
            return []
        if to_us < self._time_us:
            # Inputs beyond it are in already, so all that was due by then is worked off.
            self._passed_us = to_us
            return []
        self._work_off(to_us + 1)
        self._time_us = self._passed_us = to_us
        self._desk.time_us = to_us
        return self._take_outputs(self._desk)

    def standing(self) -> list[str]:
        """Ids of the standing alarms."""
        return [] if self._desk is None else self._desk.book.standing()

    # Time

    def _work_off(self, before_us: int) -> None:
        desk = self._desk
        if desk is None:
            return
        while (deadline := desk.agenda.take(before_us)) is not None:
            at_us, rank, key = deadline
            desk.time_us = max(at_us, self._time_us)
            self._due(desk, Due(rank), at_us, key)

    def _due(self, desk: Desk, due: Due, at_us: int, key: str) -> None:
        if due is Due.CLOSE:
            if key in self._locations:
                self._locations[key].close_due(at_us)
        elif due is Due.REVISE:
            location, _, end_us = key.partition("@")
            if location in self._locations:
                self._locations[location].revise_due(int(end_us))
        elif due is Due.BOUND:
            location, _, bound = key.partition("@")
            if location in self._locations:
                self._locations[location].bound_due(bound, at_us)
        elif due is Due.SILENCE:
            self._silence_due(desk, key, at_us)
        elif due is Due.CALIBRATION:
            self._calibration_due(desk, key, at_us)
        else:
            self._dead_letters_due(desk, at_us)

    @staticmethod
    def _take_outputs(desk: Desk) -> list[Output]:
        outputs, desk.outputs = desk.outputs, []
        return outputs

    # Configuration

    def _configure(self, configured: Configured) -> None:
        now_us = self._time_us
        plan = compile_plan(Site.model_validate_json(configured.text), configured.digest)
        before = self._desk
        if before is None:
            desk = Desk(plan, self._history, Agenda(), AlarmBook(), {}, now_us)
        else:
            desk = before
            desk.plan = plan
        self._desk = desk
        self._configured = configured
        desk.time_us = now_us
        desk.rooms = {room: desk.rooms.get(room, RoomState()) for room in plan.rooms}
        for room_state in desk.rooms.values():
            room_state.cached = (0, 0, "")
        states = {id_: location.state for id_, location in self._locations.items()}
        periods = {id_: location.plan for id_, location in self._locations.items()}
        self._locations = {}
        for id_, location_plan in plan.locations.items():
            state = states.get(id_)
            old_plan = periods.get(id_)
            same_rhythm = old_plan is not None and (
                (old_plan.period_us, old_plan.settle_us, old_plan.sensor is None)
                == (location_plan.period_us, location_plan.settle_us, location_plan.sensor is None)
            )
            if state is None or not same_rhythm:
                # Another period: open sums do not fit the new ones, so the location begins anew. What the old ones
                # held is in the record as readings.
                state = new_state(location_plan, now_us)
            location_desk = LocationDesk(desk, location_plan, state)
            self._locations[id_] = location_desk
            if not same_rhythm:
                location_desk.open_first()
        self._sensors = {id_: self._sensors.get(id_, SensorState(now_us)) for id_ in plan.sensors}
        for id_, sensor_plan in plan.sensors.items():
            self._watch_silence(desk, id_, sensor_plan)
            self._watch_calibration(desk, id_, sensor_plan)
        self._drop_alarms_without_subject(desk)
        desk.outputs.append(Audited(now_us, "service", "configuration", plan.site, configured.digest))

    def _drop_alarms_without_subject(self, desk: Desk) -> None:
        """An alarm about something that the configuration no longer holds is over."""
        possible = {alarm for location in self._locations.values() for alarm in location.alarms()}
        for alarm, entry in sorted(desk.book.entries.items()):
            sensor = entry.subject.sensor
            known = alarm in possible or alarm in _SERVICE_ALARMS
            if not known and alarm.startswith("sensor/"):
                known = sensor in desk.plan.sensors
            if not known:
                text = "no longer in the site configuration"
                desk.say(desk.book.returns(alarm, self._time_us, self._time_us, text))

    # Readings

    def _heard(self, desk: Desk, reading: Reading, received_us: int) -> None:
        plan = desk.plan.sensors.get(reading.sensor)
        refusal = self._misfit(desk, plan, reading, received_us)
        if refusal is not None or plan is None:
            self._turn(desk, refusal or Refusal(RefusalReason.NOT_PROCESSABLE, "not processable", reading.sensor))
            return
        state = self._sensors[reading.sensor]
        repeated = self._repeated(state, reading)
        if repeated is not None:
            if isinstance(repeated, Refusal):
                self._turn(desk, repeated)
            else:
                desk.outputs.append(repeated)
            return
        desk.history.heard(reading)
        quality = quality_of(plan, reading)
        if clock_suspect(state, plan, reading, received_us, desk.plan.clock_tolerance_us):
            quality |= Quality.CLOCK_SUSPECT
        # While a backlog is drained the engine's time stands still, so what the sensor says of its own time counts,
        # as far as we have lived to see it.
        state.heard_us = max(state.heard_us, self._time_us, min(reading.end_us, received_us))
        self._faults(desk, plan, state, reading, quality)
        if reading.end_us >= state.last_end_us or reading.boot != state.last_boot:
            state.last_end_us, state.last_boot, state.last_seq = reading.end_us, reading.boot, reading.seq
        alarm = silent_alarm(reading.sensor)
        if desk.book.active(alarm):
            at_us = state.heard_us
            desk.say(desk.book.returns(alarm, at_us, self._time_us, f"{reading.sensor}: heard again"))
        self._watch_silence(desk, reading.sensor, plan)
        location = plan.location if plan.location is not None else reading.location
        if location is not None:
            self._locations[location].take(reading, quality)

    def _misfit(self, desk: Desk, plan: SensorPlan | None, reading: Reading, received_us: int) -> Refusal | None:
        """Why a well-formed reading cannot be placed, or None."""
        sensor = reading.sensor
        if plan is None:
            return Refusal(
                RefusalReason.UNKNOWN_SENSOR,
                f"sensor '{sensor}' is not in the site configuration: add it under [[sensors]] or correct its id",
                sensor,
            )
        if plan.location is not None:
            if reading.location is not None and reading.location != plan.location:
                return Refusal(
                    RefusalReason.UNKNOWN_LOCATION,
                    f"sensor '{sensor}' is fixed at '{plan.location}' but says it stands at '{reading.location}'",
                    sensor,
                )
        elif reading.location is None or reading.location not in self._locations:
            said = "no location" if reading.location is None else f"unknown location '{reading.location}'"
            return Refusal(
                RefusalReason.UNKNOWN_LOCATION,
                f"portable sensor '{sensor}' says {said}; it must name a location of the site configuration",
                sensor,
            )
        if reading.sizes_nm != plan.sizes_nm:
            said = ", ".join(f"{size / 1000:g}" for size in reading.sizes_nm)
            known = ", ".join(f"{size / 1000:g}" for size in plan.sizes_nm)
            return Refusal(
                RefusalReason.OTHER_CHANNELS,
                f"sensor '{sensor}' sends channels {said} um; the site configuration has {known} um",
                sensor,
            )
        ahead_us = reading.end_us - received_us
        if ahead_us > FUTURE_LIMIT_US:
            self._clock_alarm(desk, sensor, f"sends readings {ahead_us // SECOND_US} s in the future")
            return Refusal(
                RefusalReason.IN_THE_FUTURE,
                f"the reading ends {ahead_us // SECOND_US} s after it arrived: set the sensor's clock",
                sensor,
            )
        if -ahead_us > desk.plan.late_limit_us:
            self._clock_alarm(desk, sensor, f"sends readings {-ahead_us // SECOND_US} s old")
            return Refusal(
                RefusalReason.TOO_OLD,
                f"the reading is {-ahead_us // SECOND_US} s old, more than service.late_limit_h allows: "
                "set the sensor's clock, or raise the limit to take in an old buffer",
                sensor,
            )
        return None

    def _repeated(self, state: SensorState, reading: Reading) -> Repeated | Refusal | None:
        """Is this reading on record? Remembers it when it is not."""
        sensor, boot, seq = reading.sensor, reading.boot, reading.seq
        ranges = state.boots.get(boot)
        if ranges is None:
            ranges = state.boots[boot] = Ranges()
            if self._history.knows_boot(sensor, boot):
                state.recorded_boots.add(boot)
            if len(state.boots) > BOOTS_KEPT:
                oldest = next(iter(state.boots))
                del state.boots[oldest]
                state.recorded_boots.discard(oldest)
        if seq not in ranges and boot not in state.recorded_boots:
            ranges.add(seq)
            return None
        start_us = self._history.reading_start_us(sensor, boot, seq)
        if start_us is None:
            ranges.add(seq)
            return None
        if start_us == reading.start_us:
            return Repeated(sensor, boot, seq)
        return Refusal(
            RefusalReason.SEQUENCE_REUSED,
            f"number {seq} of boot '{boot}' of sensor '{sensor}' is on record for another interval: "
            "the sensor must count on, or choose a new boot id at each start",
            sensor,
        )

    def _faults(self, desk: Desk, plan: SensorPlan, state: SensorState, reading: Reading, quality: Quality) -> None:
        """Let the sensor's own alarms start and return; only on a change, and not for old readings."""
        if reading.end_us < state.last_end_us and not quality & Quality.CLOCK_SUSPECT:
            return
        if plan.calibration_due_us is not None and plan.calibration_due_us <= self._time_us:
            # A reading from before the due instant may still come after it; the alarm is about now.
            quality |= Quality.CALIBRATION_OVERDUE
        if int(quality) == state.faults:
            return
        before, state.faults = Quality(state.faults), int(quality)
        for bit, word, priority, text in _FAULTS:
            if not (quality ^ before) & bit:
                continue
            subject = self._sensor_subject(desk, reading.sensor, word, priority)
            if quality & bit:
                desk.say(desk.book.starts(subject, reading.end_us, self._time_us, f"{reading.sensor}: {text}"))
            else:
                text = f"{reading.sensor}: {word} is in order again"
                desk.say(desk.book.returns(subject.alarm, reading.end_us, self._time_us, text))

    def _clock_alarm(self, desk: Desk, sensor: str, text: str) -> None:
        subject = self._sensor_subject(desk, sensor, "clock", Priority.MEDIUM)
        self._sensors[sensor].faults |= int(Quality.CLOCK_SUSPECT)
        desk.say(desk.book.starts(subject, self._time_us, self._time_us, f"{sensor}: {text}"))

    def _sensor_subject(self, desk: Desk, sensor: str, word: str, priority: Priority) -> Subject:
        location = desk.plan.sensors[sensor].location
        where = desk.plan.locations.get(location) if location is not None else None
        return Subject(
            f"sensor/{sensor}/{word}",
            f"sensor-{word}",
            priority,
            location,
            sensor,
            None if where is None else where.room,
            None if where is None else where.area,
        )

    # Silence and calibration

    def _watch_silence(self, desk: Desk, sensor: str, plan: SensorPlan) -> None:
        """A fixed sensor is expected at all hours; a portable is switched off and carried about."""
        state = self._sensors[sensor]
        if not state.watched and plan.location is not None:
            state.watched = True
            desk.agenda.enter(max(state.heard_us + plan.silent_us, self._time_us), Due.SILENCE, sensor)

    def _silence_due(self, desk: Desk, sensor: str, at_us: int) -> None:
        plan, state = desk.plan.sensors.get(sensor), self._sensors.get(sensor)
        if plan is None or state is None:
            return
        state.watched = False
        if plan.location is None:
            return
        if desk.book.active(BROKER_ALARM):
            # Nobody can be heard now, and that is one alarm already.
            state.heard_us = max(state.heard_us, at_us)
        silent_from_us = state.heard_us + plan.silent_us
        if silent_from_us > at_us:
            state.watched = True
            desk.agenda.enter(silent_from_us, Due.SILENCE, sensor)
            return
        self._silent(desk, sensor, at_us, f"{sensor}: nothing heard for {plan.silent_us // SECOND_US} s")

    def _silent(self, desk: Desk, sensor: str, at_us: int, text: str) -> None:
        subject = self._sensor_subject(desk, sensor, "silent", Priority.MEDIUM)
        desk.say(desk.book.starts(subject, at_us, desk.time_us, text))

    def _seen(self, desk: Desk, presence: Presence) -> None:
        """A last will is as good as silence; a greeting alone is not yet a measurement."""
        plan = desk.plan.sensors.get(presence.sensor)
        if plan is None:
            reason, detail = (
                RefusalReason.UNKNOWN_SENSOR,
                f"sensor '{presence.sensor}' is not in the site configuration",
            )
            self._turn(desk, Refusal(reason, detail, presence.sensor))
        elif not presence.online and plan.location is not None:
            self._silent(desk, presence.sensor, self._time_us, f"{presence.sensor}: went offline")

    def _watch_calibration(self, desk: Desk, sensor: str, plan: SensorPlan) -> None:
        alarm = f"sensor/{sensor}/calibration"
        if plan.calibration_due_us is None or plan.calibration_due_us > self._time_us:
            text = f"{sensor}: calibration is in order again"
            desk.say(desk.book.returns(alarm, self._time_us, self._time_us, text))
            self._sensors[sensor].faults &= ~int(Quality.CALIBRATION_OVERDUE)
        if plan.calibration_due_us is not None:
            desk.agenda.enter(max(plan.calibration_due_us, self._time_us), Due.CALIBRATION, sensor)

    def _calibration_due(self, desk: Desk, sensor: str, at_us: int) -> None:
        plan = desk.plan.sensors.get(sensor)
        if plan is None or plan.calibration_due_us is None or plan.calibration_due_us > at_us:
            return
        subject = self._sensor_subject(desk, sensor, "calibration", Priority.LOW)
        self._sensors[sensor].faults |= int(Quality.CALIBRATION_OVERDUE)
        desk.say(desk.book.starts(subject, at_us, desk.time_us, f"{sensor}: calibration is overdue"))

    # Dead letters

    def _turn(self, desk: Desk, refusal: Refusal) -> None:
        desk.outputs.append(Turned(refusal))
        self._dead_letter(desk, refusal)

    def _dead_letter(self, desk: Desk, refusal: Refusal) -> None:
        """Count a message that could not be used; that it goes on is an alarm."""
        now_us, window_us = self._time_us, desk.plan.dead_letters_window_us
        letters = self._dead_letters
        letters.append(now_us)
        while letters and (letters[0] <= now_us - window_us or len(letters) > desk.plan.dead_letters_alarm):
            letters.popleft()
        desk.agenda.enter(now_us + window_us, Due.DEAD_LETTERS, "")
        if len(letters) >= desk.plan.dead_letters_alarm:
            whom = f" from {refusal.sensor}" if refusal.sensor else ""
            text = (
                f"{len(letters)} or more messages within {window_us // SECOND_US} s could not be used; "
                f"last{whom}: {refusal.detail}"
            )
            desk.say(desk.book.starts(_SERVICE_ALARMS[_DEAD_LETTERS_ALARM], now_us, now_us, text))

    def _dead_letters_due(self, desk: Desk, at_us: int) -> None:
        letters = self._dead_letters
        if letters and letters[-1] > at_us - desk.plan.dead_letters_window_us:
            return
        letters.clear()
        text = "no unusable message for a whole window"
        desk.say(desk.book.returns(_DEAD_LETTERS_ALARM, at_us, desk.time_us, text))

    # The service itself

    def _link_changed(self, desk: Desk, change: LinkChanged) -> None:
        alarm = BROKER_ALARM if change.link is Link.BROKER else _TIME_SERIES_ALARM
        name = "broker" if change.link is Link.BROKER else "time-series server"
        detail = f": {change.detail}" if change.detail else ""
        if change.up:
            text = f"the {name} is reached again"
            desk.say(desk.book.returns(alarm, change.since_us, self._time_us, text))
            if change.link is Link.BROKER:
                self._hear_everyone_anew(desk)
        else:
            text = f"the {name} cannot be reached{detail}"
            desk.say(desk.book.starts(_SERVICE_ALARMS[alarm], change.since_us, self._time_us, text))

    def _hear_everyone_anew(self, desk: Desk) -> None:
        """Silence while nobody could be heard is not the sensors' fault."""
        for state in self._sensors.values():
            state.heard_us = max(state.heard_us, self._time_us)

    def _happened(self, desk: Desk, what: SessionLost | ClockStepped | ReplayDiffered) -> None:
        now_us = self._time_us
        if isinstance(what, SessionLost):
            self._hear_everyone_anew(desk)
            alarm, at_us = "service/session", what.since_us
            text = "the broker no longer knew this service: messages sent while it was away may be missing"
        elif isinstance(what, ClockStepped):
            alarm, at_us = "service/clock", now_us
            text = f"the host's clock was stepped by {what.step_us / SECOND_US:+.1f} s"
        else:
            alarm, at_us = "service/replay", now_us
            text = f"the replayed record differs from what was recorded: {what.detail}"
        desk.say(desk.book.momentary(_SERVICE_ALARMS[alarm], at_us, now_us, text))

    # Commands

    def _commanded(self, desk: Desk, command: Command) -> None:
        known = self._commands.get(command.id)
        if known is not None:
            desk.outputs.append(known)
            return
        reply = self._obey(desk, command)
        self._commands[command.id] = reply
        if len(self._commands) > COMMANDS_KEPT:
            del self._commands[next(iter(self._commands))]
        desk.outputs.append(reply)

    def _obey(self, desk: Desk, command: Command) -> Replied:
        if isinstance(command, Acknowledge):
            return self._acknowledge(desk, command)
        return self._set_occupancy(desk, command)

    def _acknowledge(self, desk: Desk, command: Acknowledge) -> Replied:
        now_us = self._time_us
        try:
            change = desk.book.acknowledge(command.alarm, now_us, command.by, command.comment)
        except KeyError:
            return Replied(command.id, False, f"no alarm '{command.alarm}' has ever been raised here")
        except RefusedError as error:
            return Replied(command.id, False, f"'{command.alarm}' is {error.state.value}: nothing to acknowledge")
        desk.outputs.append(change)
        desk.outputs.append(Audited(now_us, command.by, "acknowledge", command.alarm, command.comment))
        return Replied(command.id, True, f"'{command.alarm}' is now {change.after.value}")

    def _set_occupancy(self, desk: Desk, command: SetOccupancy) -> Replied:
        now_us = self._time_us
        room = desk.rooms.get(command.room)
        if room is None:
            known = ", ".join(sorted(desk.rooms))
            return Replied(command.id, False, f"no room '{command.room}' in this site; rooms: {known}")
        room.since_us.append(now_us)
        room.stated.append(command.occupancy)
        room.cached = (0, 0, "")
        said = command.occupancy or "by schedule"
        detail = f"{said}; {command.comment}" if command.comment else said
        desk.outputs.append(Audited(now_us, command.by, "occupancy", command.room, detail))
        return Replied(command.id, True, f"room '{command.room}' is now {said}")

    # Snapshots

    def snapshot(self) -> dict[str, Any]:
        """The whole state as plain JSON values. Raises `NotConfiguredError` before the first configuration."""
        desk, configured = self._desk, self._configured
        if desk is None or configured is None:
            raise NotConfiguredError("there is nothing to snapshot before the first configuration")
        return {
            "version": STATE_VERSION,
            "configured": encode_internal(configured).decode(),
            "time_us": self._time_us,
            "passed_us": self._passed_us,
            "agenda": desk.agenda.to_state(),
            "alarms": desk.book.to_state(),
            "rooms": {id_: [room.since_us, room.stated] for id_, room in sorted(desk.rooms.items())},
            "locations": {id_: location.state.to_state() for id_, location in sorted(self._locations.items())},
            "sensors": {id_: sensor.to_state() for id_, sensor in sorted(self._sensors.items())},
            "dead_letters": list(self._dead_letters),
            "commands": [[r.command_id, r.accepted, r.text] for r in self._commands.values()],
        }

    @classmethod
    def restore(cls, state: dict[str, Any], history: History) -> Engine:
        """The engine that `snapshot` took apart. Raises `NewerStateError` for a state of a newer version."""
        version = state.get("version")
        if version != STATE_VERSION:
            raise NewerStateError(
                f"the snapshot has state version {version}, this motewatch knows version {STATE_VERSION}: "
                "run the version that wrote it, or a newer one"
            )
        engine = cls(history)
        configured = decode_internal("configured", state["configured"].encode())
        assert isinstance(configured, Configured)
        plan = compile_plan(Site.model_validate_json(configured.text), configured.digest)
        rooms = {id_: RoomState(list(since), list(stated)) for id_, (since, stated) in state["rooms"].items()}
        desk = Desk(
            plan,
            history,
            Agenda.from_state(state["agenda"]),
            AlarmBook.from_state(state["alarms"]),
            rooms,
            state["time_us"],
        )
        engine._desk, engine._configured = desk, configured
        engine._time_us, engine._passed_us = state["time_us"], state["passed_us"]
        for id_, location_state in state["locations"].items():
            location_plan = plan.locations[id_]
            bounds = {bound.key: bound for bound in plan.rooms[location_plan.room].bounds}
            restored = LocationState.from_state(location_state, bounds)
            engine._locations[id_] = LocationDesk(desk, location_plan, restored)
        engine._sensors = {id_: SensorState.from_state(sensor) for id_, sensor in state["sensors"].items()}
        engine._dead_letters = deque(state["dead_letters"])
        engine._commands = {id_: Replied(id_, ok, text) for id_, ok, text in state["commands"]}
        return engine

    def snapshot_text(self) -> str:
        """The snapshot as JSON text."""
        return json.dumps(self.snapshot(), separators=(",", ":"), ensure_ascii=False)
