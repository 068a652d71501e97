"""The deterministic step.

`apply` takes one input, `advance` lets time pass; both return outputs and call nothing. The same inputs with the same
times give the same outputs however they are chopped, twice, or after a restore: deadlines are worked off at their
nominal instants, in the agenda's order, before any input that comes later. An input at the very instant of a deadline
comes first, so a caller that has advanced to an instant gives later inputs a later one; the engine refuses others.

Here is time, the way of each input and deadline to the part whose it is, and the snapshot; what the parts do is in
`sensor_watch`, `locations`, `service_alarms` and `commands`.

What it must not know: clocks, sockets, files, random numbers, and the bytes of messages.
"""

from __future__ import annotations

from typing import Any, Final

from pydantic_core import to_json

from motewatch.callout.outlook import CaseNow
from motewatch.callout.records import Delivered
from motewatch.engine.agenda import Agenda, Due
from motewatch.engine.alarm_book import AlarmBook
from motewatch.engine.answers import Answers
from motewatch.engine.callout_desk import CalloutDesk
from motewatch.engine.cascade import CascadeWatch
from motewatch.engine.codec import decode_internal, encode_internal
from motewatch.engine.commands import Commands, command_of
from motewatch.engine.desk import Desk, RoomState
from motewatch.engine.errors import NewerStateError, NotConfiguredError, OlderStateError, TimeWentBackError
from motewatch.engine.locations import LocationDesk, LocationState, new_state
from motewatch.engine.placements import Placements
from motewatch.engine.plan import compile_plan
from motewatch.engine.records import (
    Accessed,
    Answered,
    Audited,
    ClockStepped,
    Commanded,
    Configured,
    Entered,
    Heard,
    History,
    Input,
    Link,
    LinkChanged,
    LinksGuessed,
    Ordered,
    Output,
    PartChanged,
    Placed,
    PlaceOrdered,
    Pressed,
    RecordHeldUp,
    Refused,
    ReplayDiffered,
    Replied,
    Resumed,
    Seen,
    SessionLost,
    SessionTaken,
    SignInsFailed,
    What,
)
from motewatch.engine.sensor_watch import SensorWatch
from motewatch.engine.service_alarms import SERVICE_ALARMS, ServiceAlarms
from motewatch.engine.subject import OUT_OF_USE
from motewatch.engine.suppression import Suppressions
from motewatch.engine.suspicion import SUSPICION_KINDS
from motewatch.engine.trial_desk import TrialDesk
from motewatch.site.models import Site
from motewatch.wire.records import Acknowledge, Place, Reading, SetOccupancy

STATE_VERSION: Final = 4
"""Version of the snapshot. Raised by one with each change of what it holds; older ones are put aside, since all
inputs are on record and can be replayed."""


class _Parts:
    """What there is from the first configuration on."""

    def __init__(self, desk: Desk) -> None:
        self.desk = desk
        self.locations: dict[str, LocationDesk] = {}
        self.service = ServiceAlarms(desk)
        self.placements = Placements(desk)
        self.sensors = SensorWatch(desk, self.service, self.placements)
        self.trials = TrialDesk(desk)
        self.commands = Commands(desk, self.trials, self.placements)
        self.suppressions = Suppressions(desk)
        self.cascade = CascadeWatch(desk)
        self.callout = CalloutDesk(desk)

    def settle(self) -> None:
        """What follows from what was said: suppression first, so that nobody is called for what design logic hides."""
        said = -1
        while said != len(self.desk.outputs):
            said = len(self.desk.outputs)
            self.suppressions.settle()
            self.callout.settle()


