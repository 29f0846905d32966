"""How well masses and rates are known, by what happened meanwhile, on the test bay of `tests.bench.testbay`.

Run by hand: ``python -m tests.bench.mass_bench --set tuning --seeds 0:10 [--classes mass,busy,frozen,tub]``.

Every event that stands alone gives a span from half a minute before it to a minute after it (after the
pour, where the product was caught); undisturbed time is cut into spans of five minutes. A span's error is
given in grams and in multiples of its *floor*: the standard uncertainty of the best estimate that has the
true parameters (`best_kg`); ``best`` is the median multiple over 0.67, that of a normal error: 1 is the
best there is. ``1u`` and ``2u`` are the shares of spans whose error
lies within the uncertainty stated (true: 68 % and 95 %), ``bias`` the mean error in standard errors of it.
A rate is the truth's mean over the window that the track chose, lumps left out, looked at once a minute.
Tune on the set ``tuning``, report on ``report``.
"""

from __future__ import annotations

import argparse
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np

from logger.core import actions
from logger.core.bay import Bay
from logger.core.entries import Action
from logger.core.track.view import TrackState
from tests.bench.testbay.plan import CLASSES, Event, ScaleSpec
from tests.bench.testbay.play import NS, RUN_AT_S, described
from tests.bench.testbay.trace import EPOCH_S, Trace, make

BEFORE_S, AFTER_S, STRETCH_S = 30, 60, 300
CALM_MARGIN_S = 40
LEARN_S = 150  # from the feed's coming, before anything is looked at
RATE_EVERY_S = 60


@dataclass(frozen=True)
class Span:
    """What is to be looked at when ``to_s`` has come."""

    channel: str
    cause: str
    from_s: int
    to_s: int


@dataclass
class Errors:
    """Of one cause: error, stated uncertainty, floor and true mass (kg, or kg/h for rates)."""

    rows: list[tuple[float, float, float, float]] = field(default_factory=list)

    def line(self, name: str) -> str:
        error, u, floor, true = (np.array(column) for column in zip(*self.rows, strict=True))
        off, n = np.abs(error), len(error)
        relative = off / np.maximum(np.abs(true), 1e-6)
        multiple = off / np.maximum(floor, 1e-9)
        z = error / np.maximum(u, 1e-9)
        bias = float(error.mean() / max(error.std() / n**0.5, 1e-12)) if n > 1 else 0.0
        return (
            f"{name:34} {n:5} {np.median(relative):8.2%} {np.quantile(relative, 0.9):8.2%} "
            f"{np.median(off) * 1e3:8.1f} {np.quantile(off, 0.9) * 1e3:8.1f} "
            f"{np.median(multiple):6.1f} {np.quantile(multiple, 0.9):7.1f} "
            f"{np.median(multiple) / 0.6745:5.2f} "
            f"{np.mean(np.abs(z) <= 1):5.0%} {np.mean(np.abs(z) <= 2):5.0%} {bias:+5.1f}"
        )


HEAD = (
    f"{'cause':34} {'n':>5} {'median':>8} {'p90':>8} {'med g':>8} {'p90 g':>8} "
    f"{'floors':>6} {'p90':>7} {'best':>5} {'1u':>5} {'2u':>5} {'bias':>5}"
)


def floor_kg(scale: ScaleSpec) -> float:
    """Two levels, each with the resolution's d^2/12 and the noise of a second's readings."""
    noise = (scale.sigma_kg**2 + scale.vibration_kg**2 / 2.0) / scale.hz + scale.slow_kg**2
    return float((2.0 * (scale.resolution_kg**2 / 12.0 + noise)) ** 0.5)


