"""The bound of `tests/bench/bound.py`: against figures of the design study, formulas on paper, chance itself.

No published source: the study's figures are those of a Chernoff bound (1952, from memory) worked out apart
from this code.
"""

from __future__ import annotations

from math import exp, log

import numpy as np
import pytest
from scipy.stats import gamma

from tests.bench.bound import (
    drift_noticed_s,
    exponential_lumps,
    information,
    noise_density,
    sampled_increments,
    sampled_lumps,
    silence_nats,
    step_information,
    stop_noticed_s,
)
from tests.bench.exact_filter import Cell, delays_s

STUDY = [  # kg/h, phi g, s: d = sigma = 5 g at 5 Hz, full clog, 100 h
    (50.0, 4.0, 4), (50.0, 15.0, 8), (10.0, 4.0, 14), (10.0, 15.0, 32),
    (3.0, 4.0, 36), (3.0, 15.0, 89), (0.5, 4.0, 155), (0.5, 15.0, 408),
]  # fmt: skip


@pytest.mark.parametrize(("kg_h", "phi_g", "seconds"), STUDY)
def test_the_figures_of_the_design_study(kg_h: float, phi_g: float, seconds: int) -> None:
    assert stop_noticed_s(kg_h, phi_g, 5.0, 5.0, 0.2) == pytest.approx(seconds, abs=0.5, rel=0.01)


@pytest.mark.parametrize(("kg_h", "phi_g", "seconds"), STUDY)
def test_by_hand_it_is_of_the_same_size(kg_h: float, phi_g: float, seconds: int) -> None:
    """T = h phi / 2 lambda + (24 h r / lambda^2)^(1/3), h 9.4."""
    rate, h, r = kg_h / 3.6, 9.4, noise_density(5.0, 5.0, 0.2)
    hand = h * phi_g / (2.0 * rate) + (24.0 * h * r / rate**2) ** (1.0 / 3.0)
    assert stop_noticed_s(kg_h, phi_g, 5.0, 5.0, 0.2) == pytest.approx(hand, rel=0.36)


def test_the_noise_density_on_paper() -> None:
    assert noise_density(5.0, 5.0, 0.2) == pytest.approx(0.2 * (25.0 + 25.0 / 12.0))


def test_without_reading_noise_a_stop_is_the_poisson_chance_of_no_lump() -> None:
    """P(no lump) = exp(-2 A / phi), so 2 lambda T / phi = log(H / T)."""
    t = stop_noticed_s(10.0, 8.0, 1e-4, 1e-4, 0.2)
    assert t is not None
    assert 2.0 * (10.0 / 3.6) * t / 8.0 == pytest.approx(log(360_000.0 / t), rel=0.01)


def test_a_smooth_stream_is_a_question_of_noise_alone() -> None:
    """phi 0: (lambda T)^2 / 2 V, V = 12 r / T: T^3 = 24 r log(H / T) / lambda^2."""
    t = stop_noticed_s(10.0, 0.0, 5.0, 5.0, 0.2)
    assert t is not None
    rate, r = 10.0 / 3.6, noise_density(5.0, 5.0, 0.2)
    assert t**3 == pytest.approx(24.0 * r * log(360_000.0 / t) / rate**2, rel=0.01)


def test_the_maximum_is_that_of_a_fine_grid() -> None:
    kappa = exponential_lumps(9.0)
    u = np.geomspace(1e-4, 10.0, 200_000)
    best = float(np.max(60.0 * kappa(u) - u * 10.0 - 0.5 * 20.0 * u * u))
    assert silence_nats(kappa, 60.0, 10.0, 20.0, 9.0) == pytest.approx(best, rel=1e-5)


def test_lumps_of_a_sample_come_to_the_formula() -> None:
    lumps = np.random.default_rng(1).exponential(4.0, 200_000)
    u = np.array([0.01, 0.1, 1.0])
    assert sampled_lumps(lumps)(u) == pytest.approx(exponential_lumps(8.0)(u), rel=0.01)


def test_spans_of_a_sample_come_to_the_formula() -> None:
    """What 2 s of a stream of 3 g/s in exponential lumps of mean 4 g brings, two hundred thousand times."""
    rng = np.random.default_rng(2)
    counts = rng.poisson(6.0 / 4.0, 200_000)
    spans = np.where(counts > 0, rng.gamma(np.maximum(counts, 1), 4.0), 0.0)
    u = np.array([0.01, 0.1, 1.0])
    assert sampled_increments(spans)(u) == pytest.approx(exponential_lumps(8.0)(u), rel=0.01)


