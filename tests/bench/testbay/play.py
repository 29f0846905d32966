"""Plays a trace through `core.bay.Bay`, as told to it by resolution, target feed and outlet names alone."""

from __future__ import annotations

import json
import time
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from logger.core import actions
from logger.core.bay import Bay
from logger.core.description import Bay as BayDescription
from logger.core.description import Channel, Container, ContainerKind, Feed, FeedKind, Outlet, Station
from logger.core.entries import Action, Finding
from tests.bench.testbay.plan import OutletSpec
from tests.bench.testbay.trace import EPOCH_S, Trace

NS = 10**9
RUN_AT_S = 2  # the run is opened; the feed comes later


@dataclass
class Alarm:
    kind: str
    subject: str
    at_s: float
    since_s: float
    what: str
    until_s: float = float("inf")
    evidence: dict[str, Any] = field(default_factory=dict)


@dataclass
class Played:
    """What Tallydeck made of a trace: alarms, tally, and each outlet's stated notice before its clogs.

    ``took_s`` is processor time, of the fold alone: what else the machine has to do is not in it.
    """

    alarms: list[Alarm]
    tally: dict[str, Any]
    stated_s: dict[tuple[str, float], float | None]  # (outlet, at) -> s
    took_s: float
    readings: int


def described(trace: Trace, told: bool = False) -> BayDescription:
    plan = trace.plan
    channels = [Channel("feed", resolution_kg=plan.feed_scale.resolution_kg)]
    channels += [Channel(o.name, resolution_kg=o.scale.resolution_kg) for o in plan.outlets]
    kind = (
        FeedKind.TUB if plan.hand and told else FeedKind.HOPPER
    )  # hopper is what a configuration leaves unsaid
    feed = Feed(kind, "feed", plan.target_kg_h)
    outlets = tuple(Outlet(o.name, o.name, _container(o), o.density) for o in plan.outlets)
    return BayDescription("bench", (Station("table", feed, outlets),), tuple(channels))


def _container(spec: OutletSpec) -> Container:
    """Its kind is told where the product is wet: as much as a station is asked for."""
    if spec.density is not None:
        return Container(ContainerKind.BRIM_FULL)
    return Container(ContainerKind.DRAINS) if spec.excess > 0.02 else Container()


def play(trace: Trace, told: bool = False) -> Played:
    """``told``: that the feed is a tub is configured; else that too has to be found out."""
    bay = Bay(described(trace, told))
    probes = sorted(
        (e.at_s, f"out{e.outlet + 1}") for e in trace.events if e.kind == "clog" and e.outlet is not None
    )
    stated: dict[tuple[str, float], float | None] = {}
    found: list[Finding] = []
    readings = list(trace.readings())
    begin = time.process_time()
    apply, started = bay.apply, False
    run_ns = (EPOCH_S + RUN_AT_S) * NS
    probe_ns = _next(probes)
    for reading in readings:
        if not started and reading.at_ns >= run_ns:
            started = True
            found += apply(Action(run_ns, actions.StartRun()))
        while reading.at_ns >= probe_ns:
            at_s, outlet = probes.pop(0)
            stated[outlet, at_s] = bay.stations["table"].notice_s(int(outlet[3:]) - 1)
            probe_ns = _next(probes)
        changes = apply(reading)
        if changes:
            found += changes
    tally = bay.run_tally(bay.open_runs()[0])
    return Played(alarms_of(found), tally, stated, time.process_time() - begin, len(readings))


def _next(probes: list[tuple[float, str]]) -> int:
    return round((probes[0][0] + EPOCH_S) * NS) if probes else 2**63


def alarms_of(found: list[Finding]) -> list[Alarm]:
    """Alarms as they were raised, with the time each was cleared or suppressed."""
    alarms: list[Alarm] = []
    for finding in found:
        if finding.kind != "alarm":
            continue
        data, at_s = finding.data, finding.at_ns / NS - EPOCH_S
        if data["state"] == "raised":
            since_s, evidence = data["since_s"] - EPOCH_S, data["evidence"]
            alarms.append(
                Alarm(data["kind"], data["subject"], at_s, since_s, data["what"], evidence=evidence)
            )
        elif data["state"] in ("cleared", "suppressed"):
            for alarm in reversed(alarms):
                if (alarm.kind, alarm.subject) == (data["kind"], data["subject"]):
                    alarm.until_s = min(alarm.until_s, at_s)
                    break
    return alarms


def write(trace: Trace, folder: Path, told: bool = False) -> None:
    """Readings as CSV, configuration as TOML, the truth as JSON: for `tallydeck replay` and a look."""
    folder.mkdir(parents=True, exist_ok=True)
    plan = trace.plan
    epoch = datetime.fromtimestamp(EPOCH_S, UTC)
    with (folder / "readings.csv").open("w") as out:
        out.write("time,channel,value,unit,stable\n")
        for reading in trace.readings():
            if reading.status != "ok":
                continue
            at = epoch + timedelta(milliseconds=reading.at_ns // 10**6 - EPOCH_S * 1000)
            value = f"{reading.number * 10.0**reading.exp:.{max(0, -reading.exp)}f}"
            stamp = at.isoformat(timespec="milliseconds").replace("+00:00", "Z")
            out.write(f"{stamp},{reading.channel},{value},{reading.unit},{int(bool(reading.stable))}\n")
    scales = [("feed", plan.feed_scale), *((o.name, o.scale) for o in plan.outlets)]
    parts = [
        f'[instruments.{name}]\nresolution = "{scale.resolution_kg * 1000:g} g"\n' for name, scale in scales
    ]
    parts.append(f'[stations.table]\ntarget = "{plan.target_kg_h:.1f} kg/h"\n')
    if plan.hand and told:
        parts.append('[stations.table.feed]\nkind = "tub"\n')
    parts += [_outlet_toml(o) for o in plan.outlets]
    (folder / "bay.toml").write_text("\n".join(parts))
    truth = {
        "events": [[e.kind, e.outlet, e.at_s, e.until_s, e.data] for e in trace.events],
        "outlets": {o.name: repr(o) for o in plan.outlets},
    }
    (folder / "truth.json").write_text(json.dumps(truth, indent=1))


def _outlet_toml(spec: OutletSpec) -> str:
    kind = _container(spec).kind
    lines = [f"[stations.table.outlets.{spec.name}]"]
    if kind is not ContainerKind.UNKNOWN:
        lines.append(f'container = {{ kind = "{kind}" }}')
    if spec.density is not None:
        lines.append(f'density = "{spec.density:g} g/cm3"')
    return "\n".join(lines) + "\n"
