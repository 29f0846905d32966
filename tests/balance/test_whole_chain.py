"""From what a person writes down to the printed interval: it holds the truth about as often as it says.

Lots of grains by physics of their own (`tests.bench.written_lot`). The whole table: `weigh_up_bench`. A limit
that can't be missed shows nothing, so each source of uncertainty is also left out of the document on purpose.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from math import sqrt
from typing import Any

import pytest

from tests.bench.weigh_up_bench import CASES, Case, Score, score
from tests.bench.written_lot import Lot

RUNS = 100
SPOILT_RUNS = 40


def standard_error(runs: int = RUNS) -> float:
    """Of a coverage of 95 % (binomial)."""
    return sqrt(0.95 * 0.05 / runs)


def all_weighed(lot: Lot) -> None:
    """Feed and products on two scales, pails that vary, moistures and assays: each of them counts."""
    lot.scale_of_class("floor", 0.2, 0.1, 110.0)
    lot.scale_of_class("bench", 0.02, 0.01, 12.0)
    lot.kind_of_pail("pail", "bench", 1.0, 0.08)
    lot.by_difference("feed", "floor")
    for name in lot.held:
        if name != "feed":
            lot.in_pails(name, "bench", "pail", max(1, round(lot.wet(name) / 10.0)))
        lot.moisture_said(name, 0.006)
        lot.assayed(name, 0.01)


def without(write: Callable[[Lot], None], change: Callable[[dict[str, Any]], None], lot: Lot) -> None:
    write(lot)
    change(lot.document)


def tares_alike(document: dict[str, Any]) -> None:
    document["tares"]["pail"]["u"] = 1e-6


def moistures_exact(document: dict[str, Any]) -> None:
    for stream in document["streams"].values():
        stream["moisture"]["u"] = 1e-6


def assays_too_good(document: dict[str, Any]) -> None:
    for stream in document["streams"].values():
        composition = stream["compositions"][0]
        composition["u"] = {name: 0.6 * u for name, u in composition["u"].items()}


def more_grains(document: dict[str, Any]) -> None:
    for stream in document["streams"].values():
        for composition in stream.get("compositions", ()):
            composition["pieces"] *= 5


def alike_grains(document: dict[str, Any]) -> None:
    for stream in document["streams"].values():
        for composition in stream.get("compositions", ()):
            composition["cv"] = 0.0


def missed(seen: Score) -> list[str]:
    """Figures that hold the truth too seldom: four standard errors below 95 %, or three for a whole kind."""
    found = []
    for kind, names in seen.kinds().items():
        if kind in {"false alarm", "wrong verdict"}:
            continue
        found += [name for name in names if seen.rate(name) < 0.95 - 4 * standard_error(seen.told[name])]
        mean = sum(seen.rate(name) for name in names) / len(names)
        if mean < 0.95 - 3 * standard_error(seen.told[names[0]]):
            found.append(f"{kind}s as a whole")
    return found


WEIGHED = Case(all_weighed)
SORTED = CASES["sorted, feed too"]


@pytest.mark.parametrize("case", [WEIGHED, SORTED, CASES["two passes"]], ids=["weighed", "sorted", "passes"])
def test_intervals_of_a_whole_weigh_up_hold_the_truth_as_often_as_said(case):
    seen = score(case, RUNS, ("linear",))["linear"]
    assert missed(seen) == []
    assert seen.rate("false alarm: chi-square") <= 0.05 + 4 * standard_error()


def test_few_counts_are_held_by_the_printed_interval():
    """Two grains of bronze are in the sample of the tailings, on the average."""
    case = CASES["counted, 2 in the tail"]
    seen = score(case, 40, ("monte-carlo",))["monte-carlo"]
    assert missed(seen) == []


@pytest.mark.parametrize(
    ("case", "left_out"),
    [
        (WEIGHED, tares_alike),
        (WEIGHED, moistures_exact),
        (WEIGHED, assays_too_good),
        (SORTED, more_grains),
        (SORTED, alike_grains),
    ],
    ids=lambda each: getattr(each, "__name__", ""),
)
def test_a_source_of_uncertainty_that_is_left_out_is_noticed(case, left_out):
    spoilt = Case(partial(without, case.write, left_out), case.products, case.passes, case.wander)
    assert missed(score(spoilt, SPOILT_RUNS, ("linear",))["linear"]) != []