class Engine:
    """The engine: state, deadlines, and the step. `history` is its long memory (see `records.History`)."""

    def __init__(self, history: History) -> None:
        self._history = history
        self._parts: _Parts | None = None
        self._configured: Configured | None = None
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
        return None if self._parts is None else self._parts.desk.agenda.next_us

    @property
    def calls_somebody(self) -> bool:
        """Does the configuration in force call anybody?"""
        return self._parts is not None and self._parts.callout.calls_somebody

    def cases(self) -> tuple[CaseNow, ...]:
        """How the calls for each alarm stand: frozen, for whoever shows it."""
        return () if self._parts is None else self._parts.callout.cases()

    def standing(self) -> list[str]:
        """Ids of the standing alarms."""
        return [] if self._parts is None else self._parts.desk.book.standing()

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
        if isinstance(item.what, Configured):
            self._configure(item.what)
        parts = self._parts
        if parts is None:
            raise NotConfiguredError("the first input must be the site configuration")
        parts.desk.time_us = at_us
        self._take(parts, item.what, item.received_at_us)
        parts.settle()
        return self._take_outputs(parts)

    def advance(self, to_us: int) -> list[Output]:
        """Let time pass up to and including `to_us`. Going back is nothing: the engine's time stands still."""
        if to_us <= self._passed_us or self._parts is None:
            return []
        if to_us < self._time_us:
            # Inputs beyond it are in already, so all that was due by then is worked off.
            self._passed_us = to_us
            return []
        self._work_off(to_us + 1)
        self._time_us = self._passed_us = to_us
        desk = self._parts.desk
        desk.time_us = to_us
        return self._take_outputs(self._parts)

    def named(self, by: str) -> str:
        """Who a typed name is on record, by the configuration in force."""
        return by if self._parts is None else self._parts.desk.plan.alarm_rules.named(by)

    # Each input and each deadline to its part

    def _take(self, parts: _Parts, what: What, received_us: int) -> None:
        if isinstance(what, Heard):
            self._heard(parts, what.reading, received_us)
        elif isinstance(what, Seen):
            parts.sensors.seen(what.presence)
        elif isinstance(what, Refused):
            parts.service.dead_letter(what.refusal)
            if what.refusal.command_id is not None:
                parts.desk.outputs.append(Replied(what.refusal.command_id, False, what.refusal.detail))
        elif isinstance(what, Commanded | Ordered):
            # A user of the console is one by sign-in; whoever sends a command has typed a name.
            command = parts.commands.named(what.command) if isinstance(what, Commanded) else command_of(what)
            parts.commands.commanded(command)
            if isinstance(command, SetOccupancy):
                parts.suppressions.occupancy_stated()
        elif isinstance(what, Answered):
            parts.commands.answered(what)
        elif isinstance(what, Delivered):
            parts.trials.delivered(what)
            parts.callout.delivered(what)
        elif isinstance(what, Resumed):
            parts.callout.resumed(what)
        elif isinstance(what, PartChanged):
            parts.service.part_changed(what)
        elif isinstance(what, LinksGuessed):
            parts.service.links_guessed(what)
        elif isinstance(what, RecordHeldUp):
            parts.service.record_held_up(what)
        elif isinstance(what, SessionTaken):
            parts.service.session_taken(what)
        elif isinstance(what, SignInsFailed):
            parts.service.sign_ins_failed(what)
        elif isinstance(what, Placed):
            parts.placements.placed(what)
        elif isinstance(what, PlaceOrdered):
            parts.commands.commanded(Place(what.id, what.by, what.sensor, what.location, what.comment))
        elif isinstance(what, Accessed | Entered):
            parts.desk.outputs.append(Audited(parts.desk.time_us, what.by, what.action, what.subject, what.detail))
        elif isinstance(what, Pressed):
            parts.commands.commanded(Acknowledge(what.id, what.by, what.alarm, what.comment))
        elif isinstance(what, LinkChanged):
            parts.service.link_changed(what)
            if what.up and what.link is Link.BROKER:
                parts.sensors.hear_everyone_anew()
        elif isinstance(what, SessionLost | ClockStepped | ReplayDiffered):
            if isinstance(what, SessionLost):
                parts.sensors.hear_everyone_anew()
            parts.service.happened(what)

    @staticmethod
    def _heard(parts: _Parts, reading: Reading, received_us: int) -> None:
        quality = parts.sensors.heard(reading, received_us)
        if quality is None:
            return
        parts.cascade.take(reading)
        location = parts.placements.location_of(reading)
        if location is not None:
            parts.locations[location].take(reading, quality)

    def _work_off(self, before_us: int) -> None:
        parts = self._parts
        if parts is None:
            return
        desk = parts.desk
        while (deadline := desk.agenda.take(before_us)) is not None:
            at_us, rank, key = deadline
            desk.time_us = max(at_us, self._time_us)
            self._due(parts, Due(rank), at_us, key)
            parts.settle()

    @staticmethod
    def _due(parts: _Parts, due: Due, at_us: int, key: str) -> None:
        if due is Due.SILENCE:
            parts.sensors.silence_due(key, at_us)
        elif due is Due.CALIBRATION:
            parts.sensors.calibration_due(key, at_us)
        elif due is Due.DEAD_LETTERS:
            parts.service.dead_letters_due(at_us)
        elif due is Due.CASCADE:
            parts.cascade.due(key, at_us)
        elif due is Due.UNSHELVE:
            parts.commands.unshelve_due(key, at_us)
        elif due is Due.RE_ALARM:
            parts.commands.re_alarm_due(key, at_us)
        elif due is Due.OCCUPANCY:
            parts.suppressions.occupancy_due(key)
        elif due is Due.TRIAL_CONFIRM:
            parts.trials.confirm_due(key, at_us)
        elif due is Due.TRIAL:
            parts.trials.trial_due(at_us)
        elif due >= Due.ROTA:
            Engine._call_due(parts.callout, due, at_us, key)
        else:
            id_, _, rest = key.partition("@")
            location = parts.locations.get(id_)
            if location is None:
                return
            if due is Due.CLOSE:
                location.close_due(at_us)
            elif due is Due.REVISE:
                location.revise_due(int(rest))
            elif due is Due.BOUND:
                location.bound_due(rest, at_us)

    @staticmethod
    def _call_due(callout: CalloutDesk, due: Due, at_us: int, key: str) -> None:
        if due is Due.ROTA:
            callout.rota_due(key, at_us)
        elif due is Due.CALL_STEP:
            callout.step_due(key, at_us)
        elif due is Due.CALL_REPEAT:
            callout.repeat_due(key, at_us)
        elif due is Due.CALL_NOBODY:
            callout.nobody_due(key, at_us)
        elif due is Due.QUIET_OVER:
            callout.quiet_due(key, at_us)
        elif due is Due.CALL_FLUSH:
            callout.flush_due(key, at_us)
        elif due is Due.TELL_NOBODY:
            callout.tell_nobody_due(at_us)

    @staticmethod
    def _take_outputs(parts: _Parts) -> list[Output]:
        parts.callout.taken()
        outputs, parts.desk.outputs = parts.desk.outputs, []
        return outputs

    # Configuration

    def _configure(self, configured: Configured) -> None:
        now_us = self._time_us
        site = Site.model_validate_json(configured.text)
        plan = compile_plan(site, configured.digest)
        if self._parts is None:
            self._parts = _Parts(Desk(plan, self._history, Agenda(), AlarmBook(), {}, now_us))
        parts = self._parts
        desk = parts.desk
        desk.follow(plan)
        self._configured = configured
        desk.time_us = now_us
        desk.rooms = {room: desk.rooms.get(room, RoomState()) for room in plan.rooms}
        for room_state in desk.rooms.values():
            room_state.cached = (0, 0, "")
        self._configure_locations(parts)
        parts.sensors.configured()
        parts.placements.configured()
        parts.trials.know(site)
        parts.trials.configured()
        parts.callout.know(site)
        parts.commands.configured()
        parts.suppressions.configured()
        parts.cascade.configured()
        self._drop_alarms_without_subject(parts)
        parts.callout.configured()
        desk.outputs.append(Audited(now_us, "service", "configuration", plan.site, configured.digest))

    @staticmethod
    def _configure_locations(parts: _Parts) -> None:
        desk = parts.desk
        before = parts.locations
        parts.locations = {}
        for id_, plan in desk.plan.locations.items():
            old = before.get(id_)
            if old is not None and (
                (old.plan.period_us, old.plan.settle_us, old.plan.sensor is None)
                == (plan.period_us, plan.settle_us, plan.sensor is None)
            ):
                parts.locations[id_] = LocationDesk(desk, plan, old.state)
                continue
            # Another period: open sums do not fit the new ones, so the location begins anew. What the old ones held
            # is in the record as readings.
            location = parts.locations[id_] = LocationDesk(desk, plan, new_state(plan, desk.time_us))
            location.open_first()

    @staticmethod
    def _drop_alarms_without_subject(parts: _Parts) -> None:
        """An alarm about something that the configuration no longer holds is over."""
        desk = parts.desk
        possible = {alarm for location in parts.locations.values() for alarm in location.alarms()}
        possible |= parts.cascade.alarms()
        for alarm, entry in sorted(desk.book.entries.items()):
            sensor = entry.subject.sensor
            # Which parts there are the service knows: it says so of one that the site file has no more.
            known = alarm in possible or alarm in SERVICE_ALARMS or alarm.startswith(OUT_OF_USE)
            known = known or parts.trials.holds(alarm) or parts.callout.holds(alarm)
            if not known and alarm.startswith("sensor/"):
                known = sensor in desk.plan.sensors and entry.subject.kind not in SUSPICION_KINDS
            if not known:
                text = "no longer in the site configuration"
                desk.say(desk.book.returns(alarm, desk.time_us, desk.time_us, text))

    # Snapshots

    def snapshot(self) -> dict[str, Any]:
        """The whole state as plain JSON values. Raises `NotConfiguredError` before the first configuration."""
        parts, configured = self._parts, self._configured
        if parts is None or configured is None:
            raise NotConfiguredError("there is nothing to snapshot before the first configuration")
        desk = parts.desk
        cascade = parts.cascade.to_state()
        return {
            "version": STATE_VERSION,
            "configured": encode_internal(configured).decode(),
            "time_us": self._time_us,
            "passed_us": self._passed_us,
            "agenda": desk.agenda.to_state(),
            "alarms": desk.book.to_state(),
            "rooms": {id_: [room.since_us, room.stated] for id_, room in sorted(desk.rooms.items())},
            "locations": {id_: location.state.to_state() for id_, location in sorted(parts.locations.items())},
            "sensors": parts.sensors.to_state(),
            "placements": parts.placements.to_state(),
            "dead_letters": parts.service.to_state(),
            "commands": parts.commands.to_state(),
            "links": parts.commands.links.to_state(),
            "trials": parts.trials.to_state(),
            "callout": parts.callout.to_state(),
            # Only where there are gauges, so that the snapshot of every other site is what it was.
            **({"cascade": cascade} if cascade else {}),
        }

    @classmethod
    def restore(cls, state: dict[str, Any], history: History) -> Engine:
        """The engine that `snapshot` took apart.

        Raises `OlderStateError` or `NewerStateError` for a state of another version.
        """
        require_version(state.get("version"))
        engine = cls(history)
        configured = decode_internal("configured", state["configured"].encode())
        assert isinstance(configured, Configured)
        site = Site.model_validate_json(configured.text)
        plan = compile_plan(site, configured.digest)
        rooms = {id_: RoomState(list(since), list(stated)) for id_, (since, stated) in state["rooms"].items()}
        agenda, book = Agenda.from_state(state["agenda"]), AlarmBook.from_state(state["alarms"])
        desk = Desk(plan, history, agenda, book, rooms, state["time_us"])
        parts = _Parts(desk)
        engine._parts, engine._configured = parts, configured
        engine._time_us, engine._passed_us = state["time_us"], state["passed_us"]
        for id_, location_state in state["locations"].items():
            location_plan = plan.locations[id_]
            bounds = {bound.key: bound for bound in plan.rooms[location_plan.room].bounds}
            restored = LocationState.from_state(location_state, bounds, plan.trends.get(id_, ()))
            parts.locations[id_] = LocationDesk(desk, location_plan, restored)
        parts.sensors.from_state(state["sensors"])
        parts.placements.from_state(state.get("placements", {}))
        parts.service.from_state(state["dead_letters"])
        parts.commands.from_state(state["commands"])
        parts.commands.links = Answers.from_state(state["links"])
        parts.trials.know(site)
        parts.trials.from_state(state["trials"])
        parts.callout.know(site)
        parts.callout.from_state(state["callout"])
        parts.cascade.from_state(state.get("cascade", {}))
        return engine

    def snapshot_text(self) -> bytes:
        """The snapshot as JSON text in UTF-8."""
        return to_json(self.snapshot())


def require_version(version: object) -> None:
    """Raises `NewerStateError` or `OlderStateError` unless a snapshot of this version can be read."""
    if version == STATE_VERSION:
        return
    if isinstance(version, int) and version < STATE_VERSION:
        raise OlderStateError(
            f"the snapshot has state version {version}, this motewatch writes version {STATE_VERSION}: "
            "put it aside and replay the inputs from the beginning"
        )
    raise NewerStateError(
        f"the snapshot has state version {version}, this motewatch knows up to version {STATE_VERSION}: "
        "start the version that wrote it, or a newer one"
    )
