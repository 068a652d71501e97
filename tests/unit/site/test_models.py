"""What one table says about itself, asked of the models directly (the wrong-site files ask through the file)."""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest
from pydantic import TypeAdapter, ValidationError

from motewatch.site.models import Label, Level, Occupancy, Sensor, SizeUm, size_nm

SENSOR: dict[str, Any] = {"id": "c", "serial": "1", "location": "l", "sizes_um": [0.3, 0.5, 5.0], "flow_l_min": 28.3}


def test_a_sensor_as_the_file_has_it() -> None:
    sensor = Sensor.model_validate({**SENSOR, "calibration_due": date(2027, 3, 31)})
    assert sensor.sizes_um == (0.3, 0.5, 5.0)
    assert [size_nm(size) for size in sensor.sizes_um] == [300, 500, 5000]
    assert sensor.calibration_due == date(2027, 3, 31)
    # The journal keeps it as JSON, where dates are text and 28 may be written for 28.0.
    assert Sensor.model_validate_json(sensor.model_dump_json()) == sensor
    assert Sensor.model_validate({**SENSOR, "flow_l_min": 28}).flow_l_min == 28.0


@pytest.mark.parametrize(
    "change",
    [
        {"flow_l_min": "28.3"},
        {"flow_l_min": True},
        {"flow_l_min": float("inf")},
        {"flow_l_min": float("nan")},
        {"max_concentration_per_m3": float("inf")},
        {"calibration_due": 20270331},
        {"sizes_um": [0.5, 0.5]},
        {"sizes_um": [5.0, 0.5]},
        {"sizes_um": [0.50049]},
        {"sizes_um": []},
        {"id": "-c"},
        {"id": "c-"},
        {"id": "C"},
        {"id": "c/d"},
        {"id": ""},
        {"serial": "1\n2"},
        {"flow": 28.3},
    ],
)
def test_a_sensor_that_is_refused(change: dict[str, Any]) -> None:
    with pytest.raises(ValidationError) as caught:
        Sensor.model_validate({**SENSOR, **change})
    assert {error["loc"][0] for error in caught.value.errors()} == set(change)


@pytest.mark.parametrize("ident", ["a", "a1", "gown-in", "x_y", "0", "a" * 64])
def test_ids(ident: str) -> None:
    assert Sensor.model_validate({**SENSOR, "id": ident}).id == ident


def test_every_common_size_is_a_whole_number_of_nanometres() -> None:
    sizes = TypeAdapter(SizeUm)
    for nm in (100, 150, 200, 250, 300, 500, 700, 1000, 2000, 2500, 3000, 5000, 7500, 10_000, 25_000, 100_000):
        assert size_nm(sizes.validate_python(nm / 1000)) == nm


def test_labels_are_one_line_of_text() -> None:
    labels = TypeAdapter(Label)
    assert labels.validate_python("  Füllraum № 1 ") == "Füllraum № 1"
    for wrong in ("", "   ", "a\tb", "a\x1b[2J", "a\x85b", "x" * 121):
        with pytest.raises(ValidationError):
            labels.validate_python(wrong)


def test_a_level_has_one_place_and_a_value() -> None:
    level = Level.model_validate({"room": "r", "size_um": 0.5, "alert_per_m3": 0, "occupancy": "at-rest"})
    assert (level.alert_per_m3, level.occupancy) == (0, Occupancy.AT_REST)
    for wrong in (
        {"size_um": 0.5, "alert_per_m3": 1},
        {"room": "r", "area": "a", "size_um": 0.5, "alert_per_m3": 1},
        {"room": "r", "size_um": 0.5},
        {"room": "r", "size_um": 0.5, "alert_per_m3": 2, "action_per_m3": 1},
    ):
        with pytest.raises(ValidationError, match="mistake"):
            Level.model_validate(wrong)
