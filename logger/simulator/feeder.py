"""How the feed leaves its hopper or its tub."""

from __future__ import annotations

from math import pi, sin, sqrt
from random import Random

from logger.simulator.scenario import Feed
from logger.simulator.wander import Wander


class Feeder:
    """What hopper and tub have in common: a content on a scale, a wanted rate, refills.

    ``used_kg`` is what left the hopper or tub, ``on_the_way_kg`` what is in the scoop.
    """

    def __init__(self, feed: Feed, rng: Random) -> None:
        self.feed = feed
        self.rng = rng
        self.content_kg = feed.content_kg
        self.used_kg = 0.0
        self.refilled_kg = 0.0
        self.on_the_way_kg = 0.0
        self.running = False
        self.pulsation = feed.pulsation
        self.pulsation_s = feed.pulsation_s
        self._factor_from = self._factor_to = 1.0
        self._ramp = (0.0, 0.0)
        self._wander = Wander(feed.wander, feed.wander_s, rng)
        self._refill_until_s = -1.0
        self._refill_kg_s = 0.0

    def drift(self, at_s: float, factor: float, ramp_s: float) -> None:
        """Go from the present factor to ``factor`` over ``ramp_s``."""
        self._factor_from, self._factor_to = self.factor(at_s), factor
        self._ramp = (at_s, ramp_s)

    def factor(self, at_s: float) -> float:
        start_s, ramp_s = self._ramp
        if ramp_s <= 0.0 or at_s >= start_s + ramp_s:
            return self._factor_to
        return self._factor_from + (self._factor_to - self._factor_from) * (at_s - start_s) / ramp_s

    def refill(self, at_s: float, mass_kg: float, over_s: float) -> None:
        left_kg = self._refill_kg_s * max(0.0, self._refill_until_s - at_s)
        self._refill_until_s = at_s + over_s
        self._refill_kg_s = (mass_kg + left_kg) / over_s

    @property
    def rate_kg_s(self) -> float:
        """The wanted rate now, without pulsation and irregularity; 0 when stopped."""
        return self.feed.target_kg_h / 3600.0 if self.running else 0.0

    def step(self, at_s: float, dt_s: float) -> float:
        """What falls onto the deck in the step that ends at ``at_s`` (kg)."""
        if at_s - dt_s < self._refill_until_s:
            part_s = min(dt_s, self._refill_until_s - (at_s - dt_s))
            self.content_kg += self._refill_kg_s * part_s
            self.refilled_kg += self._refill_kg_s * part_s
        return self._deliver(at_s, dt_s)

    def _deliver(self, at_s: float, dt_s: float) -> float:
        raise NotImplementedError

    def _take(self, wanted_kg: float) -> float:
        taken_kg = min(wanted_kg, self.content_kg)
        self.content_kg -= taken_kg
        self.used_kg += taken_kg
        return taken_kg

    def force_kg(self, at_s: float) -> float:
        """What presses on the scale, hands and falling material with it."""
        force_kg = self.feed.tare_kg + self.content_kg
        if at_s < self._refill_until_s:
            force_kg += abs(self.rng.gauss(0.0, 0.15))
        return force_kg


class Hopper(Feeder):
    """A hopper with an auger: pulsation in step with its turns, slow wander, irregularity."""

    def __init__(self, feed: Feed, rng: Random) -> None:
        super().__init__(feed, rng)
        self._owed_kg = 0.0

    def _deliver(self, at_s: float, dt_s: float) -> float:
        if not self.running or self.content_kg <= 0.0:
            return 0.0
        slow = 1.0 + self._wander.at(at_s)
        pulse = 1.0 + self.pulsation * sin(2.0 * pi * at_s / self.pulsation_s)
        mean_kg = max(0.0, self.rate_kg_s * self.factor(at_s) * slow * pulse * dt_s)
        spread_kg = sqrt(self.feed.jitter_g * 1e-3 * mean_kg)
        wanted_kg = mean_kg + self.rng.gauss(0.0, spread_kg) + self._owed_kg
        self._owed_kg = min(0.0, wanted_kg)  # irregularity never feeds backwards, and is made good
        return self._take(max(0.0, wanted_kg))


class Tub(Feeder):
    """A tub that a person feeds from by the scoop."""

    _LIFT_S = 1.5  # from the tub to the deck
    _POUR_S = 2.0

    def __init__(self, feed: Feed, rng: Random) -> None:
        super().__init__(feed, rng)
        self._next_s = 0.0
        self._push_until_s = -1.0
        self._push_kg = 0.0
        self._pours: list[tuple[float, float]] = []  # (begin, kg/s)

    def _deliver(self, at_s: float, dt_s: float) -> float:
        if self.running and at_s >= self._next_s and self.content_kg > 0.0:
            self._scoop(at_s)
        if not self._pours:
            return 0.0
        poured_kg = sum(rate for begin_s, rate in self._pours if at_s > begin_s) * dt_s
        self._pours = [(b, r) for b, r in self._pours if at_s < b + self._POUR_S]
        poured_kg = min(poured_kg, self.on_the_way_kg) if self._pours else self.on_the_way_kg
        self.on_the_way_kg -= poured_kg
        return poured_kg

    def _scoop(self, at_s: float) -> None:
        scoop_kg = self.rng.uniform(*self.feed.scoop_kg)
        wanted_kg_s = self.rate_kg_s * self.factor(at_s) * (1.0 + self._wander.at(at_s))
        pause_s = scoop_kg / max(wanted_kg_s, 1e-6) * self.rng.uniform(0.7, 1.3)
        self._next_s = max(self._next_s if at_s - self._next_s < 1.0 else at_s, 0.0) + pause_s
        taken_kg = self._take(scoop_kg)
        self.on_the_way_kg += taken_kg
        self._pours.append((at_s + self._LIFT_S, taken_kg / self._POUR_S))
        self._push_until_s = at_s + self.rng.uniform(0.3, 1.0)
        self._push_kg = self.rng.uniform(-0.5, 2.5)

    def force_kg(self, at_s: float) -> float:
        push_kg = self._push_kg if at_s < self._push_until_s else 0.0
        return super().force_kg(at_s) + push_kg


def make_feeder(feed: Feed, rng: Random) -> Feeder:
    kinds = {"hopper": Hopper, "tub": Tub}
    if feed.kind not in kinds:
        raise ValueError(f'feed kind "{feed.kind}" is not known; use one of {", ".join(kinds)}')
    return kinds[feed.kind](feed, rng)
