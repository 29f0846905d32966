"""How soon the whole fold notices a plugged outlet in simulated bays, and how often it cries wolf.

``python tests/bench/notice_bench.py [seeds] [hours] [first seed] [--told] [--faults] [--calm] [--unweighed]
[--feed hopper|tub] [-v]``

Plays seeded traces through `core.bay.Bay` and compares its alarms with the truth: delay of full, gradual
and partial clogs against `notice.noticed_in_s` with the true rate, lumps and noise; missed ones; false
alarms by kind and by what happened in the two minutes before. ``--told``: expected shares are configured.
All physics is assumed; no recording of a real table was used.
"""

from __future__ import annotations

import argparse
import pickle
import time
from collections import Counter
from dataclasses import dataclass, field
from math import isfinite
from pathlib import Path
from statistics import median
from typing import Any

from logger.core import actions
from logger.core.bay import Bay
from logger.core.description import Bay as BayDescription
from logger.core.description import Channel, Container, ContainerKind, Feed, FeedKind, Outlet, Station, Water
from logger.core.entries import Action, Finding, Reading
from logger.core.rules.notice import noise_density, noticed_in_s
from logger.simulator.bay import Event
from logger.simulator.draw import ALL, GREAT, SMALL, random_scenario
from logger.simulator.scenario import Scenario
from logger.simulator.trace import Trace, make_trace

EPOCH_S = 1_700_000_000
OUTLET_KINDS = ("outlet-not-delivering", "outlet-slow")


def described(scenario: Scenario, told: bool, weighed: bool = True) -> BayDescription:
    """The configuration that a careful operator would write for a simulated bay."""
    channels = []
    outlets = []
    for o in scenario.outlets:
        v = o.vessel
        container = Container(
            ContainerKind(v.kind),
            tare_low_kg=v.tare_low_kg,
            tare_high_kg=v.tare_high_kg,
            full_kg=v.full_kg if v.full_kg < 1e6 else None,
        )
        if o.scale is not None:
            channels.append(
                Channel(o.name, resolution_kg=o.scale.resolution_kg, capacity_kg=o.scale.capacity_kg)
            )
        outlets.append(
            Outlet(
                o.name,
                None if o.scale is None else o.name,
                container,
                o.density,
                expected_share=o.share if told else None,
            )
        )
    feed = Feed()
    if scenario.feed.scale is not None and weighed:
        channels.append(
            Channel(
                "feed",
                resolution_kg=scenario.feed.scale.resolution_kg,
                capacity_kg=scenario.feed.scale.capacity_kg,
            )
        )
        feed = Feed(FeedKind(scenario.feed.kind), "feed", scenario.feed.target_kg_h)
    waters: tuple[Water, ...] = ()
    if scenario.water is not None:
        w = scenario.water
        channels.append(Channel(w.name, "flow", "L/min", resolution_kg=w.resolution_l_min))
        waters = (Water(w.name, w.name, 0.8 * w.flow_l_min, 1.2 * w.flow_l_min),)
    return BayDescription("bench", (Station("table", feed, tuple(outlets), waters),), tuple(channels))


@dataclass
class Alarm:
    kind: str
    subject: str
    at_s: float
    since_s: float
    what: str
    until_s: float = float("inf")
    evidence: dict[str, Any] = field(default_factory=dict)
    ended: dict[str, Any] = field(default_factory=dict)  # what was known when it cleared


