"""What the rules about the feed say on the test bay's feeds alone: quick, so that many can be played.

``python -m tests.bench.feed_bench [--set tuning] [--seeds 0:40] [--what quiet|ramp|pulsing] [--size 0.1]
[--hand] [-v]``

Only the feed's scale is read; the outlets are not weighed. ``quiet``: the classes busy, mass and frozen, with
hands, refills, stops and silences, and nothing wrong with the feed; every alarm without a stop near it counts
as false. ``ramp`` and ``pulsing``: the feed of each bay of class drift changes by ``size``, up and down in
turn; the delay is set against the bound of `testbay.limits` where there is one. All physics is assumed.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter
from dataclasses import replace

from logger.core import actions
from logger.core.bay import Bay
from logger.core.description import Bay as BayDescription
from logger.core.description import Channel, Feed, FeedKind, Outlet, Station
from logger.core.entries import Action, Finding, Reading
from tests.bench.testbay.indicator import STATUSES, UNITS, lines
from tests.bench.testbay.limits import drift_bound_s
from tests.bench.testbay.physics import DT_S, Array, Flows, _poured, _scooped, _wish
from tests.bench.testbay.plan import Event, Plan, plan, rng_of
from tests.bench.testbay.play import NS, RUN_AT_S, Alarm, alarms_of
from tests.bench.testbay.regimes import REGIMES
from tests.bench.testbay.scales import feed_level
from tests.bench.testbay.table import INF, poisson_95, quantile
from tests.bench.testbay.trace import EPOCH_S

import numpy as np  # isort: skip

KINDS = ("feed-drift", "feed-stopped", "feed-pulsing")
QUIET = ("busy", "mass", "frozen")
AFTER_S = 300.0


def fed(drawn: Plan) -> Flows:
    """What the test bay feeds by that plan, without its outlets."""
    r = rng_of(drawn.seed, drawn.regime, drawn.what, 1)
    t = np.arange(1, round(drawn.length_s / DT_S) + 1) * DT_S
    wish = _wish(drawn, r, t)
    used, scoops, _ = _scooped(drawn, r, t, wish) if drawn.hand else _poured(drawn, r, wish)
    return Flows(t, used, [], [], [], scoops)


def alarms(drawn: Plan) -> tuple[list[Alarm], tuple[Event, ...], Array]:
    """What is said of that feed, everything that happened to it, and what was used (kg, by 0.1 s)."""
    stream = fed(drawn)
    level, refills = feed_level(drawn, stream)
    shown = lines(drawn, drawn.feed_scale, stream.t, level, -1)
    kind = FeedKind.HOPPER  # what a configuration leaves unsaid
    station = Station("table", Feed(kind, "feed", drawn.target_kg_h), (Outlet("all"),))
    channel = Channel("feed", resolution_kg=drawn.feed_scale.resolution_kg)
    bay = Bay(BayDescription("bench", (station,), (channel,)))
    found: list[Finding] = list(bay.apply(Action((EPOCH_S + RUN_AT_S) * NS, actions.StartRun())))
    columns = (shown.at_ns, shown.number, shown.exp, shown.unit, shown.stable, shown.status)
    for at, number, exp, unit, stable, status in zip(*(c.tolist() for c in columns), strict=True):
        if at > RUN_AT_S * NS:
            at_ns = at + EPOCH_S * NS
            found += bay.apply(Reading(at_ns, "feed", number, exp, UNITS[unit], stable, STATUSES[status]))
    return alarms_of(found), (*drawn.events, *refills), stream.used


def changed(drawn: Plan, what: str, size: float) -> Plan:
    """The bay with that one change of the feed, and what else happens in it."""
    old = drawn.of("drift")[0]
    sign = 1.0 if drawn.seed % 2 else -1.0
    ramp_s = 300.0 + 600.0 * (drawn.seed * 0.618 % 1.0) if what == "ramp" else 0.0
    new = Event("drift", None, old.at_s, old.until_s, {"what": what, "size": sign * size, "ramp_s": ramp_s})
    return replace(drawn, events=tuple(new if e is old else e for e in drawn.events))


def _feed(drawn: Plan) -> str:
    return (
        f"[{'tub' if drawn.hand else 'hopper'} {drawn.target_kg_h:.0f} kg/h, wander {drawn.feed_wander:.3f} "
        f"{drawn.feed_wander_s:.0f} s, lumps {drawn.feed_lump_kg * 1000:.1f} g, auger {drawn.auger:.2f} "
        f"{drawn.auger_s:.1f} s, d {drawn.feed_scale.resolution_kg * 1000:g} g]"
    )


def quiet(args: argparse.Namespace, seeds: range) -> None:
    hours, said, false = 0.0, Counter[str](), Counter[tuple[str, bool]]()
    for what in QUIET:
        for seed in seeds:
            drawn = plan(seed, REGIMES[args.set], what)
            if args.hand is not None and drawn.hand != args.hand:
                continue
            hours += (drawn.length_s - drawn.feed_from_s) / 3600.0
            raised, events, used = alarms(drawn)
            for alarm in [a for a in raised if a.kind in KINDS]:
                said[alarm.kind] += 1
                if any(
                    e.kind == "feed-stop" and e.at_s - 5.0 <= alarm.at_s <= e.until_s + AFTER_S
                    for e in events
                ):
                    continue
                false[alarm.kind, drawn.hand] += 1
                a = max(min(alarm.since_s, alarm.at_s - 20.0), 0.0)
                mean = (used[round(alarm.at_s * 10) - 1] - used[round(a * 10)]) / (alarm.at_s - a) * 3600.0
                near = [
                    f"{e.kind}@{e.at_s:.0f}-{e.until_s:.0f}"
                    for e in events
                    if e.outlet in (None, -1) and e.at_s < alarm.at_s and e.until_s > a - 120.0
                ]
                print(f"{what} {seed} FALSE {alarm.kind} at {alarm.at_s:.0f} fed "
                      f"{mean / drawn.target_kg_h:.2f}, {near} {_feed(drawn)} {alarm.what} "
                      f"{alarm.evidence}")  # fmt: skip
                sys.stdout.flush()
    print(f"{args.set}, {hours:.0f} station-hours; said {dict(said)}")
    for (kind, hand), count in sorted(false.items()):
        low, high = (100.0 * x for x in poisson_95(count, hours))
        print(f"  {kind} {'tub' if hand else 'hopper'}: {count} false, "
              f"{100.0 * count / hours:.2f} [{low:.2f}, {high:.2f}] in 100 h")  # fmt: skip


def delays(args: argparse.Namespace, seeds: range) -> None:
    ratios, seen, unseen, wrong = [], [], 0, Counter[str]()
    kind = "feed-pulsing" if args.what == "pulsing" else "feed-drift"
    for seed in seeds:
        drawn = plan(seed, REGIMES[args.set], "drift")
        if args.hand is not None and drawn.hand != args.hand:
            continue
        drawn = changed(drawn, args.what, args.size)
        (event,) = drawn.of("drift")
        bound = None if drawn.hand or args.what == "pulsing" else drift_bound_s(drawn, event)
        raised, _, _ = alarms(drawn)
        hits = [a.at_s - event.at_s for a in raised if a.kind == kind and a.at_s >= event.at_s]
        wrong.update(a.kind for a in raised if a.kind in KINDS and (a.at_s < event.at_s or a.kind != kind))
        delay = hits[0] if hits else INF
        seen.append(delay)
        unseen += bound is None
        ratios += [delay / bound] if bound is not None else []
        if args.v:
            told = "-" if bound is None else f"{bound:.0f}"
            print(f"{seed} delay {delay:.0f} bound {told} ratio {delay / bound if bound else 0:.2f} "
                  f"{_feed(drawn)} {event.data}")  # fmt: skip
            sys.stdout.flush()
    if seen:
        missed = sum(delay == INF for delay in seen)
        print(f"{args.set} {args.what} {args.size:g}: {quantile(seen, 0.5):.0f} s / p90 "
              f"{quantile(seen, 0.9):.0f} s, not noticed {missed} of {len(seen)}")  # fmt: skip
    if ratios:
        print(f"  delay / bound {quantile(ratios, 0.5):.2f} / {quantile(ratios, 0.9):.2f} ({len(ratios)}, "
              f"{unseen} without a bound)")  # fmt: skip
    print(f"  before it, or of another kind: {dict(wrong)}")


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--set", choices=tuple(REGIMES), default="tuning")
    parser.add_argument("--seeds", default="0:40", help="A:B, of each class")
    parser.add_argument("--what", choices=("quiet", "ramp", "step", "pulsing"), default="quiet")
    parser.add_argument("--size", type=float, default=0.1)
    parser.add_argument("--hand", action="store_const", const=True)
    parser.add_argument("--hopper", dest="hand", action="store_const", const=False)
    parser.add_argument("-v", action="store_true")
    args = parser.parse_args()
    first, last = (int(x) for x in args.seeds.split(":"))
    began = time.perf_counter()
    (quiet if args.what == "quiet" else delays)(args, range(first, last))
    print(f"{time.perf_counter() - began:.0f} s")


if __name__ == "__main__":
    main()
