"""Few counts: intervals that hold also where two or three pieces were found, or none.

A count of k pieces enters as a gamma distribution of shape k + 1/2 (Jeffreys' prior). Its 95 % interval
holds a fixed truth in 95 % of cases on average over truths, but in as few as 90 % at some of them. The exact
interval (Garwood 1936; as Clopper & Pearson's for shares) takes its lower end from the shape k, its upper one
from the shape k + 1, and holds at least 95 % at every truth. For a figure that rests on several such counts
and on much else, the squared distance of each end from the value is enlarged by what the exact end of each
count, alone, lies further off than Jeffreys' (squares add as in Zou & Donner's recovery of variances, 2008,
from memory). Coverage is measured in `tests.bench.balance_bench`.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from logger.balance.inputs import Input, Inputs
from logger.core.gamma import quantile

Array = NDArray[Any]
FEW = 30
"""Counts above this need no care: the exact ends are then less than a tenth of u further off."""
SIDE = 0.025


def corners(inputs: Inputs) -> Array:
    """Inputs at which figures show what their few counts can do, shape (4 f, n) for f few counts.

    For each of them four rows, all other inputs at their values: it at Jeffreys' lower and upper end, and at
    the exact ones.
    """
    values = inputs.values
    rows = []
    for k, one in enumerate(inputs):
        if _few(one):
            for end in _ends(one):
                row = values.copy()
                row[k] = end
                rows.append(row)
    return np.array(rows).reshape(len(rows), len(values))


def widened(value: float, low: float, high: float, drawn: Array, at_corners: Array) -> tuple[float, float]:
    """The interval of a figure, wide enough for its few counts; no further than any draw or corner came.

    It holds the value itself, which is an end of it where nothing was found: draws are all above nothing.

    ``drawn``: the figure's draws; ``at_corners`` (4 f,): the figure at `corners`.
    """
    ends = at_corners.reshape(-1, 2, 2) - value  # count, (Jeffreys, exact), (lower, upper)
    more = np.nan_to_num(ends[:, 1] ** 2 - ends[:, 0] ** 2, nan=0.0, posinf=0.0, neginf=0.0)
    below, above = (more * (more > 0) * (ends[:, 1] * sign > 0) for sign in (-1.0, 1.0))
    seen = np.concatenate([drawn, at_corners[np.isfinite(at_corners)]])
    least, most = float(seen.min()), float(seen.max())
    low = max(value - float(np.sqrt(max(value - low, 0.0) ** 2 + below.sum())), least)
    high = min(value + float(np.sqrt(max(high - value, 0.0) ** 2 + above.sum())), most)
    return low, high


def judged_at(value: float, limit: float, drawn: Array, at_corners: Array) -> float:
    """The limit at which the draws judge a figure with the care that few counts need.

    As much nearer to the value as they make the one-sided 95 % end on that side lie further off: so that a
    figure that fails its limit is said to meet it in 5 % of cases at most, also where nothing was found.
    """
    low, high = (float(q) for q in np.quantile(drawn, (2.0 * SIDE, 1.0 - 2.0 * SIDE)))
    least, most = widened(value, low, high, drawn, at_corners)
    plain, wide = (high - value, most - value) if limit > value else (value - low, value - least)
    return value + (limit - value) * plain / wide if 0.0 < plain < wide else limit


def _few(one: Input) -> bool:
    return one.shape in ("gamma", "count") and one.gamma[0] <= FEW + 0.6


def _ends(one: Input) -> tuple[float, float, float, float]:
    """Jeffreys' and the exact ends, in the input's own unit."""
    shape, unit = one.gamma
    least = quantile(shape - 0.5, SIDE) if shape > 0.5 + 1e-9 else 0.0
    return (
        unit * quantile(shape, SIDE),
        unit * quantile(shape, 1.0 - SIDE),
        unit * least,
        unit * quantile(shape + 0.5, 1.0 - SIDE),
    )
