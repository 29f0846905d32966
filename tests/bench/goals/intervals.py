"""95 % intervals of what a bench measured: parts of a whole, rates, quantiles."""

from __future__ import annotations

from scipy.stats import beta, binom

from tests.bench.testbay.table import INF

SURE = (0.025, 0.975)


def part_95(count: int, of: int) -> tuple[float, float]:
    """The exact interval of a probability from ``count`` in ``of`` (Clopper & Pearson 1934, from memory)."""
    low = float(beta.ppf(SURE[0], count, of - count + 1)) if count > 0 else 0.0
    high = float(beta.ppf(SURE[1], count + 1, of - count)) if count < of else 1.0
    return low, high


def quantile_95(values: list[float], share: float) -> tuple[float, float]:
    """The interval of a quantile of positive values by order statistics, whatever their distribution.

    Open where values are too few to hold it: from 0 below, to infinity above.
    """
    ranked, n = sorted(values), len(values)
    below, above = (int(x) for x in binom.ppf(SURE, n, share))
    return ranked[below - 1] if below > 0 else 0.0, ranked[above] if above < n else INF
