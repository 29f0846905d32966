"""How often the 95 % interval of the live recovery holds the truth.

    python -m tests.bench.recovery_bench [bays] [first seed] [tuning|report]

First by given masses and grades: the truth is drawn (200,000 times) from the stated uncertainties, and what
part of it lies in the stated interval is counted. Then on whole bays of `tests.bench.testbay`, played through
the fold: masses as the tracks have them against what truly came and truly lies on the deck, grades drawn
`GRADES` times around those stated, at several times of a run; all outlets weighed, one without a scale (by
difference), two without (by the feed's grade). +- is one standard error; on bays by bays, whose moments hang
together.
"""

from __future__ import annotations

import sys
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import sqrt
from statistics import mean, stdev

import numpy as np
from numpy.typing import NDArray

from logger.core import actions
from logger.core.bay import Bay
from logger.core.description import Bay as BayDescription
from logger.core.description import Feed, FeedKind, Outlet, Station
from logger.core.entries import Action
from logger.core.rules.recovery import recovery
from logger.core.tally import Mass, OutletTally, Tally
from tests.bench.testbay.play import described
from tests.bench.testbay.trace import EPOCH_S, Trace, make

NS = 10**9
DRAWS = 200_000
GRADES = 400
TIMES_S = (240, 420, 900, 1800, 3000, 3590)
FEED_GRADE_U = 0.06  # relative
Array = NDArray[np.float64]


@dataclass(frozen=True)
class Case:
    """Masses and grades with standard uncertainties; ``rest``: that outlet is known by difference to the
    feed, whose standard uncertainty is ``u_feed``; ``by_feed``: the last outlet has no scale."""

    name: str
    kg: tuple[float, ...]
    u_kg: tuple[float, ...]
    grade: tuple[float, ...]
    u_grade: tuple[float, ...]
    rest: int | None = None
    u_feed: float = 0.0
    by_feed: bool = False


_FOUR = (8.7, 6.0, 38.0, 4.0), (0.05,) * 4
_THREE = (8.0, 5.0, 60.0), (0.05, 0.1, 0.3)
CASES = (
    Case("few parts known well", (5, 10, 30), (0.05, 0.1, 0.3), (0.85, 0.15, 0.02), (0.04, 0.03, 0.004)),
    Case("a tenth of each grade", *_FOUR, (0.92, 0.5, 0.01, 0.03), (0.092, 0.05, 0.001, 0.003)),
    Case("tailings' grade half known", *_FOUR, (0.92, 0.5, 0.02, 0.03), (0.03, 0.05, 0.01, 0.015)),
    Case("tailings' grade unknown", *_FOUR, (0.92, 0.2, 0.02, 0.03), (0.03, 0.05, 0.02, 0.03)),
    Case("nearly all recovered", *_FOUR, (0.92, 0.02, 0.001, 0.001), (0.03, 0.02, 0.001, 0.001)),
    Case("hardly any recovered", (0.5, 6, 38), (0.02,) * 3, (0.92, 0.4, 0.1), (0.03, 0.1, 0.05)),
    Case("two outlets, one half known", (8.7, 38), (0.05, 0.05), (0.92, 0.05), (0.03, 0.025)),
    Case("concentrate's mass uncertain", (1, 10), (0.3, 0.1), (0.9, 0.05), (0.01, 0.002)),
    Case(
        "tailings by difference", (5, 10, 30), (0.2, 0.2, 0.412), (0.85, 0.15, 0.06), (0.03, 0.03, 0.02),
        rest=2, u_feed=0.3,
    ),
    Case("by the feed's grade", *_THREE, (0.9, 0.4, 0.02), (0.04, 0.1, 0.01), u_feed=0.2, by_feed=True),
    Case("the same, nearly all", *_THREE, (0.9, 0.02, 0.002), (0.04, 0.01, 0.001), u_feed=0.2, by_feed=True),
)  # fmt: skip


