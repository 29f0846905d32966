"""One test bay, made: its lines in order of time, and the truth behind them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from logger.core.entries import Reading
from tests.bench.testbay.indicator import STATUSES, UNITS, Lines, lines
from tests.bench.testbay.physics import DT_S, Array, Flows, flows
from tests.bench.testbay.plan import Event, OutletSpec, Plan, plan
from tests.bench.testbay.regimes import REGIMES
from tests.bench.testbay.scales import feed_level, outlet_level

EPOCH_S = 1_772_431_200  # 2026-03-02T06:00:00Z


@dataclass(frozen=True)
class Trace:
    """A plan carried out. ``lines`` by channel name; ``events`` with the refills that became due."""

    plan: Plan
    flows: Flows
    lines: dict[str, Lines]
    events: tuple[Event, ...]

    def __len__(self) -> int:
        return sum(len(each) for each in self.lines.values())

    def mass_kg(self, name: str, from_s: float, to_s: float) -> float:
        """True mass delivered at an outlet, or used from the feed, between two times."""
        total = self.flows.used if name == "feed" else self.flows.got[self._index(name)]
        return _at(total, to_s) - _at(total, from_s)

    def rate_kg_s(self, name: str, from_s: float, to_s: float) -> float:
        """What the stream of an outlet brought on average, without lumps; clogs taken off."""
        i, j = round(from_s / DT_S), round(to_s / DT_S)
        return float(self.flows.rate[self._index(name)][i:j].mean())

    def _index(self, name: str) -> int:
        return [o.name for o in self.plan.outlets].index(name)

    def outlet(self, name: str) -> OutletSpec:
        return self.plan.outlets[self._index(name)]

    def readings(self) -> Iterator[Reading]:
        """All lines as entries, in order of time."""
        names = list(self.lines)
        parts = list(self.lines.values())
        at_ns = np.concatenate([p.at_ns for p in parts]) + EPOCH_S * 10**9
        order = np.argsort(at_ns, kind="stable")
        which = np.repeat(np.arange(len(parts)), [len(p) for p in parts])
        columns = [
            np.concatenate([getattr(p, c) for p in parts])[order].tolist()
            for c in ("number", "exp", "unit", "stable", "status")
        ]
        for at, w, number, exp, unit, stable, status in zip(
            at_ns[order].tolist(), which[order].tolist(), *columns, strict=True
        ):
            yield Reading(at, names[w], number, exp, UNITS[unit], stable, STATUSES[status])


def _at(total: Array, at_s: float) -> float:
    i = min(round(at_s / DT_S), len(total))
    return float(total[i - 1]) if i > 0 else 0.0


def make(seed: int, regime: str, what: str) -> Trace:
    """The trace of a seed in a regime (`tuning` or `report`) and a class (`plan.CLASSES`)."""
    return carried_out(plan(seed, REGIMES[regime], what))


def carried_out(drawn: Plan) -> Trace:
    """The trace that a plan comes to."""
    stream = flows(drawn)
    level, refills = feed_level(drawn, stream)
    found = {"feed": lines(drawn, drawn.feed_scale, stream.t, level, -1)}
    for k, spec in enumerate(drawn.outlets):
        found[spec.name] = lines(drawn, spec.scale, stream.t, outlet_level(drawn, stream, k), k)
    events = tuple(sorted([*drawn.events, *refills], key=lambda e: e.at_s))
    return Trace(drawn, stream, found, events)
