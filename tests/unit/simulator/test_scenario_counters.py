"""Mistakes in tables of counters and misbehaviour are told with key, value and mend."""

from __future__ import annotations

import pytest

from motewatch.site.models import Site
from motewatch_simulator.errors import ScenarioError
from motewatch_simulator.scenario_file import parse_scenario
from support.simulated import a_site

GOOD = """
format = 1
[scenario]
name = "Test"
[response]
[[rooms]]
id = "clean"
air_changes_per_h = 60
[[rooms]]
id = "next"
air_changes_per_h = 30
[[locations]]
id = "zone"
transfer = 1e-4
[[sensors]]
id = "pc-1"
"""
FAULT = '[[incidents]]\nsensor = "pc-1"\nat_s = 5\nduration_s = 5\n'
TOUR = 'tour = { stops = [{ location = "bench", stay_s = 90 }, { location = "table", stay_s = 90 }] }\n'
PORTS = 'manifold = { ports = [{ location = "bench" }, { location = "table" }] }\n'


def fixed() -> Site:
    return a_site()


def portable() -> Site:
    return a_site(kind="portable", location=None, interval_s=30)


def mistakes(text: str, site: Site) -> str:
    with pytest.raises(ScenarioError) as caught:
        parse_scenario(text, "wrong.toml", site)
    return str(caught.value)


@pytest.mark.parametrize("way", [TOUR, PORTS, 'location = "zone"\ndispersion = { kind = "log-ou" }\n'])
def test_each_way_of_a_portable_is_read(way: str) -> None:
    scenario = parse_scenario(GOOD + way, "good.toml", portable())
    assert scenario.response is not None
    assert scenario.response.width == 0.15


@pytest.mark.parametrize(
    ("settings", "expected"),
    [
        ("", ["portable sensor", "stands nowhere", "a tour or a manifold"]),
        (TOUR + PORTS, ["tour and manifold are given", "Keep one"]),
        (TOUR.replace("90 }]", "45 }]"), ["tour.stops[1].stay_s", "= 45", "too short", "at least 60"]),
        (TOUR.replace('"table"', '"tabel"'), ["tour.stops[1].location", 'Did you mean "table"?']),
        (PORTS.replace('"table"', '"tabel"'), ["manifold.ports[1].location", 'Did you mean "table"?']),
        (PORTS + "sample_s = 5\n", ["a manifold has its own dwell and tubes"]),
        (PORTS + "tube = { length_m = 1 }\n", ["a manifold has its own dwell and tubes"]),
        (TOUR.replace("stay_s = 90 }]", "stay = 90 }]"), ["stops[1].stay (", 'Did you mean "stay_s"?']),
        ('location = "bench"\nsample_s = 31\n', ["sample_s", "longer than its interval of 30 s"]),
        ('location = "bench"\nsizes_um = [5, 0.5]\n', ["sizes_um", "sizes must rise", "[0.5, 5.0]"]),
        ('location = "bench"\ntube = { lenght_m = 1 }\n', ["tube.lenght_m (", 'Did you mean "length_m"?']),
        (
            'location = "bench"\ndispersion = { kind = "log-ou" }\n',
            ["dispersion.kind", "wander by themselves", "negative-binomial"],
        ),
        (
            'location = "bench"\ndispersion = { kind = "gauss" }\n',
            ["no such kind of dispersion", "negative-binomial, log-ou"],
        ),
        (
            'location = "zone"\ndispersion = { kind = "log-ou", tau_mins = 3 }\n',
            ["dispersion.tau_mins (", 'Did you mean "tau_min"?'],
        ),
    ],
)
def test_a_mistake_in_a_counter(settings: str, expected: list[str]) -> None:
    text = mistakes(GOOD + settings, portable())
    for part in expected:
        assert part in text


@pytest.mark.parametrize(
    ("settings", "key"), [(TOUR, "tour"), (PORTS, "manifold"), ('location = "zone"\n', "location")]
)
def test_a_fixed_sensor_is_not_moved(settings: str, key: str) -> None:
    text = mistakes(GOOD + settings, fixed())
    assert f"sensors[0].{key}" in text
    assert "a fixed sensor hangs where the site file says" in text
    assert f"Remove {key}" in text


@pytest.mark.parametrize(
    ("fault", "expected"),
    [
        ('kind = "stuck"\nper_day = 3\n', ["incidents[0].per_day = 3"]),
        ('kind = "stuk"\n', ["no such kind of incident", "stuck"]),
        ('kind = "stuck"\nrandom = { per_day = 3 }\n', ["incidents[0].random.mean_s", "missing"]),
        ('kind = "stuck"\nrandom = { per_days = 3, mean_s = 1 }\n', ["random.per_days", 'Did you mean "per_day"?']),
        ('kind = "clock-jump"\n', ["exactly one of step_s and epoch"]),
        ('kind = "clock-jump"\nstep_s = 5\nepoch = 1970\n', ["exactly one of step_s and epoch"]),
        ('kind = "clock-jump"\nepoch = 1980\n', ["epoch", "1970 or 2000"]),
        ('kind = "config-error"\nmode = "wrong-place"\n', ["incidents[0]", "needs it"]),
        ('kind = "config-error"\nmode = "per-ft3"\nlocation = "bench"\n', ["location is for mode wrong-place"]),
        (
            'kind = "config-error"\nmode = "wrong-place"\nlocation = "tabel"\n',
            ['location = "tabel"', "location in a room with a plant", 'Did you mean "table"?'],
        ),
        ('kind = "laser-ageing"\nexponent = 7\n', ["exponent = 7", "within this range"]),
        ('kind = "laser-ageing"\npower = 0\n', ["power = 0"]),
    ],
)
def test_a_mistake_in_a_misbehaviour(fault: str, expected: list[str]) -> None:
    text = mistakes(GOOD + FAULT + fault, fixed())
    for part in expected:
        assert part in text


def test_a_misbehaviour_of_nobody() -> None:
    text = mistakes(GOOD + FAULT.replace("pc-1", "pc-3") + 'kind = "stuck"\n', fixed())
    assert 'incidents[0].sensor = "pc-3"' in text
    assert "no such sensor in the site file" in text


def test_a_star_stands_for_every_sensor_and_no_other_sign_does() -> None:
    scenario = parse_scenario(GOOD + FAULT.replace("pc-1", "*") + 'kind = "stuck"\n', "good.toml", fixed())
    assert scenario.incidents[0].model_dump()["sensor"] == "*"
    assert "is no id" in mistakes(GOOD + FAULT.replace("pc-1", "**") + 'kind = "stuck"\n', fixed())


def test_differential_counts_have_no_order_to_break() -> None:
    text = mistakes(GOOD + 'counts = "differential"\n' + FAULT + 'kind = "channel-order"\n', fixed())
    assert "differential counts, which have no order" in text
