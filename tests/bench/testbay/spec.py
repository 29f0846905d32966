"""What a test bay is made of: plain frozen values."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from tests.bench.testbay.regimes import Range, Regime

CLASSES = ("hopper", "tub", "busy", "drift", "frozen", "mass")
LENGTH_S = {"hopper": 5400, "tub": 5400, "busy": 3600, "drift": 4200, "frozen": 3600, "mass": 3600}
CAPACITY_KG = {1: 30.0, 2: 30.0, 5: 60.0, 10: 60.0, 20: 150.0}  # by resolution in g; assumed
CALM_S = 660.0  # nothing is wrong before: shares must have been seen before they can be missed


@dataclass(frozen=True)
class Event:
    """Something that happened, from ``at_s`` to ``until_s``; ``outlet`` None: the feed, or the bay."""

    kind: str
    outlet: int | None
    at_s: float
    until_s: float
    data: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class ScaleSpec:
    resolution_kg: float
    hz: float
    sigma_kg: float
    vibration_kg: float
    vibration_hz: float
    slow_kg: float
    filter_s: float
    lost: float
    capacity_kg: float
    zero_tracking: bool


@dataclass(frozen=True)
class OutletSpec:
    name: str
    share: float
    kernel: str
    dead_s: float
    spread_s: float
    shape: float  # tanks in series, or the Peclet number of the dispersion
    wander: float
    wander_s: float
    surge: float
    surge_s: float
    lump: str
    phi_kg: float
    wad_share: float
    wad_phi_kg: float
    excess: float
    excess_s: float
    density: float | None  # of a brim-full container's solids, g/cm3; None: the container drains
    zeroed: bool  # the empty container was tared away before the run
    tares_kg: Range
    full_kg: float  # a person changes the container at about so much
    scale: ScaleSpec

    @property
    def all_phi_kg(self) -> float:
        """E m^2 / E m of everything that arrives."""
        return (1.0 - self.wad_share) * self.phi_kg + self.wad_share * self.wad_phi_kg


@dataclass(frozen=True)
class Plan:
    seed: int
    regime: Regime
    what: str  # the class
    length_s: int
    hand: bool  # fed from a tub by scoop
    target_kg_h: float
    scoop_kg: float
    feed_from_s: float
    feed_until_s: float
    feed_wander: float
    feed_wander_s: float
    auger: float
    auger_s: float
    feed_lump_kg: float
    feed_scale: ScaleSpec
    outlets: tuple[OutletSpec, ...]
    events: tuple[Event, ...]

    def of(self, *kinds: str) -> list[Event]:
        return [event for event in self.events if event.kind in kinds]
