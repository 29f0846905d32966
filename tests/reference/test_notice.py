"""How soon a stop would be noticed, against figures worked out apart from this program, and chance itself.

The figures are those of the design study: its own Chernoff bound and an exact Bayes filter on simulated
outlets (no published source). The bound is Chernoff's (1952, from memory). Monte Carlo runs are seeded.
"""

from __future__ import annotations

from math import exp, log, sqrt

import numpy as np
import pytest

from logger.core.rules.notice import (
    difference_variance,
    evidence,
    flowing,
    noise_density,
    noticed_by_hand_s,
    noticed_in_s,
)

KG_H = 1e6 / 3600.0
R = noise_density(5_000.0, 5_000.0, 0.2)  # sigma = d = 5 g at 5 Hz

STUDY = [  # kg/h, phi in g, seconds as the design study rounds them
    (50.0, 4.0, 4),
    (50.0, 15.0, 8),
    (10.0, 4.0, 14),
    (10.0, 15.0, 32),
    (3.0, 4.0, 36),
    (3.0, 15.0, 89),
    (0.5, 4.0, 155),
    (0.5, 15.0, 408),
]


@pytest.mark.parametrize(("kg_h", "phi_g", "seconds"), STUDY)
def test_the_figures_of_the_design_study(kg_h: float, phi_g: float, seconds: int) -> None:
    found = noticed_in_s(kg_h * KG_H, phi_g * 1e3, R)
    assert found == pytest.approx(seconds, abs=0.5, rel=0.015)


@pytest.mark.parametrize(("kg_h", "phi_g", "seconds"), STUDY)
def test_by_hand_is_of_the_same_size(kg_h: float, phi_g: float, seconds: int) -> None:
    assert noticed_by_hand_s(kg_h * KG_H, phi_g * 1e3, R) == pytest.approx(seconds, rel=0.36)


def test_by_hand_on_paper() -> None:
    """10 kg/h, phi 8 g, r 5.4167 g2 s: 9.4 x 8 / 5.5556 + (24 x 9.4 x 5.4167 / 7.7160)^(1/3) = 18.95 s."""
    assert noticed_by_hand_s(10 * KG_H, 8_000.0, R) == pytest.approx(13.536 + 5.4103, abs=0.01)


def test_the_noise_density_on_paper() -> None:
    """0.2 s x (25 + 25/12) g2 = 5.4167 g2 s."""
    assert pytest.approx(5.41667e6, rel=1e-5) == R


def test_an_outlet_of_a_few_grams_a_minute_cannot_be_watched() -> None:
    assert noticed_in_s(0.2 * KG_H, 10_000.0, R) is None


def test_an_outlet_that_delivers_nothing_cannot_be_watched() -> None:
    assert noticed_in_s(0.0, 10_000.0, R) is None


def test_a_blocked_fraction_beyond_all_is_refused() -> None:
    with pytest.raises(ValueError, match="up to 1"):
        noticed_in_s(1e3, 1e4, R, blocked=1.5)


def test_a_partial_stop_takes_longer_and_a_coarse_scale_too() -> None:
    full = noticed_in_s(10 * KG_H, 8_000.0, R)
    partial = noticed_in_s(10 * KG_H, 8_000.0, R, blocked=0.7)
    coarse = noticed_in_s(10 * KG_H, 8_000.0, noise_density(20_000.0, 20_000.0, 0.2))
    assert full is not None
    assert partial is not None
    assert coarse is not None
    assert full < partial
    assert full < coarse


def test_the_kalman_variance_agrees_with_the_riccati_equation() -> None:
    """A random walk of variance q a second seen with noise density r: sqrt(rq), and half for the start."""
    q, r = 8.0, 5.4167
    p = 1.0
    for _ in range(200_000):  # the continuous Riccati equation p' = q - p^2 / r, by small steps
        p += 1e-3 * (q - p * p / r)
    assert difference_variance(1.0, q, r, 1.0) == pytest.approx(1.5 * p, rel=1e-3)


def test_the_line_variance_agrees_with_least_squares() -> None:
    """12 r / T is the variance of slope x T of a straight line through readings of noise density r."""
    t = np.arange(0.0, 40.0, 0.2)
    design = np.column_stack([np.ones_like(t), t])
    covariance = np.linalg.inv(design.T @ design) * 27.083
    assert pytest.approx(covariance[1, 1] * 40.0**2, rel=0.01) == 12 * (0.2 * 27.083) / 40.0


def lumps(rng: np.random.Generator, expected: float, phi: float, runs: int) -> np.ndarray:
    """Compound Poisson sums of exponential lumps of mean phi / 2."""
    counts = rng.poisson(2.0 * expected / phi, runs)
    return np.where(counts > 0, rng.gamma(np.maximum(counts, 1), phi / 2.0), 0.0)


