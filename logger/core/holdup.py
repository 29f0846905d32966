"""Hold-up: what lies on the deck now, with the lag of each outlet allowed for, and how sure that is.

By the lags: of what was fed, share x (feed so far - lagged feed so far) cannot have arrived yet. That is
right for a deck that passes on what comes; lags are known only as well as the feed has told them apart, and
lumps or a plug hold product up besides. So what was expected and did not come lately is added (or what came
too much taken off): sum over the outlets of (expected - delivered), forgotten with a time constant of
`MEMORY_S`, because a share that is wrong by a hundredth would else add up for ever; more slowly
(`PLUGGED_S`) while an outlet is plugged. From the start of a run until it is forgotten this is the mass
balance: what was fed less what came out. An outlet that is not weighed takes no part in that; of one whose
container keeps its water, what comes is told only in proportion.

Standard uncertainty: the lags that are still credible, weighed by their likelihood; the shape of the lag
(`SHAPE` of what it says, assumed), less as far as the balance from an empty deck bears it out; lumps and
scoops; readings and what the tracks spliced; shares. The interval is Gaussian, and ends at 0. It held the
truth 98 % of the time on 24 bays that nobody tuned to, 95 to 100 % by kind of bay and what went on there
(tests/bench/holdup_bench.py 6 401 report).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise
from math import exp, sqrt
from statistics import pvariance

from logger.core.description import ContainerKind
from logger.core.rules.contract import ChannelNow, StationNow
from logger.core.rules.expected import ExpectedFlow
from logger.core.rules.lags import MASK, MODELS, SPAN, Spread
from logger.core.rules.past import OutletPast

MEMORY_S = 200.0
PLUGGED_S = 1200.0
REACH_S = 1200  # that far back it is looked
STEP_S = 10
SHAPE = 0.10
UNTOLD = 0.25  # of what is on the deck, before shares are learned
LUMPS_S = 60.0  # so long what comes in lumps differs from its mean
LATELY_S = 300
SHARES = 0.01
ODD = 0.15  # of what came too little or too much: water that surges with it, changes; assumed
WET = 0.5  # the same where the container keeps its water
SCOOPS_S = 180
LEFT_S = 5.0  # of feed may stay on a deck that has run off; assumed, no source
Z95 = 1.959964
MG = 1e6


@dataclass(frozen=True, slots=True)
class HoldUp:
    """Mass on the deck (kg) with its standard uncertainty and 95 % interval; ``by_outlet`` (kg): where to,
    by the lags alone."""

    kg: float
    u_kg: float
    low_kg: float
    high_kg: float
    by_outlet: tuple[float, ...]


@dataclass(slots=True)
class _Part:
    """One outlet's: its share of the whole, what the lag holds (mg), its variance, what came too little."""

    past: OutletPast | None  # None: it is not weighed, or not learned yet
    track: ChannelNow | None
    scale: float  # mg of feed for each mg that is shown
    held_mg: float
    var_mg2: float
    late_mg: float = 0.0


def hold_up(now: StationNow, expected: ExpectedFlow, plugged: Callable[[int], bool]) -> HoldUp | None:
    """What lies on the deck now; None where the feed is not weighed or was not seen.

    ``plugged`` tells of a station second whether an outlet was plugged then, or had just let go.
    """
    spread = expected.spread
    if not expected.weighed or spread.began_s is None:
        return None
    parts = _parts(now, expected)
    if not parts:
        return None
    told = all(past is None or past.share is not None for past in expected.outlets)
    weights = _weights(spread, plugged) if told else []
    borne_out, var = _balance(expected, parts, weights)
    held = sum(part.held_mg for part in parts)
    total = held + sum(part.late_mg for part in parts)
    shape = (SHAPE if told else UNTOLD) * held
    var += (1.0 - borne_out) ** 2 * (shape**2 + sum(part.var_mg2 for part in parts))
    var += _feed_var(now, expected, sum(weights) * STEP_S)
    kg, u = max(total, 0.0) / MG, sqrt(var) / MG
    by = tuple(kg * part.held_mg / held if held > 0.0 else 0.0 for part in parts)
    return HoldUp(kg, u, max(kg - Z95 * u, 0.0), kg + Z95 * u, by)


def _earlier(spread: Spread, seconds: int) -> int:
    return max(spread.now_s - seconds, spread.began_s or 0, spread.now_s - SPAN + 1)


def _rate(spread: Spread, over_s: int) -> float:
    """Mean rate of the feed lately (mg/s)."""
    start = _earlier(spread, over_s)
    fed = spread.feed[spread.now_s & MASK] - spread.feed[start & MASK]
    return max(fed, 0.0) / max(spread.now_s - start, 1)