def fold(trace: Trace, told: bool, weighed: bool = True) -> tuple[list[Alarm], Bay, float]:
    """All alarms raised, the bay after the last reading, seconds taken."""
    bay = Bay(described(trace.scenario, told, weighed))
    begin = time.perf_counter()
    found: list[Finding] = []
    started = False
    for line in trace.readings:
        at_ns = EPOCH_S * 10**9 + round(line.t_s * 1000) * 10**6
        if not started and line.t_s > max(trace.scenario.feed_from_s - 30.0, 1.0):
            started = True
            found += bay.apply(Action(at_ns, actions.StartRun()))
        whole, _, part = line.value.partition(".")
        number = int(whole + part)
        found += bay.apply(Reading(at_ns, line.channel, number, -len(part), line.unit, line.stable))
    took = time.perf_counter() - begin
    alarms: list[Alarm] = []
    for finding in found:
        if finding.kind != "alarm":
            continue
        data, at_s = finding.data, finding.at_ns / 1e9 - EPOCH_S
        if data["state"] == "raised":
            alarms.append(
                Alarm(
                    data["kind"],
                    data["subject"],
                    at_s,
                    data["since_s"] - EPOCH_S,
                    data["what"],
                    evidence=data["evidence"],
                )
            )
        elif data["state"] in ("cleared", "suppressed"):
            for alarm in reversed(alarms):
                if (alarm.kind, alarm.subject) == (data["kind"], data["subject"]):
                    alarm.until_s = min(alarm.until_s, at_s)
                    alarm.ended = alarm.ended or data["evidence"]
                    break
    return alarms, bay, took


def bound_s(trace: Trace, outlet: str, at_s: float, blocked: float) -> float | None:
    """`noticed_in_s` with what is true of that outlet."""
    o = next(o for o in trace.scenario.outlets if o.name == outlet)
    assert o.scale is not None
    before = int(at_s)
    rate = trace.truth.rate_kg_h(outlet, max(before - 300, 0), before) / 3.6e-3
    sigma = (o.scale.noise_kg**2 + o.scale.vibration_kg**2 / 2.0) ** 0.5 * 1e6
    noise = noise_density(sigma, o.scale.resolution_kg * 1e6, 1.0 / (o.scale.rate_hz or 5.0))
    gain = 1.0 if o.vessel.kind != "brim-full" else 1.0 - 1.0 / o.density
    return noticed_in_s(rate * gain, o.dispersion_g * 1e3 * gain, noise, blocked)


@dataclass
class Score:
    ratios: dict[str, list[float]] = field(default_factory=dict)
    delays: dict[str, list[float]] = field(default_factory=dict)
    missed: Counter[str] = field(default_factory=Counter)
    hopeless: Counter[str] = field(default_factory=Counter)
    false: list[tuple[int, Alarm, str]] = field(default_factory=list)
    outlet_h: float = 0.0
    feed: Counter[str] = field(default_factory=Counter)
    feed_delays: dict[str, list[float]] = field(default_factory=dict)
    near: list[str] = field(default_factory=list)


def kind_of(event: Event, trace: Trace) -> str:
    blocked, ramp = float(event.data.get("blocked", 1.0)), float(event.data.get("ramp_s", 0.0))
    what = "partial" if blocked < 1.0 else "gradual" if ramp > 0.0 else "full"
    return f"{what} {trace.scenario.feed.kind}"