def test_lumps_all_alike_are_noticed_later_than_exponential_ones_of_the_same_phi() -> None:
    """Equal lumps of phi are half as many as exponential ones: their silence is less rare."""
    equal = stop_noticed_s(10.0, 8.0, 1.0, 1.0, 0.2, lumps=sampled_lumps([8.0]))
    mixed = stop_noticed_s(10.0, 8.0, 1.0, 1.0, 0.2)
    assert equal is not None
    assert mixed is not None
    assert 1.5 < equal / mixed < 2.1


def test_more_false_alarms_buy_time() -> None:
    times = [stop_noticed_s(3.0, 8.0, 5.0, 5.0, 0.2, hours=h) for h in (1.0, 10.0, 100.0, 1000.0)]
    assert times == sorted(times, key=lambda t: t or 0.0)
    assert len(set(times)) == 4


def test_partial_and_gradual_clogs_take_longer() -> None:
    full = stop_noticed_s(10.0, 8.0, 5.0, 5.0, 0.2)
    partial = stop_noticed_s(10.0, 8.0, 5.0, 5.0, 0.2, blocked=0.7)
    gradual = stop_noticed_s(10.0, 8.0, 5.0, 5.0, 0.2, ramp_s=60.0)
    assert full is not None
    assert partial is not None
    assert gradual is not None
    assert full < partial
    assert full < gradual < full + 60.0


@pytest.mark.parametrize("kg_h", [0.0, 0.05])
def test_what_hardly_flows_cannot_be_watched(kg_h: float) -> None:
    assert stop_noticed_s(kg_h, 40.0, 20.0, 20.0, 0.2) is None


@pytest.mark.parametrize("blocked", [0.0, -0.1, 1.1])
def test_no_part_is_refused(blocked: float) -> None:
    with pytest.raises(ValueError, match="up to 1"):
        stop_noticed_s(1.0, 5.0, 5.0, 5.0, 0.2, blocked=blocked)


@pytest.mark.parametrize(
    ("expected", "came", "sd", "phi"),
    [(30.0, 3.0, 3.0, 10.0), (30.0, 0.0, 6.0, 10.0), (60.0, 20.0, 5.0, 12.0), (25.0, 0.0, 1.0, 8.0)],
)
def test_a_shortfall_is_as_rare_as_stated(expected: float, came: float, sd: float, phi: float) -> None:
    """Never more frequent than the bound says, and within a factor of twenty of it."""
    rng = np.random.default_rng(20)
    runs = 1_000_000
    counts = rng.poisson(2.0 * expected / phi, runs)
    mass = np.where(counts > 0, rng.gamma(np.maximum(counts, 1), phi / 2.0), 0.0) + rng.normal(0.0, sd, runs)
    rare = float(np.mean(mass <= came))
    stated = exp(-silence_nats(exponential_lumps(phi), expected, came, sd * sd, phi))
    assert 10.0 / runs < rare <= stated
    assert rare > 0.05 * stated


# ------------------------------------------------------------------ the best there is

CELLS = [  # what the design study's table calls fine, coarse, heavy wads; its own figures are not known
    pytest.param(Cell(50.0, 10.0, 5.0, 5.0), id="50 kg/h fine"),
    pytest.param(Cell(50.0, 10.0, 20.0, 20.0), id="50 kg/h coarse"),
    pytest.param(Cell(10.0, 8.0, 5.0, 5.0), id="10 kg/h"),
    pytest.param(Cell(3.0, 4.0, 2.0, 1.0), id="3 kg/h fine"),
    pytest.param(Cell(3.0, 8.0, 5.0, 5.0), id="3 kg/h coarse"),
    pytest.param(Cell(3.0, 30.0, 5.0, 5.0), id="3 kg/h heavy wads"),
    pytest.param(Cell(0.6, 3.0, 1.0, 1.0), id="0.6 kg/h"),
    pytest.param(Cell(10.0, 8.0, 5.0, 5.0, shape=2.0), id="10 kg/h, lumps more alike"),
    pytest.param(Cell(10.0, 8.0, 5.0, 5.0, shape=0.6), id="10 kg/h, lumps more unlike"),
]


