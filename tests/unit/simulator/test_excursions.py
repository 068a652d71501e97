"""The truth about the rooms: incidents as they were, and true concentrations above the site's levels."""

from __future__ import annotations

from typing import Any

import pytest

from motewatch.site.models import Site
from motewatch_simulator.simulation import Simulation
from motewatch_simulator.truth import Truth, TruthKind
from support.simulated import START_US, a_scenario, a_simulation, a_site, measured

SECOND = 1_000_000
MINUTE = 60 * SECOND
BURST = {"kind": "gowning-burst", "room": "next", "people": 4, "at_s": 120, "duration_s": 120}


def leveled(programme: dict[str, Any] | None = None, **level: Any) -> Site:
    data = a_site().model_dump(mode="json", exclude_defaults=True)
    data["programmes"] = [{"id": "minute", **(programme or {})}]
    data["levels"] = [{"room": "next", "size_um": 0.5, "alert_per_m3": 100_000, "action_per_m3": 10**7, **level}]
    return Site.model_validate(data)


def seen(site: Site, seconds: float = 600, **changes: Any) -> list[Truth]:
    simulation: Simulation = a_simulation(a_scenario(**{"incidents": [BURST], **changes}), site, speed=20.0)
    measured(simulation, seconds)
    return simulation.truths()


def test_a_concentration_above_a_level_is_an_excursion_by_whole_periods() -> None:
    (truth,) = [t for t in seen(leveled()) if t.kind is TruthKind.EXCURSION]
    assert truth.what == "above-level"
    assert truth.subject == {"room": "next", "location": "table"}
    # 8 x 35,500 /s in 0.833 m3/s: 0.34e6 /m3 above what is there; gone within the next minute.
    assert truth.start_us == START_US + 2 * MINUTE
    assert truth.end_us == START_US + 4 * MINUTE
    assert truth.detail == {
        "size_um": 0.5,
        "level": "alert",
        "limit_per_m3": 100_000,
        "peak_per_m3": pytest.approx(350_000, rel=0.1),
    }


def test_no_counting_noise_is_in_it() -> None:
    """The same truth whatever the counters draw: the rooms have a random stream of their own."""
    people = [{"room": "next", "count": 1, "activity": 0.3}]
    first, second = (seen(leveled(alert_per_m3=5_500, action_per_m3=6_300), people=people, incidents=[]) for _ in "ab")
    assert first == second
    # 0.3 x 17,000 /s in 0.861 m3/s: 5,900 /m3, steady: above the one level and below the other, for ever.
    assert [(t.detail["level"], t.end_us) for t in first] == [("alert", None)]
    assert first[0].start_us == START_US


def test_where_each_reading_is_a_sample_the_interval_counts() -> None:
    (truth,) = [t for t in seen(leveled({"sample": "each-reading"})) if t.kind is TruthKind.EXCURSION]
    assert START_US + 120 * SECOND < truth.start_us < START_US + 130 * SECOND
    assert truth.end_us is not None
    assert START_US + 240 * SECOND < truth.end_us < START_US + 260 * SECOND


def test_a_level_for_a_state_counts_in_that_state_only() -> None:
    site = leveled(occupancy="at-rest")
    assert not [t for t in seen(site) if t.kind is TruthKind.EXCURSION], "the room is operational"
    data = site.model_dump(mode="json", exclude_defaults=True)
    data["rooms"][1]["occupancy"] = "at-rest"
    assert len([t for t in seen(Site.model_validate(data)) if t.kind is TruthKind.EXCURSION]) == 1


def test_standards_count_as_well() -> None:
    data = leveled(alert_per_m3=10**6).model_dump(mode="json", exclude_defaults=True)
    data["rooms"][1]["grade"] = "B"
    (truth,) = [
        t for t in seen(Site.model_validate(data)) if t.kind is TruthKind.EXCURSION and t.detail["size_um"] == 5.0
    ]
    # 8 times 5,533 /s of 5 um in indoor clothing: far above the 2,930 /m3 of grade B in operation.
    assert (truth.detail["level"], truth.detail["limit_per_m3"]) == ("action", 2_930)


@pytest.mark.parametrize(
    ("incident", "subject", "detail"),
    [
        (BURST, {"room": "next"}, {"people": 4, "garment": "indoor", "activity": 2.0}),
        (
            {"kind": "door-open", "higher": "clean", "lower": "next", "at_s": 120, "duration_s": 120},
            {"room": "clean"},
            {"higher": "clean", "lower": "next"},
        ),
        (
            {"kind": "humidity-drift", "room": "clean", "change_pct": 9, "at_s": 120, "duration_s": 120},
            {"room": "clean"},
            {"change_pct": 9.0, "ramp_s": 0.0},
        ),
    ],
)
def test_incidents_are_told_as_they_were(
    incident: dict[str, Any], subject: dict[str, str], detail: dict[str, object]
) -> None:
    (truth,) = [t for t in seen(a_site(), incidents=[incident]) if t.kind is TruthKind.INCIDENT]
    assert (truth.what, truth.subject) == (incident["kind"], subject)
    assert detail.items() <= truth.detail.items()
    assert (truth.start_us, truth.end_us) == (START_US + 2 * MINUTE, START_US + 4 * MINUTE)


def test_what_goes_on_at_the_end_has_no_end() -> None:
    (truth,) = [t for t in seen(a_site(), seconds=200) if t.kind is TruthKind.INCIDENT]
    assert truth.end_us is None


def test_repeated_incidents_are_each_told() -> None:
    head = {"name": "Test", "person_spread": 0.0, "repeat_s": 300}
    truths = [t for t in seen(a_site(), 1_000, scenario=head) if t.kind is TruthKind.INCIDENT]
    assert [(t.start_us - START_US) // SECOND for t in truths] == [120, 420, 720]
