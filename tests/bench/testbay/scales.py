"""What stands on each scale: containers and what is in them, hands, bumps, refills; without the indicator."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from scipy.signal import lfilter

from tests.bench.testbay.physics import DT_S, Array, Flows
from tests.bench.testbay.plan import Event, OutletSpec, Plan, rng_of


def outlet_level(plan: Plan, flows: Flows, k: int) -> Array:
    """True weight over the grid on the scale of outlet k, kg, as it would be shown without any error."""
    r = rng_of(plan.seed, plan.regime, plan.what, 100 + k)
    spec, t, got = plan.outlets[k], flows.t, flows.got[k]
    level = np.zeros(len(t))
    tare = r.uniform(*spec.tares_kg)
    begin, caught_kg, pour_at_s = 0, 0.0, 0.0
    for e in [e for e in plan.of("change") if e.outlet == k] + [None]:
        end = len(t) if e is None else round(e.at_s / DT_S)
        level[begin:end] = tare + _content(spec, t, got, begin, end, caught_kg, pour_at_s)
        if e is None:
            break
        begin = round(e.until_s / DT_S)
        meanwhile = got[begin - 1] - got[end - 1]
        caught_kg = float(meanwhile) if e.data["caught"] else 0.0
        pour_at_s = e.until_s + e.data["pour_after_s"]
        tare = tare if e.data["same"] else r.uniform(*spec.tares_kg)
    if spec.zeroed:
        level -= level[0]
    forces = _forces(plan, r, t, k)
    return _pressed_and_sampled(plan, level, k) + forces


def _content(
    spec: OutletSpec, t: Array, got: Array, begin: int, end: int, caught_kg: float, pour_at_s: float
) -> Array:
    """What is in a container from ``begin`` to ``end``, with the water that has not yet drained away."""
    before = got[begin - 1] if begin else 0.0
    fresh = np.diff(got[begin:end], prepend=before)
    i = round(pour_at_s / DT_S) - begin
    if caught_kg > 0.0 and 0 <= i < len(fresh):
        fresh[i : i + 10] += caught_kg / len(fresh[i : i + 10])  # poured in within a second
    if spec.density is not None:  # each grain pushes its own volume of water over the brim
        return np.cumsum(fresh) * (1.0 - 1.0 / spec.density)
    keep = float(np.exp(-DT_S / spec.excess_s))
    return np.cumsum(fresh) + spec.excess * lfilter([1.0], [1.0, -keep], fresh)


def _pressed_and_sampled(plan: Plan, level: Array, k: int) -> Array:
    """Samples leave the container until it is changed; a tare pressed zeroes what is shown from then on."""
    level = level.copy()
    changes = [round(e.at_s / DT_S) for e in plan.of("change") if e.outlet == k]
    for e in [e for e in plan.of("tare", "sample") if e.outlet == k]:
        i = round(e.until_s / DT_S)
        if e.kind == "tare":
            level[i:] -= level[i]
        else:
            until = min([c for c in changes if c > i], default=len(level))
            level[i:until] -= e.data["kg"]
    return level


def _forces(plan: Plan, r: np.random.Generator, t: Array, k: int) -> Array:
    """Hands and elbows on the scale of outlet k (-1: the feed)."""
    force = np.zeros(len(t))
    for e in plan.events:
        if e.outlet != k:
            continue
        if e.kind == "bump":
            _add(force, e.at_s, _bump(e, r))
        elif e.kind == "change":
            for at_s in (e.at_s, e.until_s):
                length_s = r.uniform(0.4, 1.6)
                _add(force, at_s - 0.5 * length_s, _fumble(r, length_s, r.uniform(0.3, 3.0)))
            if e.data["caught"]:
                _add(force, e.until_s + e.data["pour_after_s"] - 0.3, _fumble(r, 1.8, r.uniform(0.05, 1.0)))
        elif e.kind == "sample":
            _add(force, e.at_s, _fumble(r, e.until_s - e.at_s, r.uniform(0.1, 1.5)))
        elif e.kind == "tare":
            _add(force, e.at_s, _fumble(r, 0.4, r.uniform(0.0, 0.3)))
    return force


def _add(force: Array, at_s: float, shape: Array) -> None:
    i = max(0, round(at_s / DT_S))
    part = force[i : i + len(shape)]
    part += shape[: len(part)]


def _bump(e: Event, r: np.random.Generator) -> Array:
    x = np.linspace(0.0, 1.0, max(2, round((e.until_s - e.at_s) / DT_S)))
    if e.data["shape"] == "arch":
        shape = np.sin(np.pi * x) ** 0.5
    elif e.data["shape"] == "lean":
        shape = np.clip(8.0 * np.minimum(x, 1.0 - x), 0.0, 1.0) * (1.0 + 0.1 * r.normal(size=len(x)))
    else:  # two knocks
        shape = np.exp(-(((x - 0.2) / 0.1) ** 2)) - 0.6 * np.exp(-(((x - 0.7) / 0.15) ** 2))
    return np.asarray(e.data["kg"] * shape)


def _fumble(r: np.random.Generator, length_s: float, kg: float) -> Array:
    n = max(2, round(length_s / DT_S))
    return np.asarray(kg * r.normal(size=n) * np.sin(np.pi * np.linspace(0.0, 1.0, n)))


def feed_level(plan: Plan, flows: Flows) -> tuple[Array, list[Event]]:
    """True weight on the feed's scale over the grid, and the refills that it needed."""
    r = rng_of(plan.seed, plan.regime, plan.what, 99)
    t, used = flows.t, flows.used
    level = r.uniform(15.0, 40.0) - used
    refills: list[Event] = []
    after_s = 0.0
    while True:
        low_kg = r.uniform(4.0, 9.0)
        below = np.flatnonzero((level < low_kg) & (t > after_s))
        if len(below) == 0:
            break
        at_s = float(t[below[0]])
        kg = float(r.uniform(8.0, 20.0))
        if plan.target_kg_h > 100.0:
            kg *= 1.5
        length_s = float(r.uniform(2.0, 15.0))
        if plan.hand:
            at_s, length_s = _between_scoops(flows, at_s, length_s)
        level += np.clip((t - at_s) / length_s, 0.0, 1.0) * kg
        _add(level, at_s, np.abs(_fumble(r, length_s, r.uniform(0.0, 3.0))))
        refills.append(Event("refill", None, at_s, at_s + length_s, {"kg": kg}))
        after_s = at_s + length_s + 20.0
        if after_s > t[-1] - 30.0:
            break
    for at_s, _ in flows.scoops:  # the scoop digs: it presses, and lifts
        digging_s = r.uniform(0.4, 1.2)
        _add(level, at_s - digging_s, _fumble(r, digging_s + 0.2, r.uniform(0.2, 2.0)))
    return level + _forces(plan, r, t, -1), refills


def _between_scoops(flows: Flows, at_s: float, length_s: float) -> tuple[float, float]:
    """Begin and length of a refill by the person who also scoops: in the next pause that is long enough."""
    times = [scoop_s for scoop_s, _ in flows.scoops if scoop_s >= at_s - 15.0]
    for scoop_s, next_s in pairwise(times):
        pause_s = next_s - scoop_s - 3.5
        if scoop_s + 1.5 >= at_s and pause_s >= 2.0:
            return scoop_s + 1.5, min(length_s, pause_s)
    return at_s, length_s
