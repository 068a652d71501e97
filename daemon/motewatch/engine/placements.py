"""Where portable counters stand, as people have said it, for those whose messages do not.

Rules: a check-in holds from the engine's time of saying on, until the next one or a check-out. A reading belongs where
its counter stood during the whole of its interval, so that what was buffered before a check-in, or counted while the
counter was carried about, is given to no place. A location in the message itself wins. Must not know readings' counts.
"""

from __future__ import annotations

from bisect import bisect_right
from typing import Any

from motewatch.engine.desk import Desk
from motewatch.engine.records import Audited, Placed, Replied
from motewatch.wire.records import Place, Reading

_Changes = list[tuple[int, str | None]]


class Placements:
    """The changes of place of each portable counter, oldest first; those too old for any reading are forgotten."""

    def __init__(self, desk: Desk) -> None:
        self._desk = desk
        self._changes: dict[str, _Changes] = {}

    def now(self, sensor: str) -> str | None:
        """Where it stands now, as far as anybody said so."""
        changes = self._changes.get(sensor)
        return changes[-1][1] if changes else None

    def knows(self, sensor: str) -> bool:
        """Did anybody ever say where it stands?"""
        return sensor in self._changes

    def during(self, reading: Reading) -> str | None:
        """Where the counter stood during the whole of the reading's interval, as far as anybody said so."""
        changes = self._changes.get(reading.sensor, [])
        instants = [at_us for at_us, _ in changes]
        first, last = bisect_right(instants, reading.start_us) - 1, bisect_right(instants, reading.end_us - 1) - 1
        places = {changes[index][1] for index in range(first, last + 1)} if first >= 0 else {None}
        return places.pop() if len(places) == 1 else None

    def location_of(self, reading: Reading) -> str | None:
        """Where a reading was taken: where its counter is fixed, else what its message says, else the check-in."""
        plan = self._desk.plan.sensors[reading.sensor]
        return plan.location or reading.location or self.during(reading)

    def placed(self, what: Placed) -> None:
        """Somebody says where a counter stands from now on; says the reply, too."""
        self._desk.outputs.append(self.place(what))

    def place(self, what: Placed | Place) -> Replied:
        """The same, and the reply is the caller's to say."""
        desk = self._desk
        refusal = self._refusal(what)
        if refusal:
            return Replied(what.id, False, refusal)
        self._change(what.sensor, what.location)
        action = "check-out" if what.location is None else "check-in"
        detail = "; ".join(part for part in (what.location, what.comment) if part)
        desk.outputs.append(Audited(desk.time_us, what.by, action, f"sensor/{what.sensor}", detail))
        where = "checked out" if what.location is None else f"at '{what.location}' from now on"
        return Replied(what.id, True, f"sensor '{what.sensor}' is {where}")

    def _refusal(self, what: Placed | Place) -> str:
        plan = self._desk.plan
        sensor = plan.sensors.get(what.sensor)
        if sensor is None:
            return f"no sensor '{what.sensor}' in this site"
        if sensor.location is not None:
            return f"sensor '{what.sensor}' is fixed at '{sensor.location}': the site file says where it stands"
        if what.location is None:
            return "" if self.now(what.sensor) is not None else f"sensor '{what.sensor}' is not checked in anywhere"
        where = plan.locations.get(what.location)
        if where is None:
            return f"no location '{what.location}' in this site"
        if self.now(what.sensor) == what.location:
            return f"sensor '{what.sensor}' is at '{what.location}' already"
        return ""

    def configured(self) -> None:
        """A configuration has taken effect: who stands where there is no place any more is checked out."""
        desk = self._desk
        for sensor in sorted(self._changes):
            plan, location = desk.plan.sensors.get(sensor), self.now(sensor)
            if plan is None or plan.location is not None:
                del self._changes[sensor]
            elif location is not None and location not in desk.plan.locations:
                self._change(sensor, None)
            else:
                continue
            if location is not None:
                detail = "no longer in the site configuration"
                desk.outputs.append(Audited(desk.time_us, "service", "check-out", f"sensor/{sensor}", detail))

    def _change(self, sensor: str, location: str | None) -> None:
        changes = self._changes.setdefault(sensor, [])
        changes.append((self._desk.time_us, location))
        # What held at the oldest instant that a reading may still be of has to stay.
        oldest_us = self._desk.time_us - self._desk.plan.late_limit_us
        while len(changes) > 1 and changes[1][0] <= oldest_us:
            del changes[0]

    def to_state(self) -> dict[str, Any]:
        """Plain values for a snapshot."""
        return {sensor: [list(change) for change in changes] for sensor, changes in sorted(self._changes.items())}

    def from_state(self, state: dict[str, Any]) -> None:
        """Take back what `to_state` took apart."""
        self._changes = {sensor: [(at_us, where) for at_us, where in changes] for sensor, changes in state.items()}
