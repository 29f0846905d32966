"""How often the printed 95 % intervals hold the truth, from what a person writes down to the last figure.

    python -m tests.bench.weigh_up_bench [runs] [case ...]

Each run makes a lot of grains by physics of its own (`written_lot`), writes the document that a person would
have written, weighs it up, and looks where the truth lies. Counted besides: how often the test of the whole
cries wrongly (5 % is what it says), and how often a product is said to meet a limit that it just fails, or to
fail one that it just keeps (at most 5 %). Both methods are scored, of which "auto" takes one by what it sees;
by draws with `LOOK` of them instead of 100,000.

Not in it, since a document has no place for it: water and grains that are unevenly spread in a stream, and
errors of taking a sample.
"""

from __future__ import annotations

import sys
from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from math import sqrt
from time import perf_counter
from typing import Any

import numpy as np

from logger.balance import read, weigh_up
from logger.balance.grades import Grade
from logger.balance.result import Estimate, Result
from logger.balance.weighup import Method
from tests.bench.written_lot import COMPONENTS, Lot, Shares, split

LOOK = 2000
METHODS: tuple[Method, ...] = ("linear", "monte-carlo")
RUN = {"run-1": {"feed": ["feed"], "products": ["concentrate", "middlings", "tailings"]}}
AGAIN = {"run-2": {"feed": ["middlings"], "products": ["second concentrate", "second tailings"]}}
PRODUCTS: dict[str, tuple[float, Shares]] = {
    "concentrate": (14.0, (0.86, 0.11, 0.03)),
    "middlings": (22.0, (0.28, 0.50, 0.22)),
    "tailings": (55.0, (0.035, 0.300, 0.665)),
}
TWICE: dict[str, tuple[float, Shares]] = {
    "concentrate": PRODUCTS["concentrate"],
    "second concentrate": (7.0, (0.76, 0.18, 0.06)),
    "second tailings": (15.0, (0.05, 0.62, 0.33)),
    "tailings": PRODUCTS["tailings"],
}
EDGE = 1e-9  # so far does a product lie on the wrong side of the limits that it is judged by


@dataclass(frozen=True)
class Case:
    """What happened to the lot, and how it was looked at."""

    write: Callable[[Lot], None]
    products: Mapping[str, tuple[float, Shares]] = field(default_factory=lambda: PRODUCTS)
    passes: Mapping[str, Any] = field(default_factory=lambda: RUN)
    wander: float = 0.05
    number: int = 0  # so that cases don't share their luck


# ------------------------------------------------------------------ how lots are looked at


def _by_itself(lot: Lot) -> None:
    """Each stream on a scale of its own with a check weight; drying pans; assays."""
    lot.scale_with_check("lab", 1e-5, 1e-5, 0.1)
    for name in lot.held:
        lot.scale_with_check(f"scale of {name}", 0.01, 0.005, 20.0)
        lot.by_difference(name, f"scale of {name}")
        lot.dried(name, "lab")
        lot.assayed(name, 0.03)


def _of_class(lot: Lot, feed: bool = True) -> None:
    """Products in pails of one kind on one scale of class III, the feed on another; drying pans."""
    lot.scale_of_class("floor", 0.1, 0.05, lot.wet("feed"))
    lot.scale_of_class("bench", 0.02, 0.01, 13.0)
    lot.scale_with_check("lab", 1e-5, 1e-5, 0.1)
    lot.kind_of_pail("pail", "bench", 1.0, 0.03)
    if feed:
        lot.by_difference("feed", "floor")
        lot.dried("feed", "lab")
    for name in _products(lot):
        lot.in_pails(name, "bench", "pail", max(1, round(lot.wet(name) / 10.0)))
        lot.dried(name, "lab")


def _products(lot: Lot) -> list[str]:
    return [name for name in lot.held if name != "feed"]


def _shared(lot: Lot) -> None:
    _of_class(lot)
    for name in lot.held:
        lot.assayed(name, 0.01)


def _coarse(lot: Lot) -> None:
    """The scale alone decides: steps of 0.5 kg, many pails whose tare is known badly, very good assays."""
    lot.scale_of_class("bench", 0.5, 0.0, 10.5)
    lot.kind_of_pail("pail", "bench", 1.0, 0.1)
    for name in _products(lot):
        lot.in_pails(name, "bench", "pail", max(2, round(lot.wet(name) / 8.0)))
        lot.moisture_said(name, 0.002)
        lot.assayed(name, 0.001)


