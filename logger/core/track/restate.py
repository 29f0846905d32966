"""Believing something else of an event than before: the mass, the tare and what fell beside follow.

What a step of the weight counts for is changed beside what was weighed (`core.track.corrections`), the tare
of the container that stands there now in the view.
"""

from __future__ import annotations

from typing import Any

from logger.core.track.changes import KG
from logger.core.track.corrections import DELIVERED, UNCAUGHT, UNCAUGHT_VAR, Corrections
from logger.core.track.ledger import FRESH, Belief, Record
from logger.core.track.machine import Machine
from logger.core.track.view import Recognised


class Restater(Machine):
    """Applies beliefs to the ledger's records."""

    _said: Corrections

    def _restate(self, record: Record, b: Belief) -> None:
        """Let an event count for what is believed of it now."""
        flow = b.counted + b.water - record.counted - record.water
        var = b.var + record.step_var * b.spliced - record.var - record.step_var * record.spliced
        beside_var = record.expected_var if b.uncaught else 0.0
        change = (
            flow, var, b.estimated - record.estimated,
            b.uncaught - record.uncaught, beside_var - record.uncaught_var,
        )  # fmt: skip
        self._shift(record.from_s, record.to_s, change)
        if b.water != record.water:  # it came as the container filled
            self._shift(self._filling_s(record), record.from_s, (record.water - b.water, 0.0, 0.0))
        self._retare(record, b.tare)
        if record.found in FRESH and b.tare != record.after:
            if record.after in self._know.tares:
                self._know.tares.remove(record.after)
            if self._stood_s == record.to_s:
                self._stood_s = record.since_s
        record.counted, record.var, record.spliced = b.counted, b.var, b.spliced
        record.estimated, record.water = b.estimated, b.water
        record.uncaught, record.uncaught_var = b.uncaught, beside_var
        self._credits = [r for r in self._credits if r.number != record.number]
        self._review = None

    def _filling_s(self, record: Record) -> int:
        """Since when product came into the container that stood there before a step."""
        history, low, high = self._account.history, min(record.since_s, record.from_s), record.from_s
        first = history.at(low) + 0.02 * (history.at(high) - history.at(low))
        while high - low > 1:
            middle = (low + high) // 2
            low, high = (low, middle) if history.at(middle) > first else (middle, high)
        return low

    def _retare(self, record: Record, tare: float | None) -> None:
        """The tare after an event was another: so it is now, unless another container came since."""
        old, record.tare = record.tare, tare
        if tare == old:
            return
        for later in self._ledger.later(record.number):
            later.tare_before = _moved(later.tare_before, old, tare)
            if later.what in FRESH:
                return
            later.tare = _moved(later.tare, old, tare)
            later.tare_found = _moved(later.tare_found, old, tare)
        view = self.view
        view.tare_mg = _moved(view.tare_mg, old, tare)
        view.content_mg = None if view.tare_mg is None else view.level_mg - view.tare_mg

    def _shift(self, from_s: int, to_s: int, change: tuple[float, ...]) -> None:
        self._said.add(from_s, to_s, change)
        view = self.view
        view.delivered_mg += change[0]
        view.var_mg2 += change[1]
        view.estimated_mg += change[2]

    def _fresh(self, record: Record) -> None:
        """Another container stands there since this step, as a person said."""
        self._know.learn_tare(record.after)
        self._account.drainage.changed()
        self._former = None
        self._stood_s = max(self._stood_s, record.to_s)
        if record.estimated > 0.0:  # caught product may yet be poured in
            self._credits = [*self._credits[-3:], record]

    def _event(self, record: Record, data: dict[str, Any]) -> Recognised:
        looked = {"looked_like": record.found} if record.found != record.what else {}
        return Recognised(
            record.what, record.from_s, record.to_s, record.shown, record.counted + record.water,
            record.var**0.5, record.estimated > 0.0, record.number, {"told": True} | looked | data,
        )  # fmt: skip

    def adjust(self, second: int, delta_mg: float, u_mg: float) -> None:
        """A correction: delivered mass from ``second`` on changes by ``delta_mg`` (u: standard)."""
        self._shift(second, second, (delta_mg, u_mg * u_mg, 0.0))

    def delivered_at(self, second: int) -> float:
        """Cumulative delivered mass (mg) at an earlier station second, from the track's history."""
        return self._account.delivered_at(second) + self._said.at(second, DELIVERED)

    def not_caught(self, from_s: int, to_s: int) -> tuple[float, float]:
        """What came in a span while, as a person said, no container stood there, and its uncertainty (mg)."""
        said = self._said
        mass = said.at(to_s, UNCAUGHT) - said.at(from_s, UNCAUGHT)
        var = said.at(to_s, UNCAUGHT_VAR) - said.at(from_s, UNCAUGHT_VAR)
        e = self._episode
        if self._away_s is not None and e is not None and self.view.now_s > e.start_s:
            lasts = self.view.now_s - e.start_s
            begin, end = (min(max(s - e.start_s, 0), lasts) / lasts for s in (from_s, to_s))
            mass += (end - begin) * e.credit
            var += ((end - begin) * e.credit_u()) ** 2
        return mass, max(0.0, var) ** 0.5


def _moved(value: float | None, old: float | None, new: float | None) -> float | None:
    """A tare that follows when the one before it turns out to be another."""
    if new is None or value is None or old is None:
        return new
    return value + new - old


def kg(mg: float | None) -> float | None:
    return None if mg is None else round(mg / KG, 6)