def best_kg(trace: Trace, span: Span, scale: ScaleSpec) -> float:
    """Standard uncertainty of a span's mass by the best estimate with the true parameters.

    A level that moves by lumps is a random walk of q = phi * rate a second, its readings' second-means have
    the variance r. The Kalman filter knows the end to (sqrt(q^2 + 4 q r) - q) / 2 and the smoother the
    beginning to q r / sqrt(q^2 + 4 q r), but no better than the mean of the span's readings. Noise of minutes
    stays. Of what passed during a change or a refill the lumps and the wander can't be known; where the base
    moved, two more levels count. Vibration counts as white noise, the rate and the water are known.
    """
    outlet = None if span.channel == "feed" else trace.outlet(span.channel)
    true, length_s = trace.mass_kg(span.channel, span.from_s, span.to_s), span.to_s - span.from_s
    lump = outlet.all_phi_kg if outlet else 0.0 if trace.plan.hand else trace.plan.feed_lump_kg
    shown = 1.0 if outlet is None or outlet.density is None else 1.0 - 1.0 / outlet.density
    q = max(lump * true / length_s * shown**2, 1e-15)
    white = scale.sigma_kg**2 + scale.vibration_kg**2 / 2.0 + scale.resolution_kg**2 / 12.0
    r = white / scale.hz
    root = (q * q + 4.0 * q * r) ** 0.5
    ends = max((root - q) / 2.0, r / length_s) + max(q * r / root, r / length_s)
    slow = 2.0 * scale.slow_kg**2 * (1.0 - float(np.exp(-length_s / 200.0)))
    moved = span.cause.split(": ")[1] in ("change, product lost", "tare pressed", "sample", "refill")
    variance = (ends * (2.0 if moved else 1.0) + slow) / shown**2
    if "product lost" in span.cause or "refill" in span.cause:
        gap_kg = true * (length_s - BEFORE_S - AFTER_S) / length_s
        variance += lump * gap_kg + ((outlet.wander if outlet else trace.plan.feed_wander) * gap_kg) ** 2
    return float(variance**0.5)


def _reach(e: Event) -> tuple[float, float]:
    """Where an event begins and ends, its pour included."""
    return e.at_s, e.until_s + (e.data["pour_after_s"] if e.kind == "change" and e.data["caught"] else 0.0)


def _cause(e: Event) -> str:
    if e.kind == "change":
        return "change, product caught" if e.data["caught"] else "change, product lost"
    return {"tare": "tare pressed", "unit": "unit changed"}.get(e.kind, e.kind)


def spans(trace: Trace, channel: str, number: int) -> list[Span]:
    """``number``: of the outlet, -1 the feed."""
    plan, first = trace.plan, int(trace.plan.feed_from_s) + LEARN_S
    kind = ""
    if number >= 0:
        kind = ", brim-full" if plan.outlets[number].density is not None else ", draining"
    who = "feed" if number < 0 else "outlet"
    if plan.hand:
        who += " (tub)"
    own = [e for e in trace.events if e.outlet == number or (number < 0 and e.kind == "refill")]
    found = []
    for e in own:
        begin, end = _reach(e)
        a, b = int(begin) - BEFORE_S, int(end) + AFTER_S
        alone = all(o is e or o.at_s > b or _reach(o)[1] < a for o in own)
        if alone and a > first and b < plan.length_s - 5:
            found.append(Span(channel, f"{who}: {_cause(e)}", a, b))
    for a in range(first, plan.length_s - STRETCH_S - 5, STRETCH_S):
        near, far = a - CALM_MARGIN_S, a + STRETCH_S + 5
        if all(_reach(e)[1] < near or e.at_s > far for e in own):
            found.append(Span(channel, f"{who}: undisturbed{kind}", a, a + STRETCH_S))
    return found