def median_over_bound(cell: Cell, runs: int, seed: int) -> float:
    lumps = None
    if cell.shape != 1.0:
        lumps = sampled_lumps(
            gamma.ppf((np.arange(2000) + 0.5) / 2000, cell.shape, scale=cell.lump_g / cell.shape)
        )
    bound = stop_noticed_s(
        cell.rate_kg_h, cell.phi_g, cell.sigma_g, cell.d_g, cell.interval_s, cell.blocked, 100.0, lumps=lumps
    )
    assert bound is not None
    return float(np.median(delays_s(cell, 100.0, runs, seed))) / bound


@pytest.mark.parametrize("cell", CELLS[1:4])
def test_the_bound_is_what_an_exact_bayes_filter_reaches(cell: Cell) -> None:
    """40 stops: the median delay, known to about 5 %, lies within 15 % (and chance) of the bound."""
    assert 0.90 < median_over_bound(cell, 40, 30) < 1.22


@pytest.mark.full
@pytest.mark.parametrize("cell", CELLS)
def test_the_bound_is_what_an_exact_bayes_filter_reaches_in_many_stops(cell: Cell) -> None:
    assert 0.95 < median_over_bound(cell, 600, 31) < 1.16


@pytest.mark.full
def test_a_partial_stop_may_be_noticed_a_little_before_the_bound() -> None:
    """What a 70 % clog still lets through varies: half the alarms are luckier than the typical delivery."""
    assert 0.80 < median_over_bound(Cell(10.0, 8.0, 5.0, 5.0, blocked=0.7), 600, 32) < 1.0


def test_the_filters_false_alarms_are_as_rare_as_it_says() -> None:
    """One in 200 readings or somewhat more, for what it overshoots (Pollak 1985), to four standard errors."""
    cell, limit_s = Cell(50.0, 10.0, 5.0, 5.0), 200 * 0.2
    runs = delays_s(cell, limit_s / 3600.0, 100, 33, before_s=800.0, after_s=0.0) + 800.0
    assert np.isfinite(runs).all()
    error = runs.std() / 10.0
    assert limit_s - 4.0 * error < runs.mean() < 1.5 * limit_s + 4.0 * error


# ------------------------------------------------------------------ Gaussian steps and ramps


@pytest.mark.parametrize("t_s", [2.0, 5.0, 15.0, 60.0])
def test_the_filters_information_is_that_of_the_closed_form(t_s: float) -> None:
    """In continuous time they agree; the steps here are 10 ms."""
    rate, phi, r, dt = 10.0 / 3.6, 8.0, noise_density(5.0, 5.0, 0.2), 0.01
    off = -0.7 * rate * np.arange(1, round(t_s / dt) + 1) * dt
    found = information(off, phi * rate, r, dt)[-1]
    assert found == pytest.approx(step_information(rate, 0.7, phi, r, t_s), rel=0.01)


def test_the_gaussian_information_is_too_pessimistic_about_a_stop() -> None:
    """1.5 to 6 times (design study): silence of a lumpy stream is far rarer than Gaussian."""
    kg_h, phi, r = 10.0, 8.0, noise_density(5.0, 5.0, 0.2)
    t = np.arange(0.5, 600.0, 0.5)
    gauss = next(x for x in t if step_information(kg_h / 3.6, 1.0, phi, r, x) >= log(360_000.0 / x))
    stop = stop_noticed_s(kg_h, phi, 5.0, 5.0, 0.2)
    assert stop is not None
    assert 1.5 < gauss / stop < 6.0


def test_a_step_of_the_feed_on_paper() -> None:
    """Far beyond tau: (s lambda)^2 / 2 q (T - 1.5 tau) = log(H / T)."""
    rate, q, r = 60.0 / 3.6, 250.0, noise_density(5.0, 5.0, 0.2)
    t = drift_noticed_s(60.0, 0.2, 0.0, q, r)
    assert t is not None
    assert (0.2 * rate) ** 2 / (2.0 * q) * t == pytest.approx(log(360_000.0 / t), rel=0.01)


def test_a_ramp_takes_longer_than_a_step_and_less_than_its_length_more() -> None:
    step = drift_noticed_s(60.0, 0.2, 0.0, 100.0, 5.0)
    ramp = drift_noticed_s(60.0, 0.2, 600.0, 100.0, 5.0)
    assert step is not None
    assert ramp is not None
    assert step < ramp < step + 600.0


def test_a_drift_that_is_lost_in_the_feeds_own_wander_is_never_noticed() -> None:
    assert drift_noticed_s(60.0, 0.05, 0.0, 5_000.0, 5.0, within_s=600.0) is None
