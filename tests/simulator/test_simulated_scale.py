"""A simulated scale shows a force as real ones do."""

from __future__ import annotations

from random import Random

import numpy as np
import pytest

from logger.simulator.scale import ScaleModel, decimals, division
from logger.simulator.scenario import Scale


def model(**changes: object) -> ScaleModel:
    quiet: dict[str, object] = {"resolution_kg": 0.005, "noise_kg": 0.0, "vibration_kg": 0.0, "filter_s": 0.0}
    return ScaleModel(Scale(**(quiet | changes)), Random(3))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("resolution_kg", "force_kg", "value"),
    [(0.005, 1.2349, "1.235"), (0.02, 1.2349, "1.24"), (0.001, -0.0004, "0.000"), (0.01, -1.0, "-1.00")],
)
def test_numbers_come_in_whole_divisions(resolution_kg: float, force_kg: float, value: str) -> None:
    assert model(resolution_kg=resolution_kg).read(1.0, force_kg).value == value


def test_noise_has_the_stated_spread() -> None:
    noisy = model(resolution_kg=0.001, noise_kg=0.01)
    seen = np.array([float(noisy.read(k * 0.2, 5.0).value) for k in range(4000)])
    assert seen.std() == pytest.approx(0.01, rel=0.05)
    assert seen.mean() == pytest.approx(5.0, abs=0.001)


def test_vibration_near_the_sampling_rate_shows_as_a_slow_beat() -> None:
    shaken = model(resolution_kg=0.001, vibration_kg=0.02, vibration_hz=4.95)
    seen = np.array([float(shaken.read(k * 0.2, 5.0).value) for k in range(2000)])
    assert seen.std() == pytest.approx(0.02 / 2**0.5, rel=0.05)
    assert np.diff(seen).std() < 0.1 * seen.std() * 2**0.5  # differences hide it


def test_smoothing_follows_with_its_time_constant() -> None:
    slow = model(resolution_kg=0.001, filter_s=0.5)
    slow.read(0.0, 0.0)
    assert float(slow.read(0.5, 1.0).value) == pytest.approx(1 - np.exp(-1), abs=0.001)


def test_zero_tracking_swallows_a_trickle_near_zero_only() -> None:
    for base_kg, swallowed in ((0.0, True), (1.0, False)):
        tracking = model(resolution_kg=0.005, zero_tracking=True)
        tracking.read(0.0, base_kg)
        last = [tracking.read(k * 0.2, base_kg + k * 0.2 * 0.0005) for k in range(1, 1500)][-1]
        assert (float(last.value) - base_kg < 0.01) == swallowed


def test_a_scale_zeroed_on_its_container_shows_nought_then_less_without_it() -> None:
    zeroed = model(zeroed_on_tare=True)
    assert zeroed.read(0.0, 1.1).value == "0.000"
    assert zeroed.read(1.0, 0.0).value == "-1.100"


@pytest.mark.parametrize(
    ("force_kg", "status"), [(10.04, "ok"), (10.1, "over"), (-1.0, "under"), (0.0, "zero")]
)
def test_status_tells_the_range(force_kg: float, status: str) -> None:
    assert model(capacity_kg=10.0).read(1.0, force_kg).status == status


def test_the_motion_flag_needs_some_time_without_motion() -> None:
    scale = model()
    flags = [scale.read(k * 0.2, 1.0 if k < 10 else 2.0).stable for k in range(20)]
    assert flags[0] is False
    assert flags[5:10] == [True] * 5
    assert flags[10:13] == [False] * 3
    assert flags[16:] == [True] * 4
    assert model(says_stable=False).read(0.0, 1.0).stable is None


def test_the_tare_key_on_an_empty_scale_brings_gross_back() -> None:
    scale = model()
    scale.read(0.0, 2.0)
    scale.read(0.1, 2.0)
    scale.press_tare()
    assert scale.read(0.2, 2.0) == ("0.000", "kg", True, "ok", True)
    scale.read(0.4, 0.0)
    scale.press_tare()
    assert scale.read(0.6, 2.0).value == "2.000"


def test_the_zero_key_makes_the_load_zero() -> None:
    scale = model()
    scale.read(0.0, 0.3)
    scale.press_zero()
    assert scale.read(0.2, 0.3).status == "zero"


@pytest.mark.parametrize(
    ("resolution_kg", "unit", "step"),
    [(0.005, "lb", 0.02), (0.002, "lb", 0.005), (0.005, "g", 5.0), (0.01, "kg", 0.01)],
)
def test_the_division_in_another_unit_is_the_next_1_2_or_5(
    resolution_kg: float, unit: str, step: float
) -> None:
    assert division(resolution_kg, unit) == pytest.approx(step)


@pytest.mark.parametrize(("step", "places"), [(0.005, 3), (0.02, 2), (5.0, 0), (0.1, 1)])
def test_decimals_fit_the_division(step: float, places: int) -> None:
    assert decimals(step) == places
