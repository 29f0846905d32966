"""A container under an outlet, and the hands that change it."""

from __future__ import annotations

from math import exp, pi, sin
from random import Random

from logger.simulator.scenario import Outlet

_LIFT_S = 0.4
_LAND_S = 0.6
_POUR_S = 2.0


class Place:
    """The place under one outlet: a container on a scale, or for a while none.

    ``delivered_kg`` is all solids that left the outlet, whether they fell into a container, beside it, or
    into a pan in the operator's hand; ``lost_kg`` is the part that fell beside it.
    """

    def __init__(self, outlet: Outlet, dt_s: float, rng: Random) -> None:
        self.outlet = outlet
        self.vessel = outlet.vessel
        self._rng = rng
        self._drain = exp(-dt_s / self.vessel.drain_s)
        self._immersed = 1.0 - 1.0 / outlet.density if self.vessel.kind == "brim-full" else 1.0
        self.delivered_kg = 0.0
        self.lost_kg = 0.0
        self.changes = 0
        self.present = True
        self.catching = False
        self.caught_kg = 0.0
        self._lift_s = -9.0
        self._lifted_kg = 0.0
        self._land_s = -9.0
        self._pour_s: float | None = None
        self._pour_kg_s = 0.0
        self.tare_kg = 0.0
        self._set_down(self.draw_tare())

    def draw_tare(self) -> float:
        return self._rng.uniform(self.vessel.tare_low_kg, self.vessel.tare_high_kg)

    def _set_down(self, tare_kg: float) -> None:
        self.tare_kg = tare_kg
        self.solids_kg = 0.0  # in this container
        self.water_kg = 0.0
        self.removed_kg = 0.0  # samples and decanted water
        self._decanted_kg = 0.0

    def reported_kg(self) -> float:
        """What a true tally says: solids, with lasting moisture (drains) or with water (retains)."""
        if self.vessel.kind == "drains":
            return self.delivered_kg * (1.0 + self.vessel.moisture)
        if self.vessel.kind == "retains":
            return self.delivered_kg * (1.0 + self.vessel.entrained)
        return self.delivered_kg

    def take_sample(self, wanted_kg: float) -> float:
        """Take product out of the container; gives how much there was to take."""
        taken_kg = min(wanted_kg, self.solids_kg) if self.present else 0.0
        self.removed_kg += taken_kg
        return taken_kg

    def decant(self, wanted_kg: float) -> float:
        """Pour water off; gives how much there was. A brim-full container does not fill up again."""
        standing_kg = self.vessel.fill_water_kg if self.vessel.kind == "brim-full" else self.water_kg
        taken_kg = min(wanted_kg, max(0.0, standing_kg - self._decanted_kg)) if self.present else 0.0
        self._decanted_kg += taken_kg
        self.removed_kg += taken_kg
        return taken_kg

    def gross_kg(self) -> float:
        """What the container and its content weigh on the scale."""
        vessel = self.vessel
        if vessel.kind == "brim-full":
            content_kg = vessel.fill_water_kg + self.solids_kg * self._immersed
        elif vessel.kind == "drains":
            content_kg = self.solids_kg * (1.0 + vessel.moisture) + self.water_kg
        else:
            content_kg = self.solids_kg + self.water_kg
        return self.tare_kg + content_kg - self.removed_kg

    def receive(self, mass_kg: float) -> None:
        """Solids leave the outlet."""
        self.delivered_kg += mass_kg
        if self.present:
            self.solids_kg += mass_kg
            self.water_kg += mass_kg * self.vessel.entrained
        elif self.catching:
            self.caught_kg += mass_kg
        else:
            self.lost_kg += mass_kg

    def step(self, at_s: float, dt_s: float) -> None:
        """Water drains; what was caught is poured in."""
        if self.vessel.kind == "drains":
            self.water_kg *= self._drain
        if self._pour_s is not None and at_s >= self._pour_s and self.present:
            poured_kg = min(self._pour_kg_s * dt_s, self.caught_kg)
            self.caught_kg -= poured_kg
            self.solids_kg += poured_kg
            self.water_kg += poured_kg * self.vessel.entrained
            if self.caught_kg <= 1e-12:
                self.solids_kg += self.caught_kg
                self.caught_kg, self._pour_s = 0.0, None

    def lift(self, at_s: float, catching: bool) -> float:
        """Take the container away; gives its gross."""
        self._lifted_kg = self.gross_kg()
        self._lift_s = at_s
        self.present = False
        self.catching = catching
        return self._lifted_kg

    def put(self, at_s: float, tare_kg: float, pour_after_s: float) -> None:
        """Put another container down."""
        self._set_down(tare_kg)
        self.present = True
        self.changes += 1
        self._land_s = at_s
        if self.caught_kg > 0.0:
            self._pour_s = at_s + pour_after_s
            self._pour_kg_s = self.caught_kg / _POUR_S

    def force_kg(self, at_s: float) -> float:
        """What presses on the scale."""
        if not self.present:
            since_s = at_s - self._lift_s
            return self._lifted_kg * (1.0 - since_s / _LIFT_S) if since_s < _LIFT_S else 0.0
        gross_kg = self.gross_kg()
        since_s = at_s - self._land_s
        if since_s < _LAND_S:  # it lands with a knock, then swings
            x = since_s / _LAND_S
            return gross_kg * (1.0 - (1.0 - x) ** 4) * (1.0 + 0.3 * (1.0 - x) * sin(3.0 * pi * x))
        return gross_kg
