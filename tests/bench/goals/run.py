"""One run: undisturbed hours first, then every trace once; each record is handed over as it is done."""

from __future__ import annotations

import time
import traceback
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from itertools import chain
from typing import Any

from tests.bench.goals.jobs import FEED, Parameters, asked, through_all, undisturbed
from tests.bench.goals.kept import Broken, Calm, Job, Line
from tests.bench.peers.all_of import PEERS
from tests.bench.peers.calibrate import Hour, Tuned, tune, units
from tests.bench.testbay.plan import plan
from tests.bench.testbay.regimes import REGIMES

Unit = dict[tuple[str, str, str], float]


def parted(hours: list[Hour]) -> dict[bool, list[Hour]]:
    """The hours of outlets (False) and those of feeds (True)."""
    return {feed: [h for h in hours if (h.subject == FEED) == feed] for feed in (False, True)}


def tuned_of(hours: list[Hour], unit: Unit) -> dict[tuple[str, bool], Tuned | None]:
    """By peer and whether it is for the feed: the factor that brings one false alarm in 100 h."""
    return {(name, feed): tune(name, part, unit) for feed, part in parted(hours).items() for name in PEERS}


def parameters_of(hours: list[Hour]) -> dict[str, Parameters]:
    """By bay: every peer's parameter at each outlet, or at the feed."""
    unit = units(hours, PEERS)
    tuned = tuned_of(hours, unit)
    found: dict[str, Parameters] = {}
    for (name, bay, subject), each in unit.items():
        set_to = tuned[name, subject == FEED]
        if set_to is not None:
            found.setdefault(bay, {})[name, subject] = set_to.factor * each
    return found


@dataclass(frozen=True)
class Settings:
    """``batches``: undisturbed hours of each bay for the peers; None: no peers. ``own``: for Tallydeck.

    No bay is begun after ``minutes``.
    """

    batches: dict[str, int] | None
    own: int = 0
    processes: int = 1
    minutes: float = 1e6


def run(jobs: list[Job], settings: Settings, known: list[Calm]) -> Iterator[Line]:
    """``known``: undisturbed hours that an earlier run has kept; they are handed on, and not played again."""
    until_s = time.monotonic() + 60.0 * settings.minutes
    mine = {job.bay for job in jobs}
    hours: list[Hour] = []
    if settings.batches is not None:
        there = [calm for calm in known if calm.job.bay in mine]
        have = {calm.job.bay for calm in there}
        lacking = [job for job in jobs if job.bay not in have and _is_asked(job)]
        work = partial(undisturbed, batches=settings.batches)
        for calm in chain(there, _done(work, lacking, settings.processes, until_s)):
            yield calm
            hours += calm.hours
    through = partial(_through, parameters=parameters_of(hours), own=settings.own)
    yield from _done(through, jobs, settings.processes, until_s)


def _is_asked(job: Job) -> bool:
    return any(asked(job.what, plan(job.seed, REGIMES[job.set], job.what).hand))


def _through(job: Job, parameters: dict[str, Parameters], own: int) -> Line:
    """A fold that ends in an error costs its own bay and no other; the table says so."""
    try:
        return through_all(job, parameters.get(job.bay, {}), own)
    except Exception:  # noqa: BLE001 - whatever it was, the others are still to be played
        return Broken(job, traceback.format_exc(limit=-1))


def _done(work: Callable[[Job], Any], jobs: Iterable[Job], processes: int, until_s: float) -> Iterator[Any]:
    """What each job comes to, in their order; none is begun after ``until_s``."""
    waiting = iter(jobs)
    if processes < 2:
        yield from (work(job) for job in waiting if time.monotonic() < until_s)
        return
    with ProcessPoolExecutor(processes) as pool:
        under_way: deque[Future[Any]] = deque()
        for job in waiting:
            if time.monotonic() >= until_s:
                break
            under_way.append(pool.submit(work, job))
            if len(under_way) > 2 * processes:
                yield under_way.popleft().result()
        while under_way:
            yield under_way.popleft().result()


def hours_of(records: Iterable[Line]) -> list[Hour]:
    return [hour for record in records if isinstance(record, Calm) for hour in record.hours]
