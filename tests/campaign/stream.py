"""The campaign's stream and site: those of the crash test, with delivery out of order, clocks that step, and calls.

Rules: as in `support.crash_stream`. Two things are added. Some fixed counters without climate values hand over a
period's readings late and out of order. Four more counters (`odd-*`), each at a place of its own, have clocks that are
an hour or ten years ahead or behind for some periods. How many revisions such air gets, and in which order, depends on
what the engine had passed when it came, so the odd places are reconciled reading by reading, but neither their samples
nor their alarms are compared with an undisturbed run.

Periods wait `SETTLE_S` for readings: longer than any single fault here lasts with its recovery. That is what makes
"equal to the undisturbed run" a fair demand; a fault that lasts longer makes late revisions, as it must.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Final

import numpy as np

from motewatch.wire.records import HOUR_US, SECOND_US, Reading
from motewatch.wire.topics import Topics
from support import crash_stream
from support.crash_stream import PERIOD_US, PERIODIC, SITE, Message, Stream, payload

SETTLE_S: Final = 30.0
SETTLE_US: Final = round(SETTLE_S) * SECOND_US
TOPICS: Final = Topics("motewatch/v1", SITE)

ODD: Final = tuple(f"odd-{n}" for n in range(4))
"""Counters whose clocks step, and the places where they stand."""

YEARS_US: Final = 10 * 365 * 24 * HOUR_US
STEPS_US: Final = (HOUR_US, -HOUR_US, YEARS_US, -YEARS_US)
LATEST_US: Final = 3 * SECOND_US
"""How much later than due a reading comes that is overtaken by others."""


class CampaignStream(Stream):
    """See the module."""

    def __init__(self, seed: int, topics: Topics, start_us: int) -> None:
        super().__init__(seed, topics, start_us)
        self._order = np.random.default_rng([seed, 1_000])
        self._clocks = [np.random.default_rng([seed, 2_000 + n]) for n in range(len(ODD))]
        self._off_us, self._periods_off, self._seqs = [0] * len(ODD), [0] * len(ODD), [0] * len(ODD)
        self.overtaken = 0
        self.steps = 0
        """How often a sensor's clock was set, wrong or right."""

    def next_period(self) -> list[Message]:
        """As in the crash test, and more."""
        begin_us = self.end_us
        return [*self._shuffled(super().next_period()), *self._from_odd_clocks(begin_us)]

    def _shuffled(self, messages: list[Message]) -> list[Message]:
        late = {f"pc-{n:02}" for n in range(PERIODIC) if self._order.random() < 0.1}
        out = []
        for message in messages:
            reading = message.reading
            plain = reading.temperature_mc is None and reading.humidity_mpct is None and reading.pressure_mpa is None
            if plain and reading.sensor in late:
                self.overtaken += 1
                message = replace(message, send_us=message.send_us + int(self._order.integers(0, LATEST_US)))
            out.append(message)
        return out

    def _from_odd_clocks(self, begin_us: int) -> list[Message]:
        messages = []
        for n, (sensor, rng) in enumerate(zip(ODD, self._clocks, strict=True)):
            self._set_clock(n, rng)
            for second in range(PERIOD_US // SECOND_US):
                end_us = begin_us + second * SECOND_US + (n + 1) * 100_000
                large = int(rng.poisson(0.2))
                reading = Reading(
                    sensor=sensor,
                    boot=f"{sensor}-boot",
                    seq=self._seqs[n],
                    start_us=end_us - SECOND_US + self._off_us[n],
                    duration_us=SECOND_US,
                    volume_ul=471_667,
                    sizes_nm=(500, 5000),
                    counts=(large + int(rng.poisson(40)), large),
                )
                self._seqs[n] += 1
                messages.append(self._message(end_us + 10_000, payload(reading, differential=False), reading))
        return messages

    def _set_clock(self, n: int, rng: np.random.Generator) -> None:
        wrong, which, length = rng.random(), int(rng.integers(len(STEPS_US))), int(rng.integers(1, 4))
        if self._periods_off[n]:
            self._periods_off[n] -= 1
            if not self._periods_off[n]:
                self._off_us[n], self.steps = 0, self.steps + 1
        elif wrong < 0.15:
            self._off_us[n], self._periods_off[n], self.steps = STEPS_US[which], length, self.steps + 1


def site_dict(broker_port: int, time_series_url: str, hook_url: str, mail_port: int) -> dict[str, Any]:
    """The crash test's facility with long settling times, the odd places, and two persons who are told of alarms."""
    site = crash_stream.site_dict(broker_port, time_series_url)
    site["service"] |= {"hold_limit_s": 600.0, "clock_tolerance_s": 300.0}
    site["programmes"] = [each | {"settle_s": SETTLE_S} for each in site["programmes"]]
    site["rooms"].append({"id": "room-odd", "name": "Clocks", "area": "all"})
    site["locations"] += [{"id": odd, "name": odd, "room": "room-odd", "programme": "plain"} for odd in ODD]
    counter = {"sizes_um": [0.5, 5.0], "flow_l_min": 28.3, "interval_s": 1.0, "silent_after_s": 3600.0}
    site["sensors"] = [each | {"silent_after_s": 3600.0} for each in site["sensors"]]
    site["sensors"] += [{"id": odd, "serial": odd, "location": odd, **counter} for odd in ODD]
    site["channels"] = [
        {
            "id": "hook",
            "kind": "webhook",
            "url": hook_url,
            "key_file": "hook.key",
            "timeout_s": 3.0,
            "per_minute": 9000,
        },
        {
            "id": "mail",
            "kind": "e-mail",
            "host": "127.0.0.1",
            "port": mail_port,
            "tls": "none",
            "sender": "air@example.org",
            "timeout_s": 3.0,
            "per_minute": 9000,
        },
    ]
    site["persons"] = [
        {"id": "ada", "name": "Ada", "reach": [{"channel": "hook", "address": "ada"}]},
        {"id": "ben", "name": "Ben", "reach": [{"channel": "mail", "address": "ben@example.org"}]},
    ]
    site["escalations"] = [{"id": "all", "steps": [{"after_min": 0, "tell": ["person:ada", "person:ben"]}]}]
    site["callout"] = {"flood_alarms": 1_000, "flood_min": 1.0, "nobody_after_min": 1440}
    return site