def _running(spread: Spread) -> float:
    """What the feed brings while it runs (mg/s): the most of five minutes within the last twenty minutes."""
    edges = [spread.feed[_earlier(spread, back) & MASK] for back in range(0, REACH_S + 1, LATELY_S)]
    return max([later - before for later, before in pairwise(edges)]) / LATELY_S


# -- by the lags ---------------------------------------------------------------------------------------


def _parts(now: StationNow, expected: ExpectedFlow) -> list[_Part]:
    """What the lags hold back on the way to each outlet."""
    pasts = expected.outlets
    scored = [past.scores for past in pasts if past is not None]
    if not scored:
        return []
    retains = [past is not None and past.outlet.container.kind is ContainerKind.RETAINS for past in pasts]
    shares = [None if past is None or wet else past.share for past, wet in zip(pasts, retains, strict=True)]
    known = [share for share in shares if share is not None]
    untold = len(shares) - len(known)
    rest = max(1.0 - sum(known), 0.0) if untold else 0.0
    whole = sum(known) + rest
    if whole <= 0.0:
        return []
    held = [_held(expected.spread, model) for model in range(len(MODELS))]
    found = []
    for past, share, outlet in zip(pasts, shares, now.outlets, strict=True):
        part = (rest / untold if share is None else share) / whole
        nats = [pair for each in (scored if past is None else [past.scores]) for pair in each.nats.items()]
        likely = [(exp(-n), held[model]) for model, n in nats]
        total = sum(weight for weight, _ in likely)
        mean = sum(weight * mass for weight, mass in likely) / total
        at = mean if past is None else held[past.scores.best]
        var = sum(weight * (mass - at) ** 2 for weight, mass in likely) / total
        shown = 0.0 if past is None else past.share or 0.0
        taken = past if shown > 0.0 else None
        found.append(_Part(taken, outlet.now, part / shown if taken else 0.0, part * at, part**2 * var))
    return found


def _held(spread: Spread, model: int) -> float:
    dead, index = MODELS[model]
    at = _earlier(spread, dead)
    return max(spread.feed[spread.now_s & MASK] - spread.lagged[index][at & MASK], 0.0)


# -- by the balance ------------------------------------------------------------------------------------


def _weights(spread: Spread, plugged: Callable[[int], bool]) -> list[float]:
    """How much of what was late in each stretch of `STEP_S` counts still, the newest first."""
    weight, found = 1.0, []
    for end in range(spread.now_s, _earlier(spread, REACH_S), -STEP_S):
        weight *= exp(-STEP_S / (PLUGGED_S if plugged(end) else MEMORY_S))
        found.append(weight)
    return found


def _balance(expected: ExpectedFlow, parts: list[_Part], weights: list[float]) -> tuple[float, float]:
    """Set what came too little at each outlet. How far the balance from an empty deck bears out the lags,
    and the variance (mg^2) of what was weighed."""
    spread = expected.spread
    oldest = _earlier(spread, REACH_S)
    var = odd = 0.0
    for number, part in enumerate(parts):
        past, track = part.past, None if part.track is None else part.track.track
        if past is None or past.began_s is None or track is None:
            continue
        var += 2.0 * past.reading_var_mg2
        for step, weight in enumerate(weights):
            end = spread.now_s - step * STEP_S
            start = max(end - STEP_S, oldest, past.began_s)
            if start >= end:
                break
            due = expected.expected_between(number, start, end)
            part.late_mg += part.scale * weight * (due - past.got(start, end))
            var += weight**2 * max(track.var_at(end) - track.var_at(start), 0.0)
        wet = past.outlet.container.kind is ContainerKind.RETAINS
        odd += (WET if wet else ODD) * abs(part.late_mg)
    known = all(part.past is not None for part in parts)
    from_empty = known and weights and oldest <= (spread.began_s or 0)
    return (weights[-1] if from_empty else 0.0), var + odd**2


def _feed_var(now: StationNow, expected: ExpectedFlow, counted_s: float) -> float:
    """Variance (mg^2) by lumps, scoops, shares, what never runs off, and the feed's own scale.

    ``counted_s``: over so long a share that is wrong adds up.
    """
    spread, feed = expected.spread, now.feed
    phi = [past.lumps.phi_mg for past in expected.outlets if past is not None]
    rate = _rate(spread, LATELY_S)
    edges = range(_earlier(spread, SCOOPS_S), spread.now_s + 1, STEP_S)
    fed = [spread.feed[b & MASK] - spread.feed[a & MASK] for a, b in pairwise(edges)]
    var = pvariance(fed) if len(fed) > 1 else 0.0
    var += max(phi) * rate * LUMPS_S + (SHARES * rate * counted_s) ** 2 + (LEFT_S * _running(spread)) ** 2
    var += 2.0 * expected.feed.reading_var_mg2
    if feed is not None and feed.track is not None:
        start = _earlier(spread, int(MEMORY_S))
        var += max(feed.track.var_at(spread.now_s) - feed.track.var_at(start), 0.0)
    return var
