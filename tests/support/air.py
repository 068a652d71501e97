"""One sampling location of which only the counts matter: an engine that is fed one sample after the other.

Each reading is a sample, one a minute at a given volume of air, all of it good; so what the engine says is decided by
the counts, the limit and the rule alone. Alarms are read off the engine's own words.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from motewatch.alarms.lifecycle import Event
from motewatch.engine import Engine
from motewatch.engine.records import AlarmChanged, Heard, Input, Memory
from motewatch.wire.records import MINUTE_US, SECOND_US, Reading
from support.facility import T0, at, configured

SAMPLE_UL = 28_300_000
SILENT_US = 600 * SECOND_US


class Air:
    """An engine with one fixed sensor in one room. `take` feeds the next minute's counts and says what changed."""

    def __init__(
        self,
        *,
        grade: str | None = None,
        limit_per_m3: int | None = None,
        rule: dict[str, Any] | None = None,
        sizes_um: tuple[float, ...] = (0.5, 5.0),
        size_um: float = 0.5,
        volume_ul: int = SAMPLE_UL,
    ) -> None:
        self._volume_ul = volume_ul
        self._sizes_nm = tuple(round(size * 1000) for size in sizes_um)
        self._alarm = f"location/spot/{size_um:g}um/action"
        room: dict[str, Any] = {"id": "room", "name": "Room", "area": "area"}
        programme: dict[str, Any] = {"id": "each", "sample": "each-reading"}
        if rule is not None:
            programme["size_rules"] = [{"size_um": size_um, "rule": rule}]
        levels = []
        if limit_per_m3 is not None:
            levels = [{"location": "spot", "size_um": size_um, "action_per_m3": limit_per_m3}]
        self._engine = Engine(Memory())
        self._engine.apply(
            at(
                T0,
                configured(
                    {
                        "format": 1,
                        "site": {"id": "air", "name": "Air", "time_zone": "UTC"},
                        "areas": [{"id": "area", "name": "Area"}],
                        "rooms": [room | ({} if grade is None else {"grade": grade})],
                        "programmes": [programme],
                        "locations": [{"id": "spot", "name": "Spot", "room": "room", "programme": "each"}],
                        "sensors": [
                            {
                                "id": "pc",
                                "serial": "pc",
                                "location": "spot",
                                "sizes_um": list(sizes_um),
                                "flow_l_min": volume_ul / 1_000_000,
                                "interval_s": 60.0,
                                "silent_after_s": SILENT_US / SECOND_US,
                            }
                        ],
                        "levels": levels,
                    }
                ),
            )
        )
        self._reading = Reading("pc", "boot", 0, T0, MINUTE_US, volume_ul, self._sizes_nm, (0,) * len(sizes_um))
        self._seq = -1
        self._end_us = T0
        self.samples = 0
        self.last: AlarmChanged | None = None

    def take(self, *counts: int) -> Event | None:
        """The next minute holds these cumulative counts. Returns what the size's action alarm did, if anything."""
        self._seq += 1
        self._end_us += MINUTE_US
        self.samples += 1
        made = replace(self._reading, seq=self._seq, start_us=self._end_us - MINUTE_US, counts=counts)
        now_us = self._end_us + 1
        said = self._engine.apply(Input(now_us, now_us, Heard(made)))
        changes = [out for out in said if isinstance(out, AlarmChanged) and out.alarm == self._alarm]
        assert len(changes) <= 1
        if not changes:
            return None
        self.last = changes[0]
        assert self.last.at_us == self._end_us
        return self.last.event

    def pause(self) -> None:
        """Nobody measures for so long that what follows is another stretch: rules that look back begin empty."""
        self._end_us += SILENT_US + MINUTE_US

    @property
    def minutes(self) -> int:
        """Minutes since the first one began."""
        return (self._end_us - T0) // MINUTE_US
