"""Caught product that is poured in too gently for the gate: a step among the product that goes on coming."""

from __future__ import annotations

from typing import NamedTuple

from logger.core.track.history import History

BEFORE, AFTER = 5, 3  # seconds on either side that give the rate without the pour
WIDTHS_S = (2, 4)
PATIENCE_S = 4  # so long after the clearest sight of it a pour is weighed
NEEDED = BEFORE + max(WIDTHS_S) + 4 + AFTER + PATIENCE_S + 1
CLEAR = 4.3
"""Standard deviations a pour must stand out by.

With even odds for a pour in 240 s, masses of 0.3 to 2.5 times the estimate alike, and some fifty places
for lumps to come together by chance: exp(z^2/2) > 50 * (2.2 C / u) * sqrt(2 pi) for C/u about 8.
"""


class Pour(NamedTuple):
    """``mass`` above the product that came anyway, its variance, how clearly it stands out (standard
    deviations), the second at which it was over, and how long it took at most."""

    mass: float
    var: float
    clear: float
    end_s: int
    width_s: int


def find_pour(means: list[float], now_s: int, *, q: float, r: float, gain: float) -> Pour | None:
    """The clearest pour in the latest one-second means (mg as shown), three seconds after its end."""
    best: Pour | None = None
    for width in WIDTHS_S:
        pour = _step(means, now_s, width, after=AFTER, q=q, r=r, gain=gain)
        if pour is not None and pour.clear > CLEAR and (best is None or pour.clear > best.clear):
            best = pour
    return best


def weigh_pour(means: list[float], now_s: int, pour: Pour, *, q: float, r: float, gain: float) -> Pour:
    """The same pour with two seconds more on either side, so that none of it is left out."""
    wide = _step(means, now_s, pour.width_s + 4, after=now_s - pour.end_s - 2, q=q, r=r, gain=gain)
    return pour if wide is None else wide._replace(clear=pour.clear)


def _step(
    means: list[float], now_s: int, width: int, *, after: int, q: float, r: float, gain: float
) -> Pour | None:
    """The rise over ``width`` seconds that ended ``after`` seconds ago, above the rate on either side."""
    end = len(means) - 1 - after
    start = end - width
    if start < BEFORE:
        return None
    count = BEFORE + after
    around = means[start] - means[start - BEFORE] + means[-1] - means[end]
    rise = means[end] - means[start] - width * around / count
    var = q * (width + width * width / count) + r * (2.0 + 4.0 * width * width / (count * count))
    return Pour(rise * gain, var * gain * gain, rise / max(var, 1.0) ** 0.5, now_s - after, width)


def unusual(history: History, pour: Pour) -> bool:
    """Did no such rise come by itself within the five minutes before?"""
    width, end = pour.width_s, pour.end_s
    first = max(end - 300, history.fine_s + width)
    marks = [history.at(second) for second in range(first - width, end - width)]
    usual = (marks[-1] - marks[0]) / max(1, len(marks) - 1) * width
    most = max((b - a for a, b in zip(marks, marks[width:], strict=False)), default=0.0) - usual
    return pour.mass > 1.2 * most
