"""What flows: feed onto the table, through lags with dispersion to the outlets, clogged or free, in lumps.

Everything lives on a grid of `DT_S`. Mass is conserved: what was fed is delivered or still on the deck.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter, oaconvolve
from scipy.stats import invgauss

from tests.bench.testbay.plan import OutletSpec, Plan, rng_of

DT_S = 0.1
EVEN_S = 300.0
Array = NDArray[np.float64]


@dataclass(frozen=True)
class Flows:
    """Cumulative masses (kg) on the grid: ``t`` (s), ``used`` of the feed, ``got`` per outlet.

    ``rate`` (kg/s) is what each outlet's stream brings on average, before lumps, clogs taken off; ``free``
    the same without any clog. ``scoops`` are the times and masses of a tub's scoops.
    """

    t: Array
    used: Array
    got: list[Array]
    rate: list[Array]
    free: list[Array]
    scoops: list[tuple[float, float]]


def flows(plan: Plan) -> Flows:
    r = rng_of(plan.seed, plan.regime, plan.what, 1)
    n = round(plan.length_s / DT_S)
    t = np.arange(1, n + 1) * DT_S
    wish = _wish(plan, r, t)
    used, scoops, fed = _scooped(plan, r, t, wish) if plan.hand else _poured(plan, r, wish)
    shares = _split(plan, r, t)
    free = [
        _surging(spec, r, t, _through(spec, fed * share))
        for spec, share in zip(plan.outlets, shares, strict=True)
    ]
    rate = _clogged(plan, t, [piece / DT_S for piece in free])
    got = [
        np.cumsum(_lumps(r, spec, np.maximum(each, 0.0) * DT_S))
        for spec, each in zip(plan.outlets, rate, strict=True)
    ]
    return Flows(t, used, got, rate, [piece / DT_S for piece in free], scoops)


def wandering(r: np.random.Generator, t: Array, spread: float, lasting_s: float) -> Array:
    """A stationary Gauss-Markov wander on the grid, made once a second."""
    n = int(t[-1]) + 3
    keep = float(np.exp(-1.0 / lasting_s))
    push = r.normal(0.0, spread * (1.0 - keep * keep) ** 0.5, n)
    push[0] = r.normal(0.0, spread)
    return np.interp(t, np.arange(n), lfilter([1.0], [1.0, -keep], push))


def _wish(plan: Plan, r: np.random.Generator, t: Array) -> Array:
    """The feed as it would run off by itself, kg/s: target, wander, auger, stops and drifts."""
    rate = np.full(len(t), plan.target_kg_h / 3600.0)
    rate *= 1.0 + np.clip(wandering(r, t, plan.feed_wander, plan.feed_wander_s), -0.2, 0.2)
    beat = 2.0 * np.pi * t / plan.auger_s + wandering(r, t, 2.0, 120.0)
    auger = plan.auger * np.sin(beat)
    for e in plan.of("drift"):
        on = np.clip((t - e.at_s) / max(e.data["ramp_s"], DT_S), 0.0, 1.0) * (t < e.until_s)
        if e.data["what"] == "pulsing":
            auger = auger + on * 3.0 * abs(e.data["size"]) * np.sin(2.0 * np.pi * t / 20.0)
        else:
            rate *= 1.0 + e.data["size"] * on
    rate *= np.maximum(1.0 + auger, 0.0)
    rate[(t < plan.feed_from_s) | (t >= plan.feed_until_s)] = 0.0
    for e in plan.of("feed-stop"):
        rate[(t >= e.at_s) & (t < e.until_s)] = 0.0
    return rate


def _poured(
    plan: Plan, r: np.random.Generator, wish: Array
) -> tuple[Array, list[tuple[float, float]], Array]:
    """From a hopper: a gamma process has the wished mean and the variance of lumps."""
    fed = r.gamma(np.maximum(wish * DT_S / plan.feed_lump_kg, 1e-12), plan.feed_lump_kg)
    return np.cumsum(fed), [], fed


def _scooped(
    plan: Plan, r: np.random.Generator, t: Array, wish: Array
) -> tuple[Array, list[tuple[float, float]], Array]:
    """From a tub: whenever the wished mass is due a scoop is taken, and poured a little later."""
    spread = r.uniform(*plan.regime.scoop_spread)
    due = np.cumsum(wish) * DT_S
    taken, fed = np.zeros(len(t)), np.zeros(len(t))
    scoops: list[tuple[float, float]] = []
    total, last_s = 0.0, 0.0
    while True:
        kg = plan.scoop_kg * float(np.clip(1.0 + spread * r.normal(), 0.4, 1.8))
        i = int(np.searchsorted(due, total + 1e-9))
        late_s = plan.scoop_kg / (plan.target_kg_h / 3600.0) * spread * abs(r.normal())
        at_s = max(t[min(i, len(t) - 1)] + late_s, last_s + 2.0)
        if i >= len(t) or at_s > t[-1] - 8.0:
            break
        pour = max(1, round(r.uniform(*plan.regime.pour_s) / DT_S))
        j = int(at_s / DT_S)
        taken[j] += kg
        begin = j + round(r.uniform(0.8, 2.0) / DT_S)
        fed[begin : begin + pour] += kg / len(fed[begin : begin + pour])
        scoops.append((at_s, kg))
        total, last_s = total + kg, at_s
    return np.cumsum(taken), scoops, fed


def _split(plan: Plan, r: np.random.Generator, t: Array) -> list[Array]:
    """Shares of the outlets over time, always adding up to one."""
    logs = []
    steps = r.poisson(plan.regime.split_steps_an_hour * plan.length_s / 3600.0)
    turned = np.sort(r.uniform(300.0, plan.length_s, steps))
    for spec in plan.outlets:
        log = np.log(spec.share) + wandering(r, t, spec.wander, spec.wander_s)
        for at_s in turned:  # a knob is turned: the table takes some seconds to answer
            log = log + r.uniform(-0.1, 0.1) * np.clip((t - at_s) / 20.0, 0.0, 1.0)
        logs.append(log)
    whole = np.sum(np.exp(logs), axis=0)
    return [np.exp(log) / whole for log in logs]


def kernel(spec: OutletSpec) -> Array:
    """The response of an outlet to a gram fed: mass arriving per bin of the grid; it adds up to one."""
    tail = np.arange(0, round(9.0 * spec.spread_s / DT_S) + 2) * DT_S
    if spec.kernel == "first-order":
        edges = 1.0 - np.exp(-tail / spec.spread_s)
    elif spec.kernel == "tanks":  # well-mixed tanks in series: an Erlang distribution of whole tanks
        tanks = max(2, round(spec.shape))
        x = tail * tanks / (1.5 * spec.spread_s)
        term, total = np.ones_like(x), np.ones_like(x)
        for k in range(1, tanks):
            term = term * x / k
            total = total + term
        edges = 1.0 - np.exp(-x) * total
    elif spec.kernel == "dispersion":  # advection with dispersion: inverse Gaussian passage times
        mean_s = 1.5 * spec.spread_s
        peclet = spec.shape
        edges = invgauss.cdf(tail, 2.0 / peclet, scale=mean_s * peclet / 2.0)
    else:
        raise ValueError(f'there is no kernel "{spec.kernel}"')
    mass = np.diff(edges) / edges[-1]
    return np.concatenate([np.zeros(round(spec.dead_s / DT_S)), mass])


def _through(spec: OutletSpec, fed: Array) -> Array:
    return np.maximum(oaconvolve(fed, kernel(spec))[: len(fed)], 0.0)


def _surging(spec: OutletSpec, r: np.random.Generator, t: Array, piece: Array) -> Array:
    """Slow surging as a delay that comes and goes: mass is late, but never lost."""
    if spec.surge <= 0.0:
        return piece
    swing = spec.surge * spec.surge_s / (2.0 * np.pi)
    phase = 2.0 * np.pi * t / spec.surge_s + wandering(r, t, 1.5, 200.0)
    delayed = np.interp(t - swing * (1.0 + np.cos(phase)), t, np.cumsum(piece), left=0.0)
    return np.diff(np.maximum.accumulate(delayed), prepend=0.0)


def _clogged(plan: Plan, t: Array, free: list[Array]) -> list[Array]:
    """Clogs take their part; some goes astray into a neighbour, the rest comes when it breaks free."""
    rate = [each.copy() for each in free]
    count = len(rate)
    for e in plan.of("clog"):
        assert e.outlet is not None
        k, d = e.outlet, e.data
        depth = d["blocked"] * np.clip((t - e.at_s) / max(d["ramp_s"], 1e-9), 0.0, 1.0)
        lost = rate[k] * depth * ((t >= e.at_s) & (t < e.until_s))
        rate[k] -= lost
        keep = float(np.exp(-DT_S / 6.0))  # what crosses over takes some seconds on the deck
        over = lfilter([1.0 - keep], [1.0, -keep], lost * d["astray"])
        neighbour = k + 1 if k + 1 < count else k - 1
        rate[neighbour] += over
        held = float(lost.sum() * (1.0 - d["astray"]))
        i, fast = round(e.until_s / DT_S), max(1, round(d["fast_s"] / DT_S))
        burst = rate[k][i : i + fast]
        burst += held * d["fast"] / fast
        rest = np.exp(-(t[i:] - e.until_s) / 25.0)
        rate[k][i:] += held * (1.0 - d["fast"]) * rest / max(rest.sum(), 1e-12)
    return rate


def _lumps(r: np.random.Generator, spec: OutletSpec, mass: Array) -> Array:
    """The same mean mass per bin, in lumps that arrive at random (phi = E m^2 / E m of a lump).

    Over minutes no more can come than was fed: lumps are scaled so that their mean over `EVEN_S` agrees.
    """
    out = _of_kind(r, spec.lump, spec.phi_kg, mass * (1.0 - spec.wad_share))
    if spec.wad_share > 0.0:
        out = out + _of_kind(r, "exponential", spec.wad_phi_kg, mass * spec.wad_share)
    return out * ((_evened(mass) + 1e-9) / (_evened(out) + 1e-9))


def _evened(mass: Array) -> Array:
    """A mean to both sides, exponentially weighted."""
    keep = float(np.exp(-DT_S / EVEN_S))
    once = lfilter([1.0 - keep], [1.0, -keep], mass)
    return np.asarray(lfilter([1.0 - keep], [1.0, -keep], once[::-1])[::-1])


def _of_kind(r: np.random.Generator, kind: str, phi_kg: float, mass: Array) -> Array:
    # relative variance of one lump: gamma of shape 2, exponential, lognormal of sigma 1
    spread2 = {"gamma": 0.5, "exponential": 1.0, "lognormal": float(np.e - 1.0)}[kind]
    mean = phi_kg / (1.0 + spread2)
    count = r.poisson(mass / mean)
    total = int(count.sum())
    if kind == "lognormal":
        lump = np.minimum(mean * np.exp(r.normal(-0.5, 1.0, total)), 8.0 * phi_kg)  # an outlet's size ends it
    else:
        lump = r.gamma(1.0 / spread2, mean * spread2, total)
    return np.bincount(np.repeat(np.arange(len(mass)), count), lump, minlength=len(mass))
