"""Sets the one parameter of each peer: one false alarm in 100 outlet-hours in which nothing happens.

A peer is kinder treated than in life: for each outlet it first sees a few undisturbed hours of that very
outlet (its commissioning), which give the outlet's own unit: the median of the parameter at which an hour
would just have stayed silent (ADWIN's delta is a probability and needs none). What is tuned is one factor
on that unit, alike for all outlets of a run. On other undisturbed hours of the same bays the factor is set
at the quantile of the hours' maxima that belongs to one false alarm in 100 h, P(a false alarm in an hour) =
1 - exp(-1/100). Where `ENOUGH` hours or more must lie beyond it, it is read off from the ranked maxima; where
fewer, an exponential tail is fitted to the logarithms of the largest tenth (the rest is censored), so that
the quantile does not hang on two or three hours. A third batch counts what comes; `Tuned.reached` says
within what limits the rate of false alarms is known to lie, from the number of hours alone.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import exp, log
from typing import Any

import numpy as np
from scipy.stats import beta

from tests.bench.peers.contract import LEARN_S, Peer, Stream
from tests.bench.testbay.plan import Plan
from tests.bench.testbay.trace import Trace, carried_out

BETWEEN_FALSE_ALARMS_H = 100.0
HOUR_S = 3600
TAIL = 0.1
ENOUGH = 10
FEWEST = 10
BATCHES = ("commission", "calibrate", "check")


def calm(drawn: Plan, number: int) -> Trace:
    """An hour (behind the time to learn) of a bay in which nothing happens but refills; chance drawn anew."""
    undisturbed = replace(
        drawn,
        seed=1_000_003 * (number + 1) + drawn.seed,
        events=(),
        length_s=round(LEARN_S) + HOUR_S,
        feed_until_s=LEARN_S + HOUR_S,
        outlets=tuple(replace(o, scale=replace(o.scale, capacity_kg=1e4)) for o in drawn.outlets),
    )
    return carried_out(undisturbed)


def critical(peer: Peer, stream: Stream) -> float:
    """The parameter from which on a peer stays silent all through a stream, to half a per cent."""
    looked = peer.look(stream)
    low, high = peer.low, peer.high
    if not speaks(peer, looked, low):
        return low
    while high > 1.005 * low:
        middle = (low * high) ** 0.5
        low, high = (middle, high) if speaks(peer, looked, middle) else (low, middle)
    return high


def speaks(peer: Peer, looked: Any, parameter: float) -> bool:
    return next(peer.alarms(looked, parameter), None) is not None


@dataclass(frozen=True)
class Hour:
    """The critical parameter of a peer in one undisturbed hour of an outlet, or of the feed."""

    peer: str
    bay: str
    subject: str
    batch: str
    critical: float


def units(hours: list[Hour], peers: dict[str, Peer]) -> dict[tuple[str, str, str], float]:
    """By peer, bay and outlet: the median critical parameter of its commissioning; 1 where none is needed."""
    found: dict[tuple[str, str, str], list[float]] = {}
    for h in hours:
        if h.batch == "commission":
            found.setdefault((h.peer, h.bay, h.subject), []).append(h.critical)
    return {k: float(np.median(values)) if peers[k[0]].own_unit else 1.0 for k, values in found.items()}


def factor(maxima: list[float], between_h: float = BETWEEN_FALSE_ALARMS_H) -> float:
    """The factor that undisturbed hours exceed once in so many, from their maxima in outlets' units."""
    ranked = np.sort(np.log(maxima))
    chance = -np.expm1(-1.0 / between_h)
    count = max(3, round(TAIL * len(ranked)))
    if len(ranked) < FEWEST:
        raise ValueError(
            f"{len(ranked)} undisturbed hours are too few; {FEWEST} at least, and 300 to be of use"
        )
    if chance * len(ranked) >= ENOUGH:
        return exp(float(np.quantile(ranked, 1.0 - chance, method="weibull")))
    edge = float(ranked[-count - 1])
    scale = float((ranked[-count:] - edge).mean())
    return exp(edge + scale * max(0.0, log(count / len(ranked) / chance)))


@dataclass(frozen=True)
class Tuned:
    """A peer's factor, the hours it was set on, and how often it cried wolf in other undisturbed hours."""

    factor: float
    hours: int
    check_hours: int
    check_alarms: int

    @property
    def reached(self) -> tuple[float, float]:
        """The 95 % limits of the false alarms in 100 h, from the number of hours it was set on.

        The part of all hours beyond the k-th largest of n maxima is Beta(k, n + 1 - k) whatever their
        distribution (David & Nagaraja 2003, section 2, from memory); here k = n / 100, and 1 at the least.
        """
        k = max(1.0, -np.expm1(-1.0 / BETWEEN_FALSE_ALARMS_H) * self.hours)
        part = beta.ppf([0.025, 0.975], k, self.hours + 1.0 - k)
        low, high = (-100.0 * np.log1p(-part)).tolist()
        return low, high


def tune(peer: str, hours: list[Hour], unit: dict[tuple[str, str, str], float]) -> Tuned | None:
    """None: there are fewer than `FEWEST` hours of that peer to be set on."""

    def relative(batch: str) -> list[float]:
        return [
            h.critical / unit[h.peer, h.bay, h.subject] for h in hours if h.peer == peer and h.batch == batch
        ]

    maxima, check = relative("calibrate"), relative("check")
    if len(maxima) < FEWEST:
        return None
    found = factor(maxima)
    return Tuned(found, len(maxima), len(check), sum(c > found for c in check))
