"""A journal with some days of a small facility on record: gaps, late data, an excursion with its people, a new level.

`fill-1` (grade A) is measured with two gaps and an excursion; `prep-1` with revisions; at `prep-2` nobody measures. The
samples are the same in every run.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from motewatch.alarms.lifecycle import Event, State
from motewatch.alarms.priority import Priority
from motewatch.callout.records import Cause, Fact, Told
from motewatch.engine.codec import encode_internal
from motewatch.engine.records import AlarmChanged, Audited, Output, SampleTaken
from motewatch.journal.journal import Journal
from motewatch.journal.rows import BY_TIME, Batch, InputRow
from motewatch.measure.samples import Channel, Quality, Sample, Spread
from motewatch.picture.report_scope import day_of
from motewatch.site.instants import instant
from support.facility import configured, site_dict

MINUTE = 60_000_000
ZONE = ZoneInfo("Europe/Berlin")
DAY = day_of(instant(1_772_452_800_000_000).date(), ZONE)
"""2026-03-02 in Berlin."""
T0 = DAY.start_us
ACTION = "location/fill-1/0.5um/action"
MARKUP = "*bold* #eval(1) <b>Door</b> $x$ [was] open"
"""What somebody typed."""


def report_site(**changes: Any) -> dict[str, Any]:
    """The site in Berlin, with sensors whose calibration is stated."""
    made = site_dict(**changes)
    made["site"]["time_zone"] = "Europe/Berlin"
    made["programmes"][1] = {"id": "direct", "period_s": 60.0, "settle_s": 2.0}
    made["sensors"][0]["calibration_due"] = "2026-12-31"
    made["sensors"][1]["calibration_due"] = "2026-02-01"
    return made


def sample(
    location: str, start_us: int, count: int, revision: int = 1, air: bool = True, climate: bool = False
) -> Sample:
    """A minute."""
    channels = (Channel(500, count, 28_300_000), Channel(5000, count // 60, 28_300_000)) if air else ()
    return Sample(
        location=location,
        start_us=start_us,
        end_us=start_us + MINUTE,
        revision=revision,
        channels=channels,
        sampled_us=MINUTE if air else 0,
        readings=6 if air else 0,
        sensors=("pc-1" if location == "fill-1" else "pc-2",) if air else (),
        quality=Quality.GOOD if air else Quality.MISSING,
        occupancy="operational",
        temperature=Spread(6, 6 * (21_000 + count), 20_900, 21_300 + count) if climate and air else None,
        humidity=Spread(6, 6 * 45_000, 44_000, 46_500) if climate and air else None,
    )


def commit(journal: Journal, outputs: list[Output], engine_us: int) -> None:
    """One batch of outputs that time made."""
    journal.commit(Batch(outputs=[(BY_TIME, each) for each in outputs], engine_us=engine_us))


def configure(journal: Journal, site: dict[str, Any], at_us: int) -> None:
    """A configuration takes effect."""
    row = InputRow(0, "configured", at_us, at_us, "", encode_internal(configured(site)))
    journal.commit(Batch(inputs=[row], engine_us=at_us))


def step(event: Event, before: State, after: State, at_us: int, text: str = "", **more: Any) -> AlarmChanged:
    """A step of the excursion at `fill-1`."""
    return AlarmChanged(
        alarm=ACTION,
        kind="count-action",
        priority=Priority.HIGH,
        event=event,
        before=before,
        after=after,
        at_us=at_us,
        found_us=at_us + 2_000_000,
        text=text,
        location="fill-1",
        sensor="pc-1",
        room="fill",
        area="north",
        **more,
    )


def minutes(seed: int = 11) -> list[Output]:
    """The samples of the day."""
    rng = np.random.default_rng(seed)
    found: list[Output] = []
    for number, count in enumerate(rng.poisson(9, 1440).tolist()):
        start = T0 + number * MINUTE
        excursion = 600 <= number < 605
        gap = 200 <= number < 245 or 1100 <= number < 1103
        found.append(SampleTaken(sample("fill-1", start, 180 + number - 600 if excursion else count, air=not gap,
                                        climate=True)))  # fmt: skip
        found.append(SampleTaken(sample("prep-1", start, count * 40)))
        if number % 400 == 7:
            found.append(SampleTaken(sample("prep-1", start, count * 40 + 1, revision=2)))
    return found


def excursion(begin_us: int) -> list[Output]:
    """It starts, somebody takes it, it is over; with a call and a note."""
    text = "Needle side: 6 361 particles/m3 >= 0.5 um, above the action level of 3 520 (EU GMP Annex 1 (2022), Table 1)"
    starts = step(
        Event.STARTS, State.NORMAL, State.UNACKNOWLEDGED, begin_us, text, value=6361.0, limit=3520.0, unit="/m3"
    )
    fact = Fact(ACTION, "high", "unacknowledged", "count above the action level", "Needle side", begin_us)
    call = Told("c-1", begin_us, begin_us, Cause.RAISED, "ada", "mail", "ada@example.org", True, (fact,))
    taken = step(
        Event.ACKNOWLEDGE, State.UNACKNOWLEDGED, State.ACKNOWLEDGED, begin_us + 3 * MINUTE, "taken", by="op-7",
        comment=MARKUP,
    )  # fmt: skip
    over = step(Event.RETURNS, State.ACKNOWLEDGED, State.NORMAL, begin_us + 5 * MINUTE, "back", value=300.0)
    note = Audited(begin_us + 20 * MINUTE, "op-7", "note", "location/fill-1", "Gloves changed; next samples clean.")
    return [starts, call, taken, over, note]


def make_record(path: Path) -> None:
    """The whole journal."""
    with Journal(path, site="testing") as journal:
        configure(journal, report_site(), T0 - 3_600_000_000)
        commit(journal, minutes(), T0 + 1440 * MINUTE + 2_000_000)
        commit(journal, excursion(T0 + 601 * MINUTE), T0 + 1440 * MINUTE + 3_000_000)
        tighter = report_site(levels=[{"room": "fill", "size_um": 0.5, "alert_per_m3": 500}])
        configure(journal, tighter, T0 + 1440 * MINUTE + 4_000_000)