@pytest.mark.parametrize(
    ("expected", "seen", "sd", "phi"),
    [(30.0, 3.0, 3.0, 10.0), (30.0, 0.0, 6.0, 10.0), (60.0, 20.0, 5.0, 12.0), (25.0, 0.0, 1.0, 8.0)],
)
def test_a_silence_of_a_flowing_outlet_is_as_rare_as_stated(
    expected: float, seen: float, sd: float, phi: float
) -> None:
    """By chance alone so little comes with a probability below exp(-evidence), and not far below."""
    rng = np.random.default_rng(20)
    runs = 2_000_000
    came = lumps(rng, expected, phi, runs) + rng.normal(0.0, sd, runs)
    rare = float(np.mean(came <= seen))
    stated = exp(-evidence(expected, seen, sd * sd, phi))
    assert 10.0 / runs < rare <= stated
    assert rare > 0.05 * stated


def test_without_reading_noise_silence_is_the_poisson_chance_of_no_lump() -> None:
    """P(no lump) = exp(-2 A / phi)."""
    assert evidence(40.0, 0.0, 1e-9, 8.0) == pytest.approx(2 * 40.0 / 8.0, rel=0.01)


def test_without_lumps_the_evidence_is_gaussian() -> None:
    """phi = 0: (A - D)^2 / 2 (V + c^2 A^2)."""
    gauss = (50.0 - 20.0) ** 2 / (2 * (16.0 + (0.1 * 50.0) ** 2))
    assert evidence(50.0, 20.0, 16.0, 0.0, 0.1) == pytest.approx(gauss, rel=1e-6)


def test_the_evidence_is_the_maximum_over_u() -> None:
    a, d, v, phi, c = 60.0, 10.0, 20.0, 9.0, 0.1
    u = np.geomspace(1e-4, 10.0, 200_000)
    k = u / (1 + phi * u / 2)
    best = float(np.max(a * k - 0.5 * (c * a * k) ** 2 - u * d - 0.5 * v * u * u))
    assert evidence(a, d, v, phi, c) == pytest.approx(best, rel=1e-4)


def test_a_delivery_is_as_rare_of_a_blocked_outlet_as_stated() -> None:
    rng = np.random.default_rng(21)
    runs = 2_000_000
    rare = float(np.mean(lumps(rng, 20.0, 10.0, runs) >= 60.0))
    stated = exp(-flowing(60.0, 20.0, 10.0))
    assert 0.05 * stated < rare <= stated


def test_more_than_expected_is_no_evidence() -> None:
    assert evidence(10.0, 12.0, 4.0, 5.0) == 0.0


def test_the_stated_time_reaches_one_false_alarm_in_a_hundred_hours() -> None:
    rate, phi = 10 * KG_H, 8_000.0
    t = noticed_in_s(rate, phi, R)
    assert t is not None
    v = difference_variance(rate, phi, R, t)
    assert evidence(rate * t, 0.0, v, phi) == pytest.approx(log(360_000 / t), rel=0.02)


def test_the_scan_in_simulated_noise_notices_near_the_stated_time() -> None:
    """A one-sided scan with a Kalman level on simulated stops: median within 0.8 to 1.6 of the figure."""
    rng = np.random.default_rng(7)
    rate, phi, sd = 10 * KG_H / 1e3, 8.0, sqrt(R / 1e6)  # g/s, g, g of a second's mean
    stated = noticed_in_s(rate * 1e3, phi * 1e3, R)
    assert stated is not None
    gain_p = sqrt(R / 1e6 * phi * rate)
    delays = []
    for _ in range(60):
        mass = np.concatenate([lumps(rng, rate, phi, 120), np.zeros(120)])
        readings = np.cumsum(mass) + rng.normal(0.0, sd, 240)
        level, p, levels = readings[0], sd * sd, []
        for z in readings:
            p += phi * rate
            k = p / (p + sd * sd)
            level, p = level + rate + k * (z - level - rate), p * (1 - k)
            levels.append(level)
        delays.append(first_alarm(levels, rate, 2.0 * gain_p * 0.75, phi) - 120)
    assert 0.8 <= float(np.median(delays)) / stated <= 1.6


def first_alarm(levels: list[float], rate: float, variance: float, phi: float) -> int:
    """First second from 120 on at which some window shows 10 nats."""
    for now in range(120, 240):
        for window in (3, 4, 6, 8, 11, 16, 23, 32, 45, 64, 90):
            if evidence(rate * window, levels[now] - levels[now - window], variance, phi) >= 10.0:
                return now
    return 240
