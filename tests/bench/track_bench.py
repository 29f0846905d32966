"""How well the tracks weigh a simulated bay, and how fast.

``python tests/bench/track_bench.py [seeds] [hours] [first seed] [kinds,of,trouble]``

Prints, over random bays with container changes, bumps, refills, clogs and feed troubles: the error of
the mass delivered as a share of it, how often it lies within twice its stated uncertainty, and
readings/s. Truth is what a true tally says (with lasting moisture where the container drains).
"""

from __future__ import annotations

import sys
import time
from dataclasses import dataclass

from logger.core.description import Channel, Container, ContainerKind, FeedKind
from logger.core.track.scale import ScaleTrack
from logger.core.track.view import Recognised
from logger.core.units import to_mg
from logger.simulator.draw import GREAT, SMALL, random_scenario
from logger.simulator.scenario import Outlet, Scenario
from logger.simulator.trace import Trace, make_trace


@dataclass
class Result:
    seed: int
    channel: str
    mass_kg: float
    true_kg: float
    u_kg: float
    estimated_kg: float
    kind: str  # of container
    swallowed: bool  # the scale was zeroed with the container on it, and tracks its zero
    events: list[Recognised]
    track: ScaleTrack

    @property
    def error(self) -> float:
        return (self.mass_kg - self.true_kg) / self.true_kg


def outlet_track(outlet: Outlet, told: bool) -> ScaleTrack:
    assert outlet.scale is not None
    kind = ContainerKind(outlet.vessel.kind)
    v = outlet.vessel
    container = (
        Container(kind, tare_low_kg=v.tare_low_kg, tare_high_kg=v.tare_high_kg) if told else Container(kind)
    )
    channel = Channel(outlet.name, resolution_kg=outlet.scale.resolution_kg)
    return ScaleTrack(channel, container, solids_density=outlet.density)


def tracks_of(scenario: Scenario, told: bool = False) -> dict[str, ScaleTrack]:
    tracks = {o.name: outlet_track(o, told) for o in scenario.outlets if o.scale is not None}
    if scenario.feed.scale is not None:
        channel = Channel("feed", resolution_kg=scenario.feed.scale.resolution_kg)
        kind = FeedKind(scenario.feed.kind)
        tracks["feed"] = ScaleTrack(channel, Container(), solids_density=None, feed=True, feed_kind=kind)
    return tracks


EPOCH_S = 1_700_000_000


def entries(trace: Trace) -> list[tuple[int, str, int, bool | None]]:
    """(ns, channel, mg, stable) of all mass readings."""
    out = []
    for line in trace.readings:
        if line.unit == "L/min":
            continue
        digits = line.value.partition(".")[2]
        mg = to_mg(int(line.value.replace(".", "")), -len(digits), line.unit)
        out.append((EPOCH_S * 10**9 + round(line.t_s * 1000) * 10**6, line.channel, mg, line.stable))
    return out


def drive(trace: Trace, tracks: dict[str, ScaleTrack]) -> tuple[dict[str, list[Recognised]], float, int]:
    """Play a trace through tracks; what each recognised, the seconds it took, the readings."""
    lines = entries(trace)
    events: dict[str, list[Recognised]] = {name: [] for name in tracks}
    now_s = EPOCH_S
    begin = time.process_time()
    for at_ns, channel, mg, stable in lines:
        while at_ns >= (now_s + 1) * 10**9:
            now_s += 1
            for name, track in tracks.items():
                events[name] += track.tick(now_s, None)
        tracks[channel].reading(at_ns, mg, stable)
    now_s += 1
    for name, track in tracks.items():
        events[name] += track.tick(now_s, None)
    return events, time.process_time() - begin, len(lines)


def results(seed: int, trace: Trace, told: bool = False) -> tuple[list[Result], float, int]:
    tracks = tracks_of(trace.scenario, told)
    events, took, count = drive(trace, tracks)
    out = []
    end = int(trace.duration_s)
    for name, track in tracks.items():
        true = trace.truth.used_kg if name == "feed" else trace.truth.reported_kg[name]
        mass, u, estimated = (x / 1e6 for x in track.tally(EPOCH_S + 30, EPOCH_S + end))
        outlet = next((o for o in trace.scenario.outlets if o.name == name), None)
        scale = trace.scenario.feed.scale if outlet is None else outlet.scale
        kind = trace.scenario.feed.kind if outlet is None else outlet.vessel.kind
        swallowed = scale is not None and scale.zero_tracking and scale.zeroed_on_tare
        out.append(
            Result(seed, name, mass, true[end] - true[30], u, estimated, kind, swallowed, events[name], track)
        )
    return out, took, count


def main(seeds: int, hours: float, first: int = 0, kinds: tuple[str, ...] = GREAT + SMALL) -> None:
    every: list[Result] = []
    took, count = 0.0, 0
    for seed in range(first, first + seeds):
        duration = hours * 3600
        trace = make_trace(random_scenario(seed, duration, kinds=kinds), seed, duration)
        found, seconds, readings = results(seed, trace)
        every += found
        took, count = took + seconds, count + readings
    outlets = [r for r in every if r.channel != "feed"]
    watched = [r for r in outlets if not r.swallowed]  # not zeroed under its container while tracking zero
    groups = [("outlets", outlets), ("  that a trickle is seen at", watched)]
    groups += [(f"    {k}", [r for r in watched if r.kind == k]) for k in ("drains", "brim-full", "retains")]
    still = [r for r in watched if not any(e.what.startswith("container") for e in r.events)]
    groups.append(("    no container off", still))
    groups += [(k, [r for r in every if r.channel == "feed" and r.kind == k]) for k in ("hopper", "tub")]
    for what, part in groups:
        report(what, part)
    print(f"{count / took:,.0f} readings/s over {count} readings")
    for r in sorted(every, key=lambda r: -abs(r.mass_kg - r.true_kg) / max(r.u_kg, 1e-9))[:12]:
        off = (r.mass_kg - r.true_kg) * 1000
        print(f"  seed {r.seed} {r.channel}: {r.true_kg:.3f} kg, off {off:+.0f} g, u {r.u_kg * 1000:.0f} g")


def report(what: str, part: list[Result]) -> None:
    if not part:
        return
    errors = sorted(abs(r.error) for r in part)
    within = sum(abs(r.mass_kg - r.true_kg) <= 2 * r.u_kg for r in part)
    n = len(errors)
    median, p90 = errors[n // 2], errors[min(n - 1, int(0.9 * n))]
    print(
        f"{what}: {n} traces, error median {median:.3%}, p90 {p90:.3%}, worst {errors[-1]:.2%}; "
        f"within 2u {within / n:.0%}"
    )


if __name__ == "__main__":
    arguments = sys.argv[1:]
    main(
        int(arguments[0]) if arguments else 12,
        float(arguments[1]) if len(arguments) > 1 else 1.0,
        int(arguments[2]) if len(arguments) > 2 else 0,
        tuple(arguments[3].split(",")) if len(arguments) > 3 else GREAT + SMALL,
    )
