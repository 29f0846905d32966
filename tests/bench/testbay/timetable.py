"""What will happen in a test bay, and when: as its class wants, each thing to be told from its neighbours."""

from __future__ import annotations

from typing import Any

import numpy as np

from tests.bench.testbay.limits import clog_bound_s
from tests.bench.testbay.regimes import Range, Regime
from tests.bench.testbay.spec import CALM_S, Event, OutletSpec


class Timetable:
    """Puts events into a bay's time so that each can be told from its neighbours, as its class wants."""

    def __init__(
        self,
        r: np.random.Generator,
        regime: Regime,
        what: str,
        length_s: float,
        target_kg_h: float,
        outlets: tuple[OutletSpec, ...],
    ) -> None:
        self.r, self.regime, self.what, self.length_s = r, regime, what, length_s
        self.target_kg_h, self.outlets = target_kg_h, outlets
        self.events: list[Event] = []

    def draw(self) -> tuple[Event, ...]:
        getattr(self, "_" + self.what)()
        return tuple(sorted(self.events, key=lambda event: event.at_s))

    def _clear(self, outlet: int | None, a: float, b: float, but_clogs: bool = False) -> bool:
        """Nothing else of that outlet lies between a and b."""
        return not any(
            e.outlet == outlet and e.at_s < b and e.until_s > a and not (but_clogs and e.kind == "clog")
            for e in self.events
        )

    def _put(self, kind: str, outlet: int | None, at_s: float, length_s: float, **data: Any) -> None:
        self.events.append(Event(kind, outlet, float(at_s), float(at_s + length_s), data))

    def _try(
        self, kind: str, outlet: int | None, length_s: float, margin_s: float, first_s: float, **data: Any
    ) -> None:
        """A place at random, if one is found that is free of the outlet's other events (a bump may fall
        into a clog)."""
        for _ in range(20):
            at = self.r.uniform(first_s, max(first_s + 1.0, self.length_s - length_s - 60.0))
            if self._clear(outlet, at - margin_s, at + length_s + margin_s, kind == "bump"):
                self._put(kind, outlet, at, length_s, **data)
                return

    # ------------------------------------------------------------------ what may happen

    def _handling(self, changes: float, bumps: float, small: float) -> None:
        """Changes, bumps, and tares pressed or samples taken: how many an hour at each outlet."""
        r, hours = self.r, self.length_s / 3600.0
        for k in range(len(self.outlets)):
            self._emptied(k)
            for _ in range(r.poisson(changes * hours)):
                self._change(k)
            for _ in range(r.poisson(small * hours)):
                if r.random() < 0.5:
                    self._try("tare", k, 1.0, 60.0, 120.0)
                else:
                    self._try("sample", k, r.uniform(1.5, 6.0), 60.0, 300.0, kg=r.uniform(0.05, 0.3))
            for _ in range(r.poisson(bumps * hours)):
                length = r.uniform(*self.regime.bump_s)
                kg = r.choice([-1.0, 1.0]) * r.uniform(*self.regime.bump_kg)
                self._try(
                    "bump", k, length, 20.0, 30.0, kg=kg, shape=str(r.choice(["arch", "lean", "knock"]))
                )

    def _emptied(self, outlet: int) -> None:
        """Changes that are due because a container is full, put off or forward past other events."""
        spec = self.outlets[outlet]
        lasts_s = spec.full_kg / (spec.share * self.target_kg_h / 3600.0)
        last_s = 0.0
        while last_s + lasts_s < self.length_s - 200.0:
            last_s = self._when_due(outlet, last_s, lasts_s)
            self._change(outlet, last_s)

    def _when_due(self, outlet: int, last_s: float, lasts_s: float) -> float:
        """When the change due ``lasts_s`` after the last is made: as near to it as nothing hinders."""
        shifts = (*np.arange(0.0, 0.3 * lasts_s, 20.0), *-np.arange(20.0, 0.9 * lasts_s, 20.0))
        for before_s, after_s in ((130.0, 190.0), (20.0, 100.0)):
            for shift_s in shifts:
                at_s = last_s + lasts_s + shift_s
                if at_s < self.length_s - 200.0 and self._clear(outlet, at_s - before_s, at_s + after_s):
                    return float(at_s)
        return last_s + lasts_s

    def _change(self, outlet: int, at_s: float | None = None) -> None:
        r = self.r
        caught = bool(r.random() < self.regime.caught)
        gap = r.uniform(*self.regime.gap_s)
        after = r.uniform(10.0, 90.0) if caught else 0.0
        data = {"caught": caught, "pour_after_s": after, "same": bool(r.random() < 0.3)}
        before = len(self.events)
        if at_s is not None:
            self._put("change", outlet, at_s, gap, **data)
        else:
            self._try("change", outlet, gap, 130.0, 150.0, **data)
        if len(self.events) > before and not caught and r.random() < 0.15:  # the new container is tared away
            self._put("tare", outlet, self.events[-1].until_s + r.uniform(2.0, 10.0), 1.0)

    def _clogs(self, longest_notice_s: float, slack: Range) -> None:
        """Clogs one after the other, each outlet's turn by chance, with time to settle between."""
        r, at = self.r, CALM_S + self.r.uniform(0.0, 240.0)
        while True:
            outlet = int(r.integers(len(self.outlets)))
            spec = self.outlets[outlet]
            kind = str(r.choice(["full", "full", "partial", "gradual"]))
            blocked = 0.7 if kind == "partial" else 1.0
            ramp = float(r.uniform(40.0, 240.0)) if kind == "gradual" else 0.0
            rate = spec.share * self.target_kg_h / 3600.0
            bound = clog_bound_s(rate, spec, blocked, ramp, true_lumps=False)
            if bound is None or bound > longest_notice_s:
                at += 40.0
                if at > self.length_s - 400.0:
                    return
                continue
            length = float(np.clip(bound * r.uniform(*slack), 120.0 + ramp, 900.0))
            if at + length > self.length_s - 60.0:
                return
            self._put(
                "clog", outlet, at, length, what=kind, blocked=blocked, ramp_s=ramp,
                astray=float(r.uniform(*self.regime.astray)),
                fast=float(r.uniform(*self.regime.release_fast)),
                fast_s=float(r.uniform(2.0, 8.0)),
            )  # fmt: skip
            if r.random() < 0.04:  # whoever clears it takes the container away as well
                self._change(outlet, at + length - 4.0)
            at += length + r.uniform(330.0, 480.0)

    def _feed_stop(self, length_s: float, margin_s: float = 400.0) -> None:
        self._try("feed-stop", None, length_s, margin_s, 400.0)

    def _faults(self, kind: str, an_hour: float, length: Range, first_s: float = 300.0, **data: Any) -> None:
        for k in [None, *range(len(self.outlets))]:
            for _ in range(self.r.poisson(an_hour * self.length_s / 3600.0)):
                self._try(kind, -1 if k is None else k, self.r.uniform(*length), 60.0, first_s, **data)

    # ------------------------------------------------------------------ the classes

    def _hopper(self) -> None:
        self._clogs(240.0, (3.0, 6.0))
        self._handling(changes=0.6, bumps=1.0, small=0.1)

    def _tub(self) -> None:
        self._clogs(200.0, (5.0, 9.0))
        self._handling(changes=0.6, bumps=1.0, small=0.1)

    def _busy(self) -> None:
        for _ in range(int(self.r.integers(0, 3))):
            self._feed_stop(self.r.uniform(40.0, 400.0))
        self._handling(changes=2.0, bumps=4.0, small=0.5)
        self._faults("silent", 0.3, (5.0, 90.0))
        if self.r.random() < 0.2:  # a plug was pulled: everything is away at once
            at = self.r.uniform(300.0, self.length_s - 200.0)
            length = self.r.uniform(5.0, 60.0)
            for k in range(-1, len(self.outlets)):
                self._put("silent", k, at, length)

    def _drift(self) -> None:
        r = self.r
        kind = str(r.choice(["ramp", "ramp", "step", "pulsing"]))
        size = float(r.choice([0.1, 0.2, 0.3]) * r.choice([-1.0, 1.0]))
        ramp = float(r.uniform(300.0, 900.0)) if kind == "ramp" else 0.0
        at = r.uniform(1000.0, 1600.0)
        self._put("drift", None, at, self.length_s - at, what=kind, size=size, ramp_s=ramp)
        self._handling(changes=0.6, bumps=1.0, small=0.1)

    def _frozen(self) -> None:
        r = self.r
        for k in range(len(self.outlets)):
            if r.random() < 0.7:
                self._try("frozen", k, r.uniform(200.0, 500.0), 250.0, 500.0)
        self._faults("silent", 0.2, (5.0, 120.0))
        for k in range(len(self.outlets)):
            if r.random() < 0.15:
                self._try("unit", k, r.uniform(60.0, 300.0), 120.0, 300.0, unit=str(r.choice(["g", "lb"])))
        self._handling(changes=0.5, bumps=1.0, small=0.0)

    def _mass(self) -> None:
        self._put("feed-stop", None, self.length_s - 300.0, 300.0)  # all may drain before the tally is judged
        self._handling(changes=1.5, bumps=2.0, small=0.4)
        if self.r.random() < 0.4:
            self._feed_stop(self.r.uniform(40.0, 300.0))
