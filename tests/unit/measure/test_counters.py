"""Counters as instruments: requirements, stated maximum, calibration, coincidence; what is refused."""

from __future__ import annotations

import math
from datetime import date

import numpy as np
import pytest

from motewatch.measure.coincidence import (
    Loss,
    Optics,
    OverloadedError,
    lambert_w,
    lost_share,
    optics_from_maximum,
    shown_array,
    shown_per_m3,
    true_array,
    true_per_m3,
)
from motewatch.measure.counters import (
    ISO_21501_4,
    Calibration,
    Evidence,
    RangeMark,
    calibration_due,
    calibration_on,
    flow_within,
    range_mark,
    requirement,
)
from motewatch.measure.errors import BadInputError

DUE = date(2026, 6, 30)


@pytest.mark.parametrize(
    ("day", "state"),
    [
        (date(2026, 5, 30), Calibration.IN_ORDER),
        (date(2026, 5, 31), Calibration.DUE_SOON),
        (date(2026, 6, 30), Calibration.DUE_SOON),
        (date(2026, 7, 1), Calibration.OVERDUE),
    ],
)
def test_calibration_is_good_until_its_due_date_is_over(day: date, state: Calibration) -> None:
    assert calibration_on(day, DUE) is state
    assert calibration_on(day, None) is Calibration.UNKNOWN


def test_calibration_due_a_year_later() -> None:
    assert calibration_due(date(2025, 6, 30)) == date(2026, 6, 30)
    assert calibration_due(date(2024, 2, 29)) == date(2025, 2, 28)
    assert calibration_due(date(2024, 2, 29), 4) == date(2028, 2, 29)
    with pytest.raises(BadInputError, match="years = 0"):
        calibration_due(date(2024, 1, 1), 0)
    with pytest.raises(BadInputError, match="notice_days = -1"):
        calibration_on(DUE, DUE, -1)


@pytest.mark.parametrize(
    ("flow", "nominal", "within"),
    [
        (28.3 * 1.05, 28.3, True),
        (28.3 * 0.95, 28.3, True),
        (26.88, 28.3, False),
        (29.72, 28.3, False),
        (0, 28.3, False),
    ],
)
def test_flow_tolerance(flow: float, nominal: float, within: bool) -> None:
    assert flow_within(flow, nominal) is within


def test_flow_with_its_own_tolerance() -> None:
    assert flow_within(29.0, 28.3, 3)
    assert not flow_within(29.2, 28.3, 3)


@pytest.mark.parametrize(
    ("count", "volume_ul", "most", "mark"),
    [
        (1_000_000, 28_300_000, 35_335_690.0, RangeMark.WITHIN),
        (1_000_000, 28_300_000, 35_335_689.0, RangeMark.ABOVE_STATED),
        (10, 1_000_000_000, 10, RangeMark.WITHIN),
        (11, 1_000_000_000, 10, RangeMark.ABOVE_STATED),
        (11, 1_000_000_000, None, RangeMark.UNKNOWN),
    ],
)
def test_range_mark(count: int, volume_ul: int, most: float | None, mark: RangeMark) -> None:
    assert range_mark(count, volume_ul, most) is mark


def test_each_requirement_has_a_band_and_says_how_it_is_known() -> None:
    for id_, item in ISO_21501_4.items():
        assert item.id == id_
        assert item.evidence is not Evidence.FOUND
        assert item.high is not None
        assert item.met_by(item.high)
        assert not item.met_by(item.high + 0.01)
        if item.low is not None:
            assert item.met_by(item.low)
            assert not item.met_by(item.low - 0.01)


@pytest.mark.parametrize("model", Loss)
def test_shown_and_true_are_inverse_below_the_peak(model: Loss) -> None:
    optics = optics_from_maximum(35.3e6, 28.3, model)
    for true in (0.0, 1.0, 3_520.0, 1e6, 35.3e6, 1e8, 0.999 / optics.busy_m3):
        assert true_per_m3(shown_per_m3(true, optics), optics) == pytest.approx(true, rel=1e-6)
        assert shown_per_m3(true, optics) <= true


@pytest.mark.parametrize("model", Loss)
def test_arrays_equal_scalars(model: Loss) -> None:
    optics = optics_from_maximum(35.3e6, 28.3, model)
    true = np.concatenate(([0.0], np.geomspace(1e-3, 1 / optics.busy_m3, 500)))
    shown = shown_array(true, optics)
    np.testing.assert_allclose(shown, [shown_per_m3(value, optics) for value in true.tolist()], rtol=1e-13)
    readings = np.append(shown, [optics.peak_per_m3 * 1.01])
    found = true_array(readings, optics)
    np.testing.assert_allclose(found[:-1], [true_per_m3(value, optics) for value in shown.tolist()], rtol=1e-9)
    assert math.isnan(found[-1])


def test_an_impossible_reading_is_told_with_the_peak() -> None:
    optics = optics_from_maximum(35.3e6, 28.3)
    assert optics.peak_per_m3 == pytest.approx(123e6, rel=5e-3)
    with pytest.raises(OverloadedError, match="impossible"):
        true_per_m3(124e6, optics)
    with pytest.raises(OverloadedError):
        true_per_m3(1 / optics.busy_m3, Optics(optics.flow_l_min, optics.pulse_s, Loss.NON_PARALYZABLE))


def test_bad_input_is_named() -> None:
    optics = Optics(28.3, 6e-6)
    nan = math.nan
    for call, named in (
        (lambda: Optics(0, 6e-6), "flow_l_min = 0"),
        (lambda: Optics(28.3, nan), "pulse_s = nan"),
        (lambda: optics_from_maximum(1e6, 28.3, loss=1.0), "loss = 1"),
        (lambda: lost_share(-1, optics), "true_per_m3 = -1"),
        (lambda: true_per_m3(nan, optics), "measured_per_m3 = nan"),
        (lambda: shown_array([1.0, -2.0], optics), "true_per_m3 = -2"),
        (lambda: true_array([1.0, nan], optics), "measured_per_m3 = nan"),
        (lambda: lambert_w(-0.4), "x = -0.4"),
        (lambda: lambert_w(nan), "x = nan"),
        (lambda: requirement("colour"), "requirement = colour"),
        (lambda: requirement("flow-error").met_by(nan), "flow-error = nan"),
        (lambda: flow_within(28.3, 0), "nominal_l_min = 0"),
        (lambda: range_mark(-1, 1, 1.0), "count = -1"),
        (lambda: range_mark(1, 0, 1.0), "volume_ul = 0"),
        (lambda: range_mark(1, 1, nan), "max_per_m3 = nan"),
    ):
        with pytest.raises(BadInputError, match=named):
            call()