def stated(case: Case) -> tuple[Station, Tally]:
    """What the program is told of a case."""
    outlets = tuple(
        Outlet(f"o{k}", f"o{k}", expected_grade=g, expected_grade_u=u)
        for k, (g, u) in enumerate(zip(case.grade, case.u_grade, strict=True))
    )
    feed_kg, feed_grade = sum(case.kg), true_feed_grade(case)
    feed = Mass(feed_kg, case.u_feed) if case.rest is not None or case.by_feed else None
    masses: list[Mass | None] = [Mass(m, u) for m, u in zip(case.kg, case.u_kg, strict=True)]
    if case.by_feed:
        masses[-1] = None
    told = tuple(
        OutletTally(f"o{k}", f"o{k}", mass, k == case.rest, "wet", None, None)
        for k, mass in enumerate(masses)
    )
    station = Station(
        "table", Feed(FeedKind.HOPPER, "feed"), outlets, component="bronze",
        feed_grade=feed_grade, feed_grade_u=FEED_GRADE_U * feed_grade,
    )  # fmt: skip
    return station, Tally(feed, told, 0.0)


def true_feed_grade(case: Case) -> float:
    """The mean over the outlets."""
    return sum(m * g for m, g in zip(case.kg, case.grade, strict=True)) / sum(case.kg)


def _within(rng: np.random.Generator, of: tuple[float, float], low: float, high: float, draws: int) -> Array:
    found = rng.normal(*of, draws)
    while np.any(bad := (found < low) | (found > high)):
        found[bad] = rng.normal(*of, int(bad.sum()))
    return found


def truths(case: Case, rng: np.random.Generator, draws: int) -> Array:
    """Recoveries that the stated uncertainties allow."""
    kg = [_within(rng, (m, u), 0.0, np.inf, draws) for m, u in zip(case.kg, case.u_kg, strict=True)]
    grades = [_within(rng, (g, u), 0.0, 1.0, draws) for g, u in zip(case.grade, case.u_grade, strict=True)]
    feed_kg = rng.normal(sum(case.kg), case.u_feed, draws)
    if case.by_feed:
        grade = true_feed_grade(case)
        feed_grade = _within(rng, (grade, FEED_GRADE_U * grade), 0.0, 1.0, draws)
        found = kg[0] * grades[0] / (feed_kg * feed_grade)
        return found[found <= 1.0]
    if case.rest is not None:
        kg[case.rest] = feed_kg - sum(m for k, m in enumerate(kg) if k != case.rest)
    whole = sum(m * g for m, g in zip(kg, grades, strict=True))
    return np.asarray(kg[0] * grades[0] / whole)


def coverage(case: Case, seed: int = 1, draws: int = DRAWS) -> float:
    """The part of the possible truths that the stated interval holds."""
    found = recovery(*stated(case))
    if found is None:
        raise ValueError(f"nothing was told of {case.name}")
    possible = truths(case, np.random.default_rng([seed, CASES.index(case)]), draws)
    return float(np.mean((possible >= found["low"]) & (possible <= found["high"])))


# -- on bays -------------------------------------------------------------------------------------------


def _graded(plain: BayDescription, dark: Sequence[int], rng: np.random.Generator) -> BayDescription:
    """The same bay with expected grades, and without the scales of some outlets."""
    station = plain.stations[0]
    outlets = []
    for k, outlet in enumerate(station.outlets):
        grade = 0.9 if k == 0 else float(rng.uniform(0.005, 0.3))
        u = grade * float(rng.uniform(0.03, 0.3)) if k else 0.04
        channel = None if k in dark else outlet.channel
        outlets.append(replace(outlet, channel=channel, expected_grade=grade, expected_grade_u=u))
    shares = [1.0 / len(outlets)] * len(outlets)
    feed_grade = sum(s * (o.expected_grade or 0.0) for s, o in zip(shares, outlets, strict=True))
    made = replace(
        station, outlets=tuple(outlets), component="bronze", feed_grade=feed_grade,
        feed_grade_u=FEED_GRADE_U * feed_grade,
    )  # fmt: skip
    unused = {f"out{k + 1}" for k in dark}
    channels = tuple(c for c in plain.channels if c.name not in unused)
    return replace(plain, stations=(made,), channels=channels)