def look(trace: Trace, into: dict[str, Errors], worst: list[tuple[float, str]]) -> None:
    """Play a trace; what was weighed of every span as soon as it is over, and the rates."""
    plan = trace.plan
    bay = Bay(described(trace, told=True))
    scales = {"feed": plan.feed_scale} | {o.name: o.scale for o in plan.outlets}
    due = [s for k, name in enumerate(scales) for s in spans(trace, name, k - 1)]
    due.sort(key=lambda s: s.to_s)
    floors = {name: floor_kg(scale) for name, scale in scales.items()}
    second = 0
    started = False
    for reading in trace.readings():
        if not started and reading.at_ns >= (EPOCH_S + RUN_AT_S) * NS:
            started = True
            bay.apply(Action((EPOCH_S + RUN_AT_S) * NS, actions.StartRun()))
        bay.apply(reading)
        now_s = reading.at_ns // NS - EPOCH_S
        if now_s == second:
            continue
        second = now_s
        while due and due[0].to_s <= now_s:
            span = due.pop(0)
            _weigh(trace, bay, span, best_kg(trace, span, scales[span.channel]), into, worst)
        if now_s % RATE_EVERY_S == 0 and now_s > plan.feed_from_s + LEARN_S:
            _rates(trace, bay, now_s, floors, into)


def _weigh(
    trace: Trace,
    bay: Bay,
    span: Span,
    floor: float,
    into: dict[str, Errors],
    worst: list[tuple[float, str]],
) -> None:
    track = bay.channels[span.channel].now.track
    assert track is not None
    mass, u, _ = (x / 1e6 for x in track.tally(EPOCH_S + span.from_s, EPOCH_S + span.to_s))
    true = trace.mass_kg(span.channel, span.from_s, span.to_s)
    into[span.cause].rows.append((mass - true, u, floor, true))
    plan = trace.plan
    text = (
        f"{plan.regime.name} {plan.what} {plan.seed} {span.channel} {span.cause} {span.from_s}-{span.to_s}: "
        f"{true:.3f} kg, off {1e3 * (mass - true):+.0f} g, u {1e3 * u:.0f} g"
    )
    worst.append((abs(mass - true) / max(u, 1e-9), text))


def _rates(trace: Trace, bay: Bay, now_s: int, floors: dict[str, float], into: dict[str, Errors]) -> None:
    hand = " (tub)" if trace.plan.hand else ""
    for spec in trace.plan.outlets:
        track = bay.channels[spec.name].now.track
        assert track is not None
        view = track.view
        window = int(view.rate_window_s)
        if view.state is not TrackState.STEADY or now_s - view.steady_since_s + EPOCH_S < window + 5:
            continue
        true = 3600.0 * trace.rate_kg_s(spec.name, now_s - window, now_s)
        rate, u = view.rate_mg_s * 3.6e-3, view.u_rate_mg_s * 3.6e-3
        floor = floors[spec.name] * 3600.0 / window
        into[f"rate of an outlet{hand}"].rows.append((rate - true, u, floor, true))


def report(into: dict[str, Errors], worst: list[tuple[float, str]], count: int) -> None:
    print(HEAD)
    for cause in sorted(into):
        print(into[cause].line(cause))
    print("worst, by error over uncertainty:")
    for z, text in sorted(worst, reverse=True)[:count]:
        print(f"  {z:5.1f} u  {text}")


def main(arguments: Iterable[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n")[0] if __doc__ else "")
    parser.add_argument("--set", choices=("tuning", "report"), default="tuning")
    parser.add_argument("--seeds", default="0:6", help="from:to")
    parser.add_argument("--classes", default="mass,busy,frozen,tub")
    parser.add_argument("--worst", type=int, default=12)
    told = parser.parse_args(None if arguments is None else list(arguments))
    first, last = (int(part) for part in told.seeds.split(":"))
    into: dict[str, Errors] = defaultdict(Errors)
    worst: list[tuple[float, str]] = []
    for what in told.classes.split(","):
        if what not in CLASSES:
            parser.error(f"there is no class {what}; known are {', '.join(CLASSES)}")
        for seed in range(first, last):
            look(make(seed, told.set, what), into, worst)
    report(into, worst, told.worst)


if __name__ == "__main__":
    main()
