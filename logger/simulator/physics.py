"""The bay without its instruments: feed, deck, outlets and containers, stepped in time.

Everything is drawn from generators seeded by (seed, part), so the same scenario and seed give the same
figures, and a change in one part does not disturb the dice of another. Mass is neither made nor lost:
what left the hopper is delivered, still on its way, or has gone astray.
"""

from __future__ import annotations

from random import Random
from typing import NamedTuple

from logger.simulator.deck import Deck
from logger.simulator.feeder import make_feeder
from logger.simulator.lip import Lip
from logger.simulator.scenario import Scenario, Water
from logger.simulator.vessel import Place
from logger.simulator.wander import Wander


class Balance(NamedTuple):
    """Where the mass is (kg). ``delivered`` holds one figure an outlet, lost product included."""

    used: float
    delivered: tuple[float, ...]
    hold_up: float  # on the deck, in the scoop, and behind plugs
    astray: float  # on the floor: from plugged outlets


class Physics:
    """One separator with its feed and outlets.

    ``step`` goes on by ``dt_s``, which is fixed. ``places[i]`` belongs to ``scenario.outlets[i]``.
    """

    def __init__(self, scenario: Scenario, seed: int = 0, dt_s: float = 0.1) -> None:
        if not 0.01 <= dt_s <= 0.5:
            raise ValueError(f"a step of {dt_s} s is outside 0.01 to 0.5 s; use 0.05 to 0.1 s")
        total = sum(outlet.share for outlet in scenario.outlets)
        if abs(total - 1.0) > 1e-6:
            raise ValueError(f"the outlets' shares sum to {total:g}; they must sum to 1")

        def dice(part: str) -> Random:
            return Random(f"{seed}/{part}")

        self.scenario = scenario
        self.dt_s = dt_s
        self.steps = 0
        self.feeder = make_feeder(scenario.feed, dice("feed"))
        self.deck = Deck(scenario.outlets, scenario.feed.target_kg_h, dt_s, dice("deck"))
        self.lips = [Lip(dice(f"lip/{o.name}")) for o in scenario.outlets]
        self.places = [Place(o, dt_s, dice(f"place/{o.name}")) for o in scenario.outlets]
        self.astray_kg = 0.0
        self.water_factors = {line.name: 1.0 for line in scenario.waters}
        self._wanders: dict[str, Wander] = {}
        for line, part in ((scenario.water, "water"), (scenario.feed_water, "feed-water")):
            if line is not None:
                self._wanders[line.name] = Wander(line.wander, line.wander_s, dice(part))

    @property
    def now_s(self) -> float:
        """Time since the start; a whole number of steps."""
        return self.steps * self.dt_s

    def index(self, outlet: str) -> int:
        """Where an outlet stands; KeyError where there is none of that name."""
        for i, one in enumerate(self.scenario.outlets):
            if one.name == outlet:
                return i
        known = ", ".join(one.name for one in self.scenario.outlets)
        raise KeyError(f'there is no outlet "{outlet}" in this bay; there are {known}')

    def step(self) -> None:
        """Let ``dt_s`` pass."""
        self.steps += 1
        now_s, dt_s = self.steps * self.dt_s, self.dt_s
        arrived = self.deck.step(now_s, self.feeder.step(now_s, dt_s))
        for i, lip in enumerate(self.lips):
            place = self.places[i]
            out_kg = arrived[i]
            if lip.held:
                out_kg, over_kg, strayed_kg = lip.step(now_s, out_kg, dt_s)
                self.astray_kg += strayed_kg
                if over_kg > 0.0:
                    self._overflow(i, over_kg)
            if out_kg > 0.0:
                place.receive(out_kg)
            place.step(now_s, dt_s)

    def _overflow(self, i: int, over_kg: float) -> None:
        """Product of a plugged outlet crosses into its neighbours, and through them at once."""
        beside = [j for j in (i - 1, i + 1) if 0 <= j < len(self.places)]
        for j in beside:
            self.places[j].receive(over_kg / len(beside))

    def water_l_min(self, line: Water | None) -> float:
        """The water of a line now; 0 where there is none."""
        if line is None:
            return 0.0
        wandering = 1.0 + self._wanders[line.name].at(self.now_s)
        return max(0.0, line.flow_l_min * self.water_factors[line.name] * wandering)

    def balance(self) -> Balance:
        """Where every gram is."""
        hold_up_kg = self.deck.bed_kg + self.deck.travelling_kg + self.feeder.on_the_way_kg
        hold_up_kg += sum(lip.piled_kg for lip in self.lips)
        delivered = tuple(place.delivered_kg for place in self.places)
        return Balance(self.feeder.used_kg, delivered, hold_up_kg, self.astray_kg)
