"""Watches over the sensors themselves: what each said already, its faults, its silence, its calibration.

A reading is turned down here when it cannot be placed, and recognised when it is a repeat; what is left goes to its
sampling location. What it must not know: samples, limits and rooms' bounds.
"""

from __future__ import annotations

from typing import Any, Final

from motewatch.engine.agenda import Due
from motewatch.engine.desk import BROKER_ALARM, Desk
from motewatch.engine.placements import Placements
from motewatch.engine.plan import SensorPlan
from motewatch.engine.records import Priority, Repeated
from motewatch.engine.sensors import BOOTS_KEPT, FUTURE_LIMIT_US, Ranges, SensorState, clock_suspect, quality_of
from motewatch.engine.service_alarms import ServiceAlarms
from motewatch.engine.subject import Subject, sensor_alarm
from motewatch.measure.samples import Quality
from motewatch.wire.records import SECOND_US, Presence, Reading, Refusal, RefusalReason

_FAULTS: Final = (
    (Quality.FLOW_FAULT, "flow", Priority.MEDIUM, "flow is outside its tolerance or reported as a fault"),
    (Quality.LASER_FAULT, "laser", Priority.MEDIUM, "laser is reported as a fault"),
    (Quality.CALIBRATION_OVERDUE, "calibration", Priority.LOW, "calibration is overdue"),
    (Quality.CLOCK_SUSPECT, "clock", Priority.MEDIUM, "clock is off or was stepped"),
)


