"""Plays test bays through all peers, at the same rate of false alarms, and through Tallydeck."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass, field
from functools import partial
from typing import Any

from tests.bench.peers.adapt import as_played, at_feed_stops, judged, streams
from tests.bench.peers.all_of import PEERS
from tests.bench.peers.calibrate import BATCHES, Hour, Tuned, critical, tune, undisturbed, units
from tests.bench.testbay.plan import plan
from tests.bench.testbay.play import play
from tests.bench.testbay.regimes import REGIMES
from tests.bench.testbay.score import Scored, from_json, score
from tests.bench.testbay.trace import make

OURS = "ours"


@dataclass(frozen=True)
class Job:
    seed: int
    set: str
    what: str

    @property
    def bay(self) -> str:
        return f"{self.set} {self.what} {self.seed}"


@dataclass
class Column:
    """What one way made of all bays of a run."""

    name: str
    parameter: str
    tuned: Tuned | None  # Tallydeck is not tuned here
    parts: list[Scored] = field(default_factory=list)
    stops_called: int = 0
    stops: int = 0

    def to_json(self) -> dict[str, Any]:
        return asdict(self)


def from_file(data: dict[str, Any]) -> Column:
    tuned = None if data["tuned"] is None else Tuned(**data["tuned"])
    return Column(**{**data, "tuned": tuned, "parts": [from_json(p) for p in data["parts"]]})


def calm_hours(job: Job, batches: dict[str, int]) -> list[Hour]:
    """Critical parameters of all peers in the undisturbed hours of a bay."""
    drawn = plan(job.seed, REGIMES[job.set], job.what)
    found: list[Hour] = []
    number = 0
    for batch in BATCHES:
        for _ in range(batches[batch]):
            number += 1
            for outlet, stream in undisturbed(drawn, number).items():
                found += [
                    Hour(name, job.bay, outlet, batch, critical(peer, stream)) for name, peer in PEERS.items()
                ]
    return found


Part = dict[str, tuple[Scored, tuple[int, int]]]


def played(job_and_parameters: tuple[Job, dict[tuple[str, str], float]], ours: bool) -> Part:
    """One bay through every peer, with the parameter of each peer and outlet, and through Tallydeck."""
    job, parameters = job_and_parameters
    trace = make(job.seed, job.set, job.what)
    shown = streams(trace)
    found: Part = {}
    for name, peer in PEERS.items():
        times = {
            outlet: peer.alarms(peer.look(stream), parameters[name, outlet])
            for outlet, stream in shown.items()
        }
        theirs = as_played(times)
        found[name] = judged(trace, theirs), at_feed_stops(trace, theirs)
    if ours:
        own = play(trace)
        found[OURS] = score(trace, own), at_feed_stops(trace, own)
    return found


def run(jobs: list[Job], batches: dict[str, int], processes: int, ours: bool) -> list[Column]:
    hours: list[Hour] = []
    for each in _mapped(partial(calm_hours, batches=batches), jobs, processes):
        hours += each
    unit = units(hours, PEERS)
    tuned = {name: tune(name, hours, unit) for name in PEERS}
    columns = {name: Column(name, PEERS[name].parameter, tuned[name]) for name in PEERS}
    if ours:
        columns = {OURS: Column(OURS, "", None), **columns}
    outlets = {(bay, outlet) for _, bay, outlet in unit}
    tasks = [
        (job, {(n, o): tuned[n].factor * unit[n, b, o] for n in PEERS for b, o in outlets if b == job.bay})
        for job in jobs
    ]
    for part in _mapped(partial(played, ours=ours), tasks, processes):
        for name, (scored, (called, all_of)) in part.items():
            columns[name].parts.append(scored)
            columns[name].stops_called += called
            columns[name].stops += all_of
    return list(columns.values())


def _mapped(work: Callable[[Any], Any], items: list[Any], processes: int) -> Iterator[Any]:
    if processes < 2:
        yield from map(work, items)
        return
    with ProcessPoolExecutor(processes) as pool:
        yield from pool.map(work, items)
