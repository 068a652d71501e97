"""Temperature and humidity hang together; the pressure difference falls fast and comes back slowly."""

from __future__ import annotations

import numpy as np
import pytest

from motewatch_simulator.climate import ClimateSettings, Gains, RoomClimate, saturation_pa


def a_climate(seed: int = 1, pressure_pa: float | None = 15.0) -> RoomClimate:
    settings = ClimateSettings(21.0, 45.0, pressure_pa, 600.0, 1_200.0, 5.0)
    return RoomClimate(settings, np.random.default_rng(seed))


def calm(climate: RoomClimate, seconds: float, **changes: float) -> None:
    for _ in range(round(seconds)):
        climate.advance(1.0, **{"warmer_c": 0.0, "wetter_pct": 0.0, "pressure_share": 1.0, **changes})


def test_one_degree_more_reads_as_the_worked_humidity() -> None:
    # 21 C and 45 %, constant moisture, +1 C: 42.3 %.
    assert 45.0 * saturation_pa(21.0) / saturation_pa(22.0) == pytest.approx(42.3, abs=0.05)


def test_saturation_pressure_is_right_at_two_points() -> None:
    # From memory of steam tables, not confirmed: 2,339 Pa at 20 C, 611 Pa at 0 C.
    assert saturation_pa(20.0) == pytest.approx(2_339, rel=3e-3)
    assert saturation_pa(0.0) == pytest.approx(611, rel=1e-3)


def test_a_warmer_room_reads_drier() -> None:
    climate = a_climate()
    before = climate.humidity_pct
    calm(climate, 3_600, warmer_c=2.0)
    assert climate.temperature_c == pytest.approx(23.0, abs=0.5)
    assert climate.humidity_pct == pytest.approx(45.0 * saturation_pa(21.0) / saturation_pa(23.0), abs=2.0)
    assert climate.humidity_pct < before


def test_the_climate_stays_near_its_set_points_and_moves_slowly() -> None:
    climate = a_climate()
    temperatures, humidities = [], []
    for _ in range(600):
        calm(climate, 60)
        temperatures.append(climate.temperature_c)
        humidities.append(climate.humidity_pct)
    assert np.mean(temperatures) == pytest.approx(21.0, abs=0.1)
    assert np.mean(humidities) == pytest.approx(45.0, abs=0.5)
    assert np.std(temperatures) < 0.3
    assert np.std(humidities) < 1.5
    assert np.corrcoef(temperatures, humidities)[0, 1] < -0.5, "from one moisture balance"


def test_an_open_door_takes_the_pressure_and_a_shut_one_gives_it_back() -> None:
    climate = a_climate()
    assert climate.pressure_pa == pytest.approx(15.0, abs=2.0)
    calm(climate, 2, pressure_share=0.0)
    assert climate.pressure_pa == pytest.approx(0.0, abs=2.0)
    calm(climate, 2)
    assert climate.pressure_pa is not None
    assert climate.pressure_pa < 10.0, "with a time constant of 5 s a third is back"
    calm(climate, 30)
    assert climate.pressure_pa == pytest.approx(15.0, abs=2.0)


def test_a_room_without_a_set_point_has_no_pressure_difference() -> None:
    climate = a_climate(pressure_pa=None)
    calm(climate, 3)
    assert climate.pressure_pa is None


def swinging(overshoot: float) -> RoomClimate:
    settings = ClimateSettings(20.0, 45.0, 15.0, 600.0, 1_200.0, 5.0, overshoot, pressure_noise_pa=0.0)
    return RoomClimate(settings, np.random.default_rng(1))


def pressures(climate: RoomClimate, seconds: int, share: float, dt_s: float = 0.25) -> list[float]:
    result = []
    for _ in range(round(seconds / dt_s)):
        climate.advance(dt_s, warmer_c=0.0, wetter_pct=0.0, pressure_share=share)
        assert climate.pressure_pa is not None
        result.append(climate.pressure_pa)
    return result


def test_a_controlled_pressure_swings_over_when_the_door_shuts() -> None:
    climate = swinging(0.2)
    assert abs(pressures(climate, 10, 0.0)[-1]) < 0.1
    back = pressures(climate, 120, 1.0)
    assert max(back) == pytest.approx(15.0 * 1.2, rel=0.01)
    assert back[-1] == pytest.approx(15.0, abs=0.01)
    calm = swinging(0.0)
    pressures(calm, 10, 0.0)
    assert max(pressures(calm, 120, 1.0)) <= 15.0


def test_the_swing_is_the_same_in_any_steps() -> None:
    one, other = swinging(0.2), swinging(0.2)
    for climate in (one, other):
        pressures(climate, 10, 0.0)
    assert pressures(one, 12, 1.0, dt_s=12.0)[-1] == pytest.approx(pressures(other, 12, 1.0, dt_s=0.1)[-1], rel=1e-9)


def test_gains_follow_the_balance_of_the_supply_air() -> None:
    # 500 W in 1 m3/s of air: 0.415 K; 180 g/h: 0.05 g/m3, at 20 C 6.8 Pa.
    gains = Gains.in_room(500.0, 180.0, 1.0)
    assert gains.warmer_c == pytest.approx(0.415, rel=2e-3)
    assert gains.moister_pa == pytest.approx(6.77, rel=2e-3)
    assert Gains.in_room(1e6, 0.0, 0.0).warmer_c == 8.0, "without supply the walls take it"


def test_wind_adds_slow_gusts() -> None:
    settings = ClimateSettings(20.0, 45.0, 15.0, 600.0, 1_200.0, 5.0, pressure_noise_pa=0.0, wind_pa=3.0)
    climate = RoomClimate(settings, np.random.default_rng(5))
    seen = np.array(pressures(climate, 40_000, 1.0, dt_s=10.0))
    assert seen.mean() == pytest.approx(15.0, abs=1.0)
    assert seen.std() == pytest.approx(3.0, rel=0.25)
    assert np.corrcoef(seen[:-1], seen[1:])[0, 1] > 0.9