class SensorWatch:
    """The sensors of the configuration in force, and what is remembered of each."""

    def __init__(self, desk: Desk, service: ServiceAlarms, placements: Placements) -> None:
        self._desk = desk
        self._placements = placements
        self._service = service
        self.states: dict[str, SensorState] = {}

    def configured(self) -> None:
        """A configuration has taken effect: new sensors are expected from now on, gone ones are forgotten."""
        desk = self._desk
        self.states = {id_: self.states.get(id_, SensorState(desk.time_us)) for id_ in desk.plan.sensors}
        for id_, plan in desk.plan.sensors.items():
            self._watch_silence(id_, plan)
            self._watch_calibration(id_, plan)

    def hear_everyone_anew(self) -> None:
        """Silence while nobody could be heard is not the sensors' fault."""
        for state in self.states.values():
            state.heard_us = max(state.heard_us, self._desk.time_us)

    def heard(self, reading: Reading, received_us: int) -> Quality | None:
        """Take a reading. Returns what is to be said of its air, or None for one that is turned down or a repeat."""
        desk = self._desk
        plan = desk.plan.sensors.get(reading.sensor)
        refusal = self._misfit(plan, reading, received_us)
        if refusal is not None or plan is None:
            self._service.turn(refusal or Refusal(RefusalReason.NOT_PROCESSABLE, "not processable", reading.sensor))
            return None
        state = self.states[reading.sensor]
        repeated = self._repeated(state, reading)
        if repeated is not None:
            if isinstance(repeated, Refusal):
                self._service.turn(repeated)
            else:
                desk.outputs.append(repeated)
            return None
        desk.history.heard(reading)
        quality = quality_of(plan, reading)
        if clock_suspect(state, plan, reading, received_us, desk.plan.clock_tolerance_us):
            quality |= Quality.CLOCK_SUSPECT
        # While a backlog is drained the engine's time stands still, so what the sensor says of its own time counts,
        # as far as we have lived to see it.
        end_us = reading.end_us
        state.heard_us = max(state.heard_us, desk.time_us, end_us if end_us < received_us else received_us)
        self._faults(plan, state, reading, end_us, quality)
        if end_us >= state.last_end_us or reading.boot != state.last_boot:
            state.last_end_us, state.last_boot, state.last_seq = end_us, reading.boot, reading.seq
        alarm = sensor_alarm(reading.sensor, "silent")
        if desk.book.active(alarm):
            at_us = state.heard_us
            desk.say(desk.book.returns(alarm, at_us, desk.time_us, f"{reading.sensor}: heard again"))
        if not state.watched:
            self._watch_silence(reading.sensor, plan)
        return quality

    def _misfit(self, plan: SensorPlan | None, reading: Reading, received_us: int) -> Refusal | None:
        """Why a well-formed reading cannot be placed, or None."""
        desk, sensor = self._desk, reading.sensor
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
        elif (place := self._placements.location_of(reading)) is None or place not in desk.plan.locations:
            said = "no location" if reading.location is None else f"unknown location '{reading.location}'"
            more = ", and was not checked in at one during the whole interval" if self._placements.knows(sensor) else ""
            return Refusal(
                RefusalReason.UNKNOWN_LOCATION,
                f"portable sensor '{sensor}' says {said}; it must name a location of the site configuration{more}",
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
            self._clock_alarm(sensor, f"sends readings {ahead_us // SECOND_US} s in the future")
            return Refusal(
                RefusalReason.IN_THE_FUTURE,
                f"the reading ends {ahead_us // SECOND_US} s after it arrived: set the sensor's clock",
                sensor,
            )
        if -ahead_us > desk.plan.late_limit_us:
            self._clock_alarm(sensor, f"sends readings {-ahead_us // SECOND_US} s old")
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
            if self._desk.history.knows_boot(sensor, boot):
                state.recorded_boots.add(boot)
            if len(state.boots) > BOOTS_KEPT:
                oldest = next(iter(state.boots))
                del state.boots[oldest]
                state.recorded_boots.discard(oldest)
        if boot not in state.recorded_boots and ranges.add(seq):
            return None
        start_us = self._desk.history.reading_start_us(sensor, boot, seq)
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

    def _faults(self, plan: SensorPlan, state: SensorState, reading: Reading, end_us: int, quality: Quality) -> None:
        """Let the sensor's own alarms start and return; only on a change, and not for old readings."""
        desk = self._desk
        if end_us < state.last_end_us and not quality & Quality.CLOCK_SUSPECT:
            return
        if plan.calibration_due_us is not None and plan.calibration_due_us <= desk.time_us:
            # A reading from before the due instant may still come after it; the alarm is about now.
            quality |= Quality.CALIBRATION_OVERDUE
        if int(quality) == state.faults:
            return
        before, state.faults = Quality(state.faults), int(quality)
        for bit, word, priority, text in _FAULTS:
            if not (quality ^ before) & bit:
                continue
            subject = self._subject(reading.sensor, word, priority)
            if quality & bit:
                desk.say(desk.book.starts(subject, end_us, desk.time_us, f"{reading.sensor}: {text}"))
            else:
                text = f"{reading.sensor}: {word} is in order again"
                desk.say(desk.book.returns(subject.alarm, end_us, desk.time_us, text))

    def _clock_alarm(self, sensor: str, text: str) -> None:
        desk = self._desk
        subject = self._subject(sensor, "clock", Priority.MEDIUM)
        self.states[sensor].faults |= int(Quality.CLOCK_SUSPECT)
        desk.say(desk.book.starts(subject, desk.time_us, desk.time_us, f"{sensor}: {text}"))

    def _subject(self, sensor: str, word: str, priority: Priority) -> Subject:
        desk = self._desk
        location = desk.plan.sensors[sensor].location
        where = desk.plan.locations.get(location) if location is not None else None
        return Subject(
            sensor_alarm(sensor, word),
            f"sensor-{word}",
            priority,
            location,
            sensor,
            None if where is None else where.room,
            None if where is None else where.area,
        )

    def _watch_silence(self, sensor: str, plan: SensorPlan) -> None:
        """A fixed sensor is expected at all hours; a portable is switched off and carried about."""
        desk = self._desk
        state = self.states[sensor]
        if not state.watched and plan.location is not None:
            state.watched = True
            desk.agenda.enter(max(state.heard_us + plan.silent_us, desk.time_us), Due.SILENCE, sensor)

    def silence_due(self, sensor: str, at_us: int) -> None:
        """A sensor may have been silent too long."""
        desk = self._desk
        plan, state = desk.plan.sensors.get(sensor), self.states.get(sensor)
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
        self._silent(sensor, at_us, f"{sensor}: nothing heard for {plan.silent_us // SECOND_US} s")

    def _silent(self, sensor: str, at_us: int, text: str) -> None:
        desk = self._desk
        subject = self._subject(sensor, "silent", Priority.MEDIUM)
        desk.say(desk.book.starts(subject, at_us, desk.time_us, text))

    def seen(self, presence: Presence) -> None:
        """A last will is as good as silence; a greeting alone is not yet a measurement."""
        desk = self._desk
        plan = desk.plan.sensors.get(presence.sensor)
        if plan is None:
            reason, detail = (
                RefusalReason.UNKNOWN_SENSOR,
                f"sensor '{presence.sensor}' is not in the site configuration",
            )
            self._service.turn(Refusal(reason, detail, presence.sensor))
        elif not presence.online and plan.location is not None:
            self._silent(presence.sensor, desk.time_us, f"{presence.sensor}: went offline")

    def _watch_calibration(self, sensor: str, plan: SensorPlan) -> None:
        desk = self._desk
        alarm = sensor_alarm(sensor, "calibration")
        if plan.calibration_due_us is None or plan.calibration_due_us > desk.time_us:
            text = f"{sensor}: calibration is in order again"
            desk.say(desk.book.returns(alarm, desk.time_us, desk.time_us, text))
            self.states[sensor].faults &= ~int(Quality.CALIBRATION_OVERDUE)
        if plan.calibration_due_us is not None:
            desk.agenda.enter(max(plan.calibration_due_us, desk.time_us), Due.CALIBRATION, sensor)

    def calibration_due(self, sensor: str, at_us: int) -> None:
        """A calibration falls due, unless it was done since."""
        desk = self._desk
        plan = desk.plan.sensors.get(sensor)
        if plan is None or plan.calibration_due_us is None or plan.calibration_due_us > at_us:
            return
        subject = self._subject(sensor, "calibration", Priority.LOW)
        self.states[sensor].faults |= int(Quality.CALIBRATION_OVERDUE)
        desk.say(desk.book.starts(subject, at_us, desk.time_us, f"{sensor}: calibration is overdue"))

    def to_state(self) -> dict[str, Any]:
        """Plain values for a snapshot."""
        return {id_: sensor.to_state() for id_, sensor in sorted(self.states.items())}

    def from_state(self, state: dict[str, Any]) -> None:
        """Take back what `to_state` took apart."""
        self.states = {id_: SensorState.from_state(sensor) for id_, sensor in state.items()}
