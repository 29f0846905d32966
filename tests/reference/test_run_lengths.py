"""Run lengths of `tests/bench/run_lengths.py` against published tables and against chance itself.

Sources stand beside each check. All published figures here were seen in public transcriptions of the sources,
and recomputed apart from this code. Monte Carlo runs are seeded; they allow four standard errors.
"""

from __future__ import annotations

from math import log, sqrt

import numpy as np
import pytest

from logger.core.description import Water
from logger.core.rules import water_out_of_band
from tests.bench.peers.tabular import TabularCusum
from tests.bench.run_lengths import (
    cusum_arl,
    ewma_arl,
    ewma_edge,
    first_order_delay,
    siegmund_arl,
    threshold_for,
    two_sided_cusum_arl,
)
from tests.core.rules.fakes import Play

# ------------------------------------------------------------------ the chart itself

# NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.3 (seen, recomputed): 20 group means
HANDBOOK_X = [
    324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600,
    324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350,
]  # fmt: skip
HANDBOOK_HIGH = [0, 0, 0, 0, 0.03, 0, 0, 0, 0, 0, 0, 0, 3.01, 4.94, 7.45, 10.63, 11.99, 14.44, 16.00, 19.04]
HANDBOOK_LOW = [0, 0.01, 0, 0.33, 0, 0, 0.56, 0.72, 0.17, 0.25, 0.31, 0, 0, 0, 0, 0, 0, 0, 0, 0]


def played() -> tuple[list[float], list[float], list[int]]:
    chart = TabularCusum(target=325.0, k=0.3175, h=4.1959)
    high, low, signals = [], [], []
    for x in HANDBOOK_X:
        signals.append(chart.add(x))
        high.append(chart.high)
        low.append(chart.low)
    return high, low, signals


def test_the_sums_of_the_handbooks_cusum() -> None:
    """To the two decimals that the handbook prints (half a unit of the last, and a hair for its rounding)."""
    high, low, _ = played()
    assert high == pytest.approx(HANDBOOK_HIGH, abs=0.00501)
    assert low == pytest.approx(HANDBOOK_LOW, abs=0.00501)


def test_the_exact_sums_of_the_handbooks_cusum() -> None:
    high, low, _ = played()
    assert (high[12], high[13], high[19]) == pytest.approx((3.0075, 4.9400, 19.035), abs=1e-9)
    assert low[7] == pytest.approx(0.7150, abs=1e-9)


def test_the_handbooks_cusum_signals_first_at_point_14_and_only_upwards() -> None:
    _, _, signals = played()
    assert signals.index(1) + 1 == 14
    assert -1 not in signals


def test_the_handbooks_change_came_after_point_12() -> None:
    chart = TabularCusum(325.0, 0.3175, 4.1959)
    for x in HANDBOOK_X[:14]:
        chart.add(x)
    assert chart.high_since == 12


def test_a_chart_that_could_never_signal_is_refused() -> None:
    with pytest.raises(ValueError, match="above 0"):
        TabularCusum(0.0, 0.5, 0.0)


# ------------------------------------------------------------------ the averaging of the water's rule

# NIST/SEMATECH e-Handbook, 6.3.2.4 (seen, recomputed): weight 0.3, start 50, s 2.0539
EWMA_X = [
    52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5,
    49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1,
]  # fmt: skip
EWMA_Z = [
    50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33,
    50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99,
]  # fmt: skip


def test_the_water_is_averaged_as_the_handbooks_ewma(monkeypatch: pytest.MonkeyPatch) -> None:
    """The rule itself, second by second, with the handbook's weight; within its limits no alarm."""
    monkeypatch.setattr(water_out_of_band, "KEEP", 0.7)
    low, high = 47.4115, 52.5884
    begin = 300

    def spoil(s: int, play: Play) -> None:
        play.flows("meter", EWMA_X[s - begin] if s >= begin else 50.0)

    play = Play(water=(Water("wash", "meter", low, high),), spoil=spoil)
    rule = water_out_of_band.WaterOutOfBand(play.station, play.expected)
    play.run([rule], begin)
    z = []
    for _ in EWMA_X:
        play.run([rule], 1)
        seen = rule.evidence("wash", play.now)
        z.append(None if seen is None else seen.statistic)
    assert z == pytest.approx(EWMA_Z, abs=0.00501)
    assert play.said == []


def test_the_limits_of_the_handbooks_ewma() -> None:
    edge = 2.0539 * ewma_edge(0.3, 3.0)
    assert (50.0 + edge, 50.0 - edge) == pytest.approx((52.5884, 47.4115), abs=1e-3)


# ------------------------------------------------------------------ published run lengths