def true_kg(trace: Trace, second: int) -> Array:
    """What was fed until then, by the outlet it goes to: delivered, and by its lag on its way."""
    names = [o.name for o in trace.plan.outlets]
    got = np.array([trace.mass_kg(n, 0, second) for n in names])
    on_deck = trace.mass_kg("feed", 0, second) - got.sum()
    way = np.array([o.share * (o.dead_s + o.spread_s) for o in trace.plan.outlets])
    return np.asarray(got + on_deck * way / way.sum())


def covered(trace: Trace, dark: Sequence[int], seed: int) -> list[float]:
    """At each time of a run: the part of the drawn grades whose recovery the interval holds."""
    rng = np.random.default_rng([seed, len(dark), 7])
    bay = Bay(_graded(described(trace), dark, rng))
    fold = bay.stations["table"]
    bay.apply(Action(EPOCH_S * NS, actions.StartRun()))
    found, due = [], list(TIMES_S)
    for reading in trace.readings():
        if reading.channel in bay.channels:
            bay.apply(reading)
        second = bay.at_ns // NS - EPOCH_S
        if not due or second < due[0]:
            continue
        due.pop(0)
        masses = true_kg(trace, second)
        station = fold.station
        if len(dark) > 1:  # the feed's grade is what it is
            grade = float(masses @ [o.expected_grade or 0.0 for o in station.outlets] / masses.sum())
            station = replace(station, feed_grade=grade, feed_grade_u=FEED_GRADE_U * grade)
        told = recovery(station, fold.tally(EPOCH_S, EPOCH_S + second))
        if told is not None:
            found.append(_part_held(station, masses, told, rng, by_feed=len(dark) > 1))
    return found


def _part_held(
    station: Station, masses: Array, told: dict[str, float], rng: np.random.Generator, *, by_feed: bool
) -> float:
    drawn = np.clip(
        [rng.normal(o.expected_grade, o.expected_grade_u, GRADES) for o in station.outlets], 0.0, 1.0
    )
    if by_feed:
        feed = rng.normal(station.feed_grade, station.feed_grade_u, GRADES)
        truth = masses[0] * drawn[0] / (masses.sum() * feed)
        truth = truth[truth <= 1.0]
    else:
        truth = masses[0] * drawn[0] / (masses[:, None] * drawn).sum(axis=0)
    return float(np.mean((truth >= told["low"]) & (truth <= told["high"])))


def main(count: int, first: int, regime: str) -> None:
    """Print both tables."""
    print("by given masses and grades      coverage")
    for case in CASES:
        print(f"{case.name:30} {coverage(case):9.4f}")
    print(f"\n{count} bays of each kind from seed {first}, {regime}; {GRADES} grades each")
    print("scales                              s  bays  coverage     +-")
    for words, dark in (("at all outlets", ()), ("one without", (2,)), ("two without", (1, 2))):
        by_time: dict[int, list[float]] = defaultdict(list)
        for seed in range(first, first + count):
            trace = make(seed, regime, ("mass", "busy")[seed % 2])
            for at_s, part in zip(TIMES_S, covered(trace, dark, seed), strict=False):
                by_time[at_s].append(part)
        every = [part for parts in by_time.values() for part in parts]
        for at_s, parts in [*by_time.items(), (0, every)]:
            spread = stdev(parts) / sqrt(len(parts)) if len(parts) > 1 else float("nan")
            when = str(at_s) if at_s else "all"
            print(f"{words:30} {when:>6} {len(parts):5} {mean(parts):9.3f} {spread:6.3f}")


if __name__ == "__main__":
    given = sys.argv[1:]
    main(
        int(given[0]) if given else 6,
        int(given[1]) if len(given) > 1 else 1,
        given[2] if len(given) > 2 else "report",
    )
