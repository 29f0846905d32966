"""Caught product that is poured in too gently for the gate: a step among the product that goes on coming."""

from __future__ import annotations

from typing import NamedTuple

from logger.core.track.history import History

BEFORE, AFTER = 6, 4  # seconds on either side that give the rate without the pour
WIDTHS_S = (3, 5)
NEEDED = BEFORE + max(WIDTHS_S) + AFTER
CLEAR = 4.3
"""Standard deviations a pour must stand out by.

With even odds for a pour in 240 s, masses of 0.3 to 2.5 times the estimate alike, and some fifty places
for lumps to come together by chance: exp(z^2/2) > 50 * (2.2 C / u) * sqrt(2 pi) for C/u about 8.
"""


class Pour(NamedTuple):
    """``mass`` above the product that came anyway, its variance, and how many seconds ago it was over."""

    mass: float
    var: float
    ago_s: int
    width_s: int


def find_pour(means: list[float], q: float, r: float, gain: float) -> Pour | None:
    """The clearest pour in the latest one-second means (mg as shown), four seconds after its end."""
    if len(means) < NEEDED:
        return None
    end = len(means) - AFTER
    best: Pour | None = None
    for width in WIDTHS_S:
        start = end - width
        around = means[start] - means[start - BEFORE + 1] + means[-1] - means[end]
        count = BEFORE + AFTER - 2
        rise = means[end] - means[start] - width * around / count
        var = q * (width + width * width / count) + r * (2.0 + 4.0 * width * width / (count * count))
        if rise > CLEAR * var**0.5 and (best is None or rise * rise / var > best.mass**2 / best.var):
            best = Pour(rise, var, AFTER, width)
    return None if best is None else Pour(best.mass * gain, best.var * gain * gain, best.ago_s, best.width_s)


def unusual(history: History, pour: Pour, now_s: int) -> bool:
    """Did no such rise come by itself within the five minutes before?"""
    width, end = pour.width_s, now_s - pour.ago_s
    most = max(
        history.at(second) - history.at(second - width)
        for second in range(max(end - 300, history.fine_s + width), end - width)
    )
    return pour.mass > 1.2 * most