def _sorted(lot: Lot, grains: int) -> None:
    _of_class(lot)
    for name in _products(lot):
        lot.sorted_by_hand(name, grains, "lab")


def _sorted_with_feed(lot: Lot) -> None:
    _sorted(lot, 400)
    lot.sorted_by_hand("feed", 400, "lab")


def _counted(lot: Lot, grains: int = 600) -> None:
    _of_class(lot, feed=False)
    for name in _products(lot):
        lot.counted(name, grains)


def _moisture_unknown(lot: Lot) -> None:
    """Of middlings and tailings nobody knows it: it is anything from 0 to 15 %."""
    _of_class(lot)
    for name in ("middlings", "tailings"):
        lot.water[name] = float(lot.random.uniform(0.0, 0.15))
        lot.in_pails(name, "bench", "pail", max(1, round(lot.wet(name) / 10.0)))
        del lot.document["streams"][name]["moisture"]
    for name in lot.held:
        lot.assayed(name, 0.02)


def _assays_alone(lot: Lot) -> None:
    """Nothing was weighed; what it says is yields and recoveries."""
    for name in lot.held:
        lot.assayed(name, 0.02)


def rare(expected: float, grains: int = 600) -> Mapping[str, tuple[float, Shares]]:
    """Products of which the tailings hold so many grains of bronze in a sample, on the average."""
    slag, sand = 0.30 * grains, 0.70 * grains - expected
    mass = np.array([8.8 * expected, 3.2 * slag, 2.65 * sand])
    bronze, slag_share, sand_share = mass / mass.sum()
    return {
        "concentrate": (14.0, (0.86, 0.11, 0.03)),
        "tailings": (76.0, (float(bronze), float(slag_share), float(sand_share))),
    }


def clean(expected: float, grains: int = 600) -> Mapping[str, tuple[float, Shares]]:
    """Products of which the concentrate holds so many grains of sand in a sample, on the average."""
    mass = np.array([8.8 * 0.8 * grains, 3.2 * (0.2 * grains - expected), 2.65 * expected])
    bronze, slag, sand = (float(each) for each in mass / mass.sum())
    return {"concentrate": (14.0, (bronze, slag, sand)), "tailings": (76.0, (0.03, 0.30, 0.67))}


TWO = {"run-1": {"feed": ["feed"], "products": ["concentrate", "tailings"]}}
CASES = {
    "each by itself": Case(_by_itself, number=301),
    "shared scale and tare": Case(_shared, number=302),
    "coarse scale and tare": Case(_coarse, number=303),
    "sorted, 100 grains": Case(partial(_sorted, grains=100), number=304),
    "sorted, 300 grains": Case(partial(_sorted, grains=300), number=305),
    "sorted, 1000 grains": Case(partial(_sorted, grains=1000), number=306),
    "sorted, feed too": Case(_sorted_with_feed, number=307),
    "counted, 600 grains": Case(_counted, number=308),
    "moisture unknown": Case(_moisture_unknown, number=309),
    "assays alone": Case(_assays_alone, passes=TWO, products=rare(40.0), number=310),
    "two passes": Case(_sorted_with_feed, products=TWICE, passes=RUN | AGAIN, number=311),
} | {
    f"counted, {expected:g} in the tail": Case(
        _counted, rare(expected), TWO, wander=0.0, number=round(10 * expected)
    )
    for expected in (0.5, 2.0, 5.0, 10.0)
}
CASES |= {
    f"counted, {expected:g} in the concentrate": Case(
        _counted, clean(expected), TWO, wander=0.0, number=200 + round(expected)
    )
    for expected in (2.0, 5.0)
}


# ------------------------------------------------------------------ scoring