def score(seed: int, trace: Trace, alarms: list[Alarm], total: Score, verbose: bool) -> None:
    end_s = trace.duration_s
    clogs = [e for e in trace.events if e.kind == "clog"]
    explained: set[int] = set()
    for event in clogs:
        until = min(event.until_s or end_s, end_s)
        kind = kind_of(event, trace)
        bound = bound_s(trace, event.subject, event.at_s, float(event.data.get("blocked", 1.0)))
        hits = [
            a for a in alarms
            if a.subject == event.subject and a.kind in OUTLET_KINDS and event.at_s <= a.at_s <= until + 60.0
        ]  # fmt: skip
        explained |= {id(a) for a in hits}
        ramp = float(event.data.get("ramp_s", 0.0))
        # A gradual clog can't be seen before much of it is there: half its ramp is granted.
        if bound is None or bound > 0.6 * (until - event.at_s):
            total.hopeless[kind] += 1
            verdict = f"hopeless ({bound})"
        elif hits and hits[0].at_s <= until:
            delay = hits[0].at_s - event.at_s
            total.delays.setdefault(kind, []).append(delay)
            total.ratios.setdefault(kind, []).append(delay / (bound + 0.5 * ramp))
            verdict = f"{delay:.0f} s, bound {bound:.0f} (+{0.5 * ramp:.0f}) {hits[0].kind}"
        else:
            total.missed[kind] += 1
            total.ratios.setdefault(kind, []).append(float("inf"))
            verdict = f"MISSED, bound {bound:.0f} of {until - event.at_s:.0f} s"
        if verbose:
            print(f"  seed {seed} {kind:16} {event.subject:12} at {event.at_s:.0f}: {verdict}")
    total.outlet_h += sum(o.scale is not None for o in trace.scenario.outlets) * end_s / 3600.0
    for alarm in alarms:
        if alarm.kind in OUTLET_KINDS and id(alarm) not in explained:
            total.false.append((seed, alarm, blame(trace, alarm)))
        elif alarm.kind not in OUTLET_KINDS:
            total.feed[alarm.kind] += 1
            if alarm.kind.startswith(("feed", "instrument", "unit")):
                judge_other(seed, trace, alarm, total, verbose)
    stops = [
        e for e in trace.events if e.kind in ("feed-stop", "feed-drift", "frozen", "silent", "unit-changed")
    ]
    names = {
        "feed-stop": "feed-stopped",
        "feed-drift": "feed-drift",
        "frozen": "instrument-frozen",
        "silent": "instrument-silent",
        "unit-changed": "unit-changed",
    }
    for event in stops:
        kind = names[event.kind]
        until = (event.until_s or end_s) + 60.0
        subject = "feed" if event.kind.startswith("feed") else event.subject
        first = [
            a for a in alarms if a.kind == kind and a.subject == subject and event.at_s <= a.at_s <= until
        ]
        label = f"{kind} {trace.scenario.feed.kind}"
        if event.kind == "feed-drift":
            label += f" {'10-20' if abs(float(event.data.get('factor', 1.0)) - 1.0) < 0.2 else '20-30'} %"
        total.feed_delays.setdefault(label, []).append(first[0].at_s - event.at_s if first else float("inf"))


def judge_other(seed: int, trace: Trace, alarm: Alarm, total: Score, verbose: bool) -> None:
    """False alarms of the other kinds: no such trouble within reach."""
    causes = {
        "feed-stopped": ("feed-stop",),
        "feed-drift": ("feed-drift", "feed-stop", "pulsing"),
        "instrument-silent": ("silent", "unplugged", "garbled"),
        "instrument-frozen": ("frozen",),
        "unit-changed": ("unit-changed",),
    }[alarm.kind]
    for event in trace.events:
        if event.kind in causes and event.at_s - 5 <= alarm.at_s <= (event.until_s or 1e9) + 300.0:
            return
    total.near.append(alarm.kind)
    if verbose:
        print(
            f"  seed {seed} FALSE {alarm.kind} {alarm.subject} at {alarm.at_s:.0f}: "
            f"{alarm.what} {last(trace, alarm)}"
        )


def last(trace: Trace, alarm: Alarm) -> str:
    near = [
        e
        for e in trace.events
        if alarm.since_s - 120 <= e.at_s <= alarm.at_s or (e.at_s < alarm.at_s < (e.until_s or 0) + 60)
    ]
    return ", ".join(f"{e.kind}/{e.subject}@{e.at_s:.0f}-{e.until_s and round(e.until_s)}" for e in near[-5:])


def blame(trace: Trace, alarm: Alarm) -> str:
    """What happened within the alarm's window and two minutes before."""
    found = [
        e.kind
        for e in trace.events
        if (e.kind in ("feed-stop", "feed-drift", "clog") or e.subject in (alarm.subject, "feed"))
        and (alarm.since_s - 120 <= e.at_s <= alarm.at_s or e.at_s < alarm.at_s < (e.until_s or 0.0) + 120)
    ]
    return found[-1] if found else "nothing"