@pytest.mark.parametrize(("shift", "arl"), [(0.0, 117.59), (1.5, 3.75)])
def test_brook_and_evans_1972(shift: float, arl: float) -> None:
    """One-sided, k 0.5, h 3 (seen, recomputed)."""
    assert cusum_arl(0.5, 3.0, shift) == pytest.approx(arl, abs=0.01)


LUCAS_CROSIER = [  # shift, ARL: two-sided, k 0.5, h 4, no head start (seen, recomputed)
    (0.0, 168.0), (0.25, 74.2), (0.5, 26.6), (0.75, 13.3), (1.0, 8.38),
    (1.5, 4.75), (2.0, 3.34), (2.5, 2.62), (3.0, 2.19), (4.0, 1.71),
]  # fmt: skip


@pytest.mark.parametrize(("shift", "arl"), LUCAS_CROSIER)
def test_lucas_and_crosier_1982(shift: float, arl: float) -> None:
    """To the three digits of their table."""
    assert two_sided_cusum_arl(0.5, 4.0, shift) == pytest.approx(arl, rel=0.0025)


@pytest.mark.parametrize(("shift", "arl"), [(0.0, 465.0), (1.0, 10.4)])
def test_lucas_and_crosier_1982_at_h_5(shift: float, arl: float) -> None:
    """Two-sided, k 0.5, h 5 (seen, recomputed)."""
    assert two_sided_cusum_arl(0.5, 5.0, shift) == pytest.approx(arl, rel=0.0025)


@pytest.mark.parametrize(("h", "arl"), [(4.0, 336.0), (5.0, 930.0)])
def test_the_handbooks_run_lengths_are_one_sided(h: float, arl: float) -> None:
    """e-Handbook 6.3.2.3.1, k 0.5, in control (seen, recomputed: 335.37 and 930.89)."""
    assert cusum_arl(0.5, h) == pytest.approx(arl, rel=0.002)


@pytest.mark.parametrize(("h", "arl"), [(4.0, 338.09), (5.0, 938.22)])
def test_siegmunds_approximation(h: float, arl: float) -> None:
    """One-sided, k 0.5 (seen, recomputed)."""
    assert siegmund_arl(0.5, h) == pytest.approx(arl, abs=0.005)


def test_siegmunds_approximation_without_drift_is_b_squared() -> None:
    assert siegmund_arl(0.5, 4.0, 0.5) == pytest.approx(5.166**2)
    assert siegmund_arl(0.5, 4.0, 0.5 + 1e-5) == pytest.approx(5.166**2, rel=1e-3)


@pytest.mark.parametrize("h", [3.0, 4.0, 5.0, 8.0])
@pytest.mark.parametrize("shift", [0.0, 0.25, 1.0])
def test_siegmunds_approximation_stays_near_the_integral_equation(h: float, shift: float) -> None:
    assert siegmund_arl(0.5, h, shift) == pytest.approx(cusum_arl(0.5, h, shift), rel=0.03)


LUCAS_SACCUCCI = [  # weight, limit, shift, ARL (Lucas & Saccucci 1990, table 3; seen, recomputed)
    (0.5, 3.071, 0.0, 500.0), (0.5, 3.071, 0.25, 255.0), (0.5, 3.071, 0.5, 88.8), (0.5, 3.071, 0.75, 35.9),
    (0.5, 3.071, 1.0, 17.5), (0.5, 3.071, 1.5, 6.53), (0.5, 3.071, 2.0, 3.63), (0.5, 3.071, 3.0, 1.93),
    (0.03, 2.437, 0.0, 500.0), (0.03, 2.437, 0.25, 76.7), (0.03, 2.437, 0.5, 29.3), (0.03, 2.437, 0.75, 17.6),
    (0.03, 2.437, 1.0, 12.6), (0.03, 2.437, 1.5, 8.07), (0.03, 2.437, 2.0, 5.99), (0.03, 2.437, 3.0, 4.03),
]  # fmt: skip


@pytest.mark.parametrize(("weight", "limit", "shift", "arl"), LUCAS_SACCUCCI)
def test_lucas_and_saccucci_1990(weight: float, limit: float, shift: float, arl: float) -> None:
    """To the three digits of their table."""
    assert ewma_arl(weight, limit, shift) == pytest.approx(arl, rel=0.003)


LONGER = [  # h, ARL0, ARL1: one-sided, k 0.5, shift 0 and 1 (recomputed only)
    (4.0, 335.37, 8.3832), (5.0, 930.89, 10.3760), (6.0, 2553.12, 12.3733),
    (8.0, 18965.7, 16.3720), (10.0, 140265.0, 20.3718),
]  # fmt: skip


