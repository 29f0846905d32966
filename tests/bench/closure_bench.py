"""What the balance of a run and the empty pans say on the test bay: false alarms, and faults put in.

``python -m tests.bench.closure_bench [--set tuning] [--seeds 0:20] [--classes busy,mass]
[--fault none|beside|zero] [--size 0.2]``

Every container's kind is told. ``none``: any alarm of `masses-not-closing` or `zero-drifted` is false.
``beside``: of what comes to the largest outlet ``size`` runs beside its container, from the start. ``zero``:
each outlet's scale shows 20 g and 4 steps more from a minute after a container change on; counted where a
change came before it and another after it. All physics is assumed.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter
from dataclasses import replace
from statistics import median

from logger.core import actions
from logger.core.bay import Bay
from logger.core.description import Bay as BayDescription
from logger.core.description import Container, ContainerKind
from logger.core.entries import Action, Finding
from tests.bench.testbay.plan import CLASSES
from tests.bench.testbay.play import NS, RUN_AT_S, Alarm, alarms_of, described
from tests.bench.testbay.table import poisson_95
from tests.bench.testbay.trace import EPOCH_S, Trace, make

KINDS = ("masses-not-closing", "zero-drifted")


def told(trace: Trace) -> BayDescription:
    """The description, every container's kind with it."""
    bay = described(trace)
    (station,) = bay.stations
    drains = Container(ContainerKind.DRAINS)
    outlets = tuple(
        replace(o, container=drains) if o.container.kind is ContainerKind.UNKNOWN else o
        for o in station.outlets
    )
    return replace(bay, stations=(replace(station, outlets=outlets),))


def beside(trace: Trace, size: float) -> None:
    """Let a part of what comes to the largest outlet miss its container."""
    largest = max(trace.plan.outlets, key=lambda spec: spec.share)
    lines = trace.lines[largest.name]
    # A scale that shows less of everything, tares too: as if so much of each gram ran beside.
    lines.number[:] = (lines.number * (1.0 - size)).round().astype(lines.number.dtype)


def moved(trace: Trace) -> dict[str, float]:
    """Move the zeros while containers stand there; when, for each outlet where it can be seen."""
    found = {}
    for k, spec in enumerate(trace.plan.outlets):
        changes = [e for e in trace.events if e.kind == "change" and e.outlet == k]
        changes = [e for e in changes if e.at_s > 0.4 * trace.plan.length_s]
        if len(changes) < 2 or len([e for e in trace.events if e.kind == "change" and e.outlet == k]) < 3:
            continue
        lines, at_s = trace.lines[spec.name], changes[0].until_s + 60.0
        step = round(spec.scale.resolution_kg * 1000)
        by = 4 * step + -(-20 // step) * step
        lines.number[lines.at_ns >= at_s * NS] += by
        found[spec.name] = at_s
    return found


def play(trace: Trace) -> list[Alarm]:
    bay = Bay(told(trace))
    found: list[Finding] = []
    started = False
    for reading in trace.readings():
        if not started and reading.at_ns >= (EPOCH_S + RUN_AT_S) * NS:
            started = True
            found += bay.apply(Action((EPOCH_S + RUN_AT_S) * NS, actions.StartRun()))
        found += bay.apply(reading)
    return [alarm for alarm in alarms_of(found) if alarm.kind in KINDS]


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--set", choices=("tuning", "report"), default="tuning")
    parser.add_argument("--seeds", default="0:20")
    parser.add_argument("--classes", default="busy,mass", help=", ".join(CLASSES))
    parser.add_argument("--fault", choices=("none", "beside", "zero"), default="none")
    parser.add_argument("--size", type=float, default=0.2, help="what runs beside, of the largest outlet")
    args = parser.parse_args()
    first, last = (int(x) for x in args.seeds.split(":"))
    hours, outlet_hours, began = 0.0, 0.0, time.perf_counter()
    raised, traces, faults, seen = Counter[str](), 0, 0, list[float]()
    for what in args.classes.split(","):
        for seed in range(first, last):
            trace = make(seed, args.set, what)
            hours += trace.plan.length_s / 3600.0
            outlet_hours += trace.plan.length_s * (1 + len(trace.plan.outlets)) / 3600.0
            traces += 1
            zeros = moved(trace) if args.fault == "zero" else {}
            if args.fault == "beside":
                beside(trace, args.size)
                faults += 1
            faults += len(zeros)
            for alarm in play(trace):
                if args.fault == "beside" and alarm.kind == KINDS[0]:
                    seen.append(alarm.at_s - trace.plan.feed_from_s)
                elif zeros.get(alarm.subject, 1e9) < alarm.at_s and alarm.kind == KINDS[1]:
                    seen.append(alarm.at_s - zeros[alarm.subject])
                else:
                    raised[alarm.kind] += 1
                    print(f"{what} {seed} FALSE {alarm.kind} {alarm.subject} {alarm.at_s:.0f} {alarm.what} "
                          f"{alarm.evidence}")  # fmt: skip
                sys.stdout.flush()
    print(f"{args.set}, {traces} traces, {hours:.0f} station-hours, {outlet_hours:.0f} scale-hours")
    for kind, per in zip(KINDS, (hours, outlet_hours), strict=True):
        low, high = (100.0 * x for x in poisson_95(raised[kind], per))
        rate = 100.0 * raised[kind] / per
        print(f"  {kind}: {raised[kind]} false, {rate:.2f} [{low:.2f}, {high:.2f}] in 100 h")
    if faults:
        print(
            f"  {args.fault}: {len(seen)} noticed of {faults}, after {median(seen or [0.0]):.0f} s (median)"
        )
    print(f"{time.perf_counter() - began:.0f} s")


if __name__ == "__main__":
    main()
