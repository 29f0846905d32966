"""What a simulated bay is made of: plain frozen values, drawn by hand or at random.

Masses in kg, lump sizes in g, rates in kg/h, times in s from the start of the simulation, densities
in g/cm3, shares as fractions of 1. All figures are assumed: nothing here was fitted to a recording
of a real table.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from logger.simulator.troubles import Trouble


@dataclass(frozen=True, slots=True)
class Scale:
    """How a scale shows a force. ``zero_tracking`` follows slow changes near gross zero by half a
    division a second, the most that OIML R 76-1 allows (memory)."""

    resolution_kg: float = 0.005
    noise_kg: float = 0.003
    vibration_kg: float = 0.004  # amplitude of what the table's shaking does to a reading
    vibration_hz: float = 4.6
    filter_s: float = 0.15  # the scale's own first-order smoothing
    capacity_kg: float = 60.0
    zero_tracking: bool = False
    zeroed_on_tare: bool = False  # zeroed with the first container standing on it
    says_stable: bool = True
    unit: str = "kg"
    rate_hz: float | None = None  # None: the trace's own
    jitter_s: float = 0.01  # of the report times, one standard deviation
    missing: float = 0.002  # fraction of lines that never come


@dataclass(frozen=True, slots=True)
class Vessel:
    """A container and what it does with water.

    ``kind`` is ``drains``, ``brim-full`` or ``retains`` (`logger.core.description.ContainerKind`).
    ``entrained`` kg of water come with each kg of product: it drains away with ``drain_s``, flows
    over, or stays. ``moisture`` kg of water for each kg stay in a drained product for good, beyond what the
    feed brought along (the feed is weighed as it is, moisture and all).
    """

    kind: str = "drains"
    tare_low_kg: float = 0.9
    tare_high_kg: float = 1.1
    full_kg: float = 20.0  # gross at which the operator changes it
    fill_water_kg: float = 0.0  # water a brim-full container brings along
    entrained: float = 0.25
    drain_s: float = 20.0
    moisture: float = 0.0


@dataclass(frozen=True, slots=True)
class Outlet:
    """One outlet: its share of the feed, its lag, the lumps its product arrives in, its container.

    The lag is ``dead_s`` plus a first-order ``spread_s``. Lumps have exponential masses; the fraction
    ``wad_share`` of the mass comes in wads of mean ``wad_g``. ``scale`` None: not weighed.
    """

    name: str
    share: float
    dead_s: float = 20.0
    spread_s: float = 12.0
    lump_g: float = 3.0  # mean mass of an ordinary lump
    wad_share: float = 0.0
    wad_g: float = 30.0
    wander: float = 0.06  # sd of the slow relative wander of the share
    wander_s: float = 600.0
    surge: float = 0.0  # relative amplitude of slow surging
    surge_period_s: float = 45.0
    density: float = 2.65
    vessel: Vessel = field(default_factory=Vessel)
    scale: Scale | None = field(default_factory=Scale)

    @property
    def dispersion_g(self) -> float:
        """E[m2]/E[m] of the lumps, in g: twice the mean mass for exponential lumps."""
        return 2.0 * ((1.0 - self.wad_share) * self.lump_g + self.wad_share * self.wad_g)


@dataclass(frozen=True, slots=True)
class Feed:
    """The feed: ``hopper`` (auger) or ``tub`` (a hand with a scoop). ``scale`` None: not weighed."""

    kind: str = "hopper"
    target_kg_h: float = 60.0
    content_kg: float = 30.0
    tare_kg: float = 6.0
    refill_at_kg: float = 8.0  # the operator refills below this content
    refill_kg: tuple[float, float] = (10.0, 20.0)
    pulsation: float = 0.08  # relative amplitude, in step with the auger
    pulsation_s: float = 2.0
    wander: float = 0.02
    wander_s: float = 300.0
    jitter_g: float = 1.5  # dispersion of the short-term irregularity
    scoop_kg: tuple[float, float] = (0.3, 0.5)
    scale: Scale | None = field(
        default_factory=lambda: Scale(resolution_kg=0.01, noise_kg=0.004, vibration_kg=0.002, capacity_kg=150)
    )


@dataclass(frozen=True, slots=True)
class Water:
    """A water line and its meter."""

    name: str = "wash-water"
    flow_l_min: float = 14.0
    wander: float = 0.02
    wander_s: float = 120.0
    noise_l_min: float = 0.05
    resolution_l_min: float = 0.1
    rate_hz: float = 1.0


@dataclass(frozen=True, slots=True)
class Scenario:
    """A whole bay and what happens in it. ``tends`` is how often the operator looks after containers
    and hopper by himself (every so many seconds; 0: never)."""

    name: str
    feed: Feed
    outlets: tuple[Outlet, ...]
    water: Water | None = field(default_factory=Water)
    feed_water: Water | None = None  # comes onto the deck with the feed
    troubles: tuple[Trouble, ...] = ()
    tends_s: float = 20.0
    feed_from_s: float = 60.0  # until then nothing flows

    @property
    def waters(self) -> tuple[Water, ...]:
        """The water lines: wash water, then what comes with the feed."""
        return tuple(line for line in (self.water, self.feed_water) if line is not None)

    def meter(self, channel: str) -> Water | None:
        """The water line that a channel measures; None where it is a scale."""
        return next((line for line in self.waters if line.name == channel), None)

    @property
    def channels(self) -> tuple[str, ...]:
        """Names of all channels: ``feed``, then each weighed outlet, then the water."""
        names = ["feed"] if self.feed.scale is not None else []
        names += [outlet.name for outlet in self.outlets if outlet.scale is not None]
        return tuple(names + [line.name for line in self.waters])