def spread(values: list[float]) -> str:
    ranked = sorted(values)
    p90 = ranked[min(len(ranked) - 1, int(0.9 * len(ranked)))]
    return f"median {median(ranked):6.2f}  p90 {p90:6.2f}  (n {len(ranked)})"


def report(total: Score) -> None:
    print(f"outlet-hours: {total.outlet_h:.0f}")
    for kind in sorted(total.ratios):
        delays = total.delays.get(kind, [float("nan")])
        print(
            f"{kind:18} delay / bound {spread(total.ratios[kind])}  median delay {median(delays):.0f} s, "
            f"missed {total.missed[kind]}, below notice {total.hopeless[kind]}"
        )
    n = len(total.false)
    print(f"false outlet alarms: {n}, {100.0 * n / total.outlet_h:.2f} in 100 outlet-hours")
    print("  by cause:", dict(Counter((a.kind, cause) for _, a, cause in total.false)))
    print("other alarms:", dict(total.feed), " false:", dict(Counter(total.near)))
    for label, delays in sorted(total.feed_delays.items()):
        seen = [d for d in delays if isfinite(d)]
        print(f"  {label:30} seen {len(seen)} of {len(delays)}, {spread(delays)}")


def cached(seed: int, hours: float, kinds: tuple[str, ...], feed: str | None, cache: str | None) -> Trace:
    """A trace, from ``cache`` (a folder) if it was drawn before."""
    duration = hours * 3600.0
    path = None if cache is None else Path(cache) / f"{seed}-{hours:g}-{feed}-{len(kinds)}.pickle"
    if path is not None and path.exists():
        found: Trace = pickle.loads(path.read_bytes())
        return found
    trace = make_trace(random_scenario(seed, duration, kinds=kinds, feed=feed), seed, duration)
    if path is not None:
        path.write_bytes(pickle.dumps(trace))
    return trace


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("seeds", type=int, nargs="?", default=10)
    parser.add_argument("hours", type=float, nargs="?", default=1.0)
    parser.add_argument("first", type=int, nargs="?", default=0)
    parser.add_argument("--told", action="store_true", help="expected shares are configured")
    parser.add_argument("--faults", action="store_true", help="instruments fail as well")
    parser.add_argument("--calm", action="store_true", help="nothing happens at all")
    parser.add_argument("--unweighed", action="store_true", help="the feed has no scale")
    parser.add_argument("--feed", choices=("hopper", "tub"))
    parser.add_argument("--cache", help="folder that keeps the traces")
    parser.add_argument("-v", action="store_true")
    told = parser.parse_args()
    kinds = () if told.calm else ALL if told.faults else GREAT + SMALL
    total, took, count = Score(), 0.0, 0
    for seed in range(told.first, told.first + told.seeds):
        trace = cached(seed, told.hours, kinds, told.feed, told.cache)
        try:
            alarms, _, seconds = fold(trace, told.told, not told.unweighed)
        except (TypeError, ValueError, ZeroDivisionError) as broken:  # say which, and go on
            print(f"  seed {seed} BROKEN: {broken!r}")
            continue
        took, count = took + seconds, count + len(trace.readings)
        before = len(total.false)
        score(seed, trace, alarms, total, told.v)
        for _, alarm, cause in total.false[before:]:
            print(
                f"  seed {seed} FALSE {alarm.kind} {alarm.subject} "
                f"{alarm.since_s:.0f}..{alarm.at_s:.0f} ({cause}) "
                f"{alarm.evidence} [{last(trace, alarm)}]"
            )
    report(total)
    print(
        f"{count / took:.0f} readings/s, "
        f"{took / (told.seeds * told.hours * 3600) * 1e6:.0f} us a station second"
    )


if __name__ == "__main__":
    main()
