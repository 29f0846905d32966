"""What a test bay is made of and what will happen in it: everything drawn before any physics runs."""

from __future__ import annotations

import numpy as np

from tests.bench.testbay.regimes import Range, Regime
from tests.bench.testbay.spec import CAPACITY_KG, CLASSES, LENGTH_S, Event, OutletSpec, Plan, ScaleSpec
from tests.bench.testbay.timetable import Timetable

__all__ = ["CLASSES", "Event", "OutletSpec", "Plan", "ScaleSpec", "plan", "rng_of"]


def rng_of(seed: int, regime: Regime, what: str, part: int = 0) -> np.random.Generator:
    return np.random.default_rng([seed, regime.key, CLASSES.index(what), part])


def plan(seed: int, regime: Regime, what: str) -> Plan:
    """Draw one bay of a class (see `CLASSES`): the same seed gives the same bay, always."""
    r = rng_of(seed, regime, what)
    length_s = LENGTH_S[what]
    hand = what == "tub" or (what in ("busy", "drift") and r.random() < 0.25) or (
        what == "mass" and r.random() < 0.15
    )  # fmt: skip
    scoop_kg = float(r.uniform(*regime.scoop_kg))
    target = scoop_kg / r.uniform(*regime.scoop_every_s) * 3600.0 if hand else r.uniform(*regime.hopper_kg_h)
    count = int(r.integers(3, 6))
    target = float(np.clip(target, 15.0, 40.0 * count))
    feed_from_s = float(r.uniform(25, 90))
    outlets = _outlets(r, regime, target, count, 0.1 if what in ("busy", "mass") else 0.0)
    feed_until_s = length_s - 300.0 if what == "mass" else float(length_s)
    events = Timetable(r, regime, what, length_s, target, outlets).draw()
    return Plan(
        seed=seed,
        regime=regime,
        what=what,
        length_s=length_s,
        hand=hand,
        target_kg_h=round(target, 1),
        scoop_kg=scoop_kg,
        feed_from_s=feed_from_s,
        feed_until_s=feed_until_s,
        feed_wander=float(r.uniform(*regime.feed_wander)),
        feed_wander_s=float(r.uniform(*regime.feed_wander_s)),
        auger=float(r.uniform(*regime.auger)),
        auger_s=float(r.uniform(*regime.auger_s)),
        feed_lump_kg=float(r.uniform(*regime.feed_lump_g)) / 1000.0,
        feed_scale=_scale(r, regime, [d for d in regime.resolutions_g if d >= 5]),
        outlets=outlets,
        events=events,
    )


def _log_uniform(r: np.random.Generator, span: Range) -> float:
    return float(np.exp(r.uniform(np.log(span[0]), np.log(span[1]))))


def _scale(r: np.random.Generator, regime: Regime, resolutions_g: list[float]) -> ScaleSpec:
    d = float(r.choice(resolutions_g)) / 1000.0
    return ScaleSpec(
        resolution_kg=d,
        hz=float(r.choice(regime.rates_hz)),
        sigma_kg=d * float(r.uniform(*regime.sigma_d)),
        vibration_kg=d * float(r.uniform(*regime.vibration_d)),
        vibration_hz=float(r.uniform(4.0, 5.0)),
        slow_kg=d * float(r.uniform(*regime.slow_noise_d)),
        filter_s=float(r.uniform(*regime.filter_s)),
        lost=float(r.uniform(*regime.lost)),
        capacity_kg=CAPACITY_KG[round(d * 1000)],
        zero_tracking=bool(r.random() < 0.1),
    )


def _outlets(
    r: np.random.Generator, regime: Regime, target_kg_h: float, count: int, brim_full: float
) -> tuple[OutletSpec, ...]:
    shares = r.dirichlet(np.ones(count) * 1.2)
    for _ in range(30):  # every outlet between 0.5 and 50 kg/h
        shares = np.clip(shares, 0.5 / target_kg_h, 50.0 / target_kg_h)
        shares /= shares.sum()
    made = []
    for k in range(count):
        rate = shares[k] * target_kg_h
        fitting = [
            d for d in regime.resolutions_g
            if d <= max(1.0, 2.5 * rate) and 0.5 * CAPACITY_KG[round(d)] >= 0.4 * rate  # 24 min a container
        ]  # fmt: skip
        kernel = str(r.choice(regime.kernels))
        scale = _scale(r, regime, fitting)
        density = float(r.choice([2.65, 8.8])) if r.random() < brim_full else None
        made.append(
            OutletSpec(
                name=f"out{k + 1}",
                share=float(shares[k]),
                kernel=kernel,
                dead_s=float(r.uniform(*regime.dead_s)),
                spread_s=float(r.uniform(*regime.spread_s)),
                shape=float(r.uniform(2, 6) if kernel == "tanks" else r.uniform(4, 30)),
                wander=float(r.uniform(*regime.split_wander)),
                wander_s=float(r.uniform(*regime.split_wander_s)),
                surge=float(r.uniform(*regime.surge)),
                surge_s=float(r.uniform(*regime.surge_s)),
                lump=str(r.choice(regime.lumps)),
                phi_kg=_log_uniform(r, regime.phi_g) / 1000.0,
                wad_share=float(r.uniform(*regime.wad_share)) * float(r.random() < 0.4),
                wad_phi_kg=_log_uniform(r, regime.wad_phi_g) / 1000.0,
                excess=0.0 if density else float(r.uniform(*regime.excess_water)),
                excess_s=float(r.uniform(*regime.excess_s)),
                density=density,
                zeroed=bool(r.random() < 0.2),
                tares_kg=(4.0, 6.0) if density else regime.tare_kg,
                full_kg=float(r.uniform(0.5, 0.75)) * min(scale.capacity_kg, 40.0),
                scale=scale,
            )
        )
    return tuple(made)