def figures(lot: Lot, result: Result) -> Iterator[tuple[str, float, Estimate | None]]:
    """What was told, with the truth: kind and name, true value, estimate."""
    feed = lot.held["feed"]
    for name, one in result.streams.items():
        held = lot.held[name]
        yield f"mass: {name}", held.sum(), one.dry
        if name != "feed":
            yield f"yield: {name}", held.sum() / feed.sum(), one.share
        for k, c in enumerate(COMPONENTS):
            told = one.components[c]
            yield f"measured grade: {c} in {name}", lot.grades(name)[k], told.measured
            yield f"grade: {c} in {name}", lot.grades(name)[k], told.grade
            if name != "feed":
                yield f"recovery: {c} in {name}", held[k] / feed[k], told.recovery
    for name, one in result.passes.items():
        yield f"closure: {name}", 1.0, one.closure
        for k, c in enumerate(COMPONENTS):
            yield f"closure: {c} in {name}", 1.0, one.closures[c]
            yield f"head: {c} in {name}", lot.grades(one.feed[0])[k], one.head[c]


def _limits(lot: Lot, wrong: str) -> dict[str, Grade]:
    """A grade whose limits the concentrate just fails (``wrong`` is "meets"), or just keeps."""
    off = EDGE if wrong == "meets" else -EDGE
    bronze, _, sand = lot.grades("concentrate")
    grade = Grade(
        source="made for the test",
        seen="invented",
        minimum={"bronze": bronze + off},
        maximum={"sand": sand - off},
    )
    return {wrong: grade}


@dataclass
class Score:
    """Counts of a case: figure -> times told, times held; what tests and verdicts said."""

    told: dict[str, int] = field(default_factory=lambda: defaultdict(int))
    held: dict[str, int] = field(default_factory=lambda: defaultdict(int))

    def see(self, name: str, good: bool) -> None:
        self.told[name] += 1
        self.held[name] += good

    def rate(self, name: str) -> float:
        return self.held[name] / self.told[name]

    def kinds(self) -> dict[str, list[str]]:
        found: dict[str, list[str]] = defaultdict(list)
        for name in self.told:
            found[name.split(":")[0]].append(name)
        return found


def written(case: Case, seed: int) -> Lot:
    lot = split((seed, case.number), case.products, case.wander, case.passes)
    case.write(lot)
    return lot


def score(case: Case, runs: int, methods: Sequence[Method] = METHODS, first: int = 0) -> dict[str, Score]:
    """Method -> what was counted in so many runs."""
    scores = {method: Score() for method in methods}
    for seed in range(first, first + runs):
        lot = written(case, seed)
        wrong = ("meets", "fails")[seed % 2]
        document = read(lot.document | {"sales": {"concentrate": {"grade": wrong}}})
        for method in methods:
            result = weigh_up(document, method=method, draws=LOOK, seed=seed, grades=_limits(lot, wrong))
            _see(scores[method], lot, result, wrong)
    return scores


def _see(seen: Score, lot: Lot, result: Result, wrong: str) -> None:
    for name, true, one in figures(lot, result):
        if one is not None:
            seen.see(name, one.low <= true <= one.high)
    if result.tests is not None and result.tests.degrees:
        seen.see("false alarm: chi-square", not result.tests.passed)
    assert result.sale is not None
    for one in result.sale.verdicts["concentrate"].limits:
        seen.see(f"wrong verdict: {wrong}, {one.kind} of {one.of}", str(one.verdict) == wrong)


def wilson(k: int, n: int, z: float = 1.96) -> tuple[float, float]:
    middle, half = k / n + z * z / (2 * n), z * sqrt(k / n * (1 - k / n) / n + (z / n) ** 2 / 4)
    return (middle - half) / (1 + z * z / n), (middle + half) / (1 + z * z / n)


def _say(seen: Score, name: str) -> str:
    low, high = wilson(seen.held[name], seen.told[name])
    return f"{seen.rate(name):.1%} [{low:.1%}, {high:.1%}] {name.split(': ', 1)[1]}"


def _report(name: str, runs: int) -> None:
    began = perf_counter()
    scores = score(CASES[name], runs)
    print(f"{name} ({runs} runs, {perf_counter() - began:.0f} s)")
    for method, seen in scores.items():
        print(f"  {method}")
        for kind, names in seen.kinds().items():
            names.sort(key=seen.rate)
            mean = np.mean([seen.rate(each) for each in names])
            ends = [names[-1]] if len(names) == 1 else [names[0], names[-1]]
            print(f"    {kind:15} mean {mean:.1%}  " + "   ".join(_say(seen, each) for each in ends))
    sys.stdout.flush()


if __name__ == "__main__":
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    for each in sys.argv[2:] or CASES:
        _report(each, count)