@pytest.mark.parametrize(("h", "arl0", "arl1"), LONGER)
def test_run_lengths_recomputed_apart(h: float, arl0: float, arl1: float) -> None:
    assert cusum_arl(0.5, h) == pytest.approx(arl0, rel=1e-5)
    assert cusum_arl(0.5, h, 1.0) == pytest.approx(arl1, abs=1e-4)


# ------------------------------------------------------------------ the asymptote of Lorden and Moustakides


def test_the_first_order_delay_is_the_log_of_the_run_length_over_the_divergence() -> None:
    """Lorden 1971, Moustakides 1986: a Gaussian shift of delta has a divergence of delta^2 / 2."""
    assert first_order_delay(1000.0, 1.0) == pytest.approx(2.0 * log(1000.0))
    assert first_order_delay(1000.0, 2.0) == pytest.approx(0.5 * log(1000.0))


@pytest.mark.parametrize("h", [6.0, 8.0, 10.0, 12.0])
def test_the_exact_delay_lies_a_few_samples_below_the_asymptote(h: float) -> None:
    """It is no floor: at shift 1 about 3.33 samples (recomputed) separate the two from h 6 on."""
    asymptote = first_order_delay(cusum_arl(0.5, h), 1.0)
    assert asymptote - cusum_arl(0.5, h, 1.0) == pytest.approx(3.33, abs=0.06)


def test_cusum_notices_its_shift_sooner_than_an_ewma_of_the_same_false_alarms() -> None:
    """Moustakides 1986 for the worst case; here from the start, two-sided, against weight 0.03."""
    h = threshold_for(lambda h: two_sided_cusum_arl(0.5, h), 499.86, 3.0, 7.0)
    assert two_sided_cusum_arl(0.5, h, 1.0) < ewma_arl(0.03, 2.437, 1.0)


# ------------------------------------------------------------------ chance itself


def chart_run(rng: np.random.Generator, k: float, h: float, shift: float, two_sided: bool) -> int:
    chart = TabularCusum(0.0, k, h)
    while True:
        for x in rng.normal(shift, 1.0, 64).tolist():
            signal = chart.add(x)
            if signal > 0 or (two_sided and signal < 0):
                return chart.count


def mean_and_error(runs: list[int]) -> tuple[float, float]:
    found = np.array(runs, float)
    return float(found.mean()), float(found.std(ddof=1)) / sqrt(len(found))


@pytest.mark.parametrize(
    ("h", "shift", "two_sided"),
    [(3.0, 0.0, False), (4.0, 0.5, False), (4.0, 1.0, False), (4.0, 0.0, True), (4.0, 0.25, True)],
)
def test_the_charts_own_run_lengths(h: float, shift: float, two_sided: bool) -> None:
    """The very class that the bench uses, on Gaussian samples; the error of the mean is its own."""
    rng = np.random.default_rng(410)
    mean, error = mean_and_error([chart_run(rng, 0.5, h, shift, two_sided) for _ in range(800)])
    exact = two_sided_cusum_arl(0.5, h, shift) if two_sided else cusum_arl(0.5, h, shift)
    assert abs(mean - exact) < 4.0 * error
    assert error < 0.05 * exact


@pytest.mark.parametrize(("weight", "limit", "shift"), [(0.5, 3.071, 0.5), (0.03, 2.437, 1.0)])
def test_the_run_lengths_of_an_ewma(weight: float, limit: float, shift: float) -> None:
    rng = np.random.default_rng(411)
    z, alive, lengths = np.zeros(2000), np.ones(2000, bool), np.zeros(2000, int)
    edge = ewma_edge(weight, limit)
    while alive.any():
        z = (1.0 - weight) * z + weight * rng.normal(shift, 1.0, 2000)
        lengths += alive
        alive &= np.abs(z) <= edge
    mean, error = mean_and_error(lengths.tolist())
    assert abs(mean - ewma_arl(weight, limit, shift)) < 4.0 * error


@pytest.mark.full
@pytest.mark.parametrize("h", [4.0, 5.0])
def test_long_runs_of_the_chart_in_control(h: float) -> None:
    """Ten thousand runs to the first false alarm, side by side: a standard error of one per cent."""
    rng = np.random.default_rng(412)
    runs = 10_000
    s, lengths = np.zeros(runs), np.zeros(runs, int)
    alive = np.ones(runs, bool)
    while alive.any():
        s = np.maximum(0.0, s + rng.normal(0.0, 1.0, runs) - 0.5)
        lengths += alive
        alive &= s <= h
    mean, error = mean_and_error(lengths.tolist())
    assert abs(mean - cusum_arl(0.5, h)) < 4.0 * error
