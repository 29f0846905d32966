"""What can go wrong in a simulated bay, each with its time in s from the start.

``until_s`` None means "until the end". ``channel`` is ``feed`` or an outlet's name.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias


@dataclass(frozen=True, slots=True)
class Clog:
    """An outlet plugs: the fraction ``blocked`` of what arrives does not come out.

    It grows over ``ramp_s``. Of what is held back, ``piles`` stays behind the plug (up to
    ``pile_limit_kg``), ``strays`` is lost on the floor, the rest flows over to the neighbours. When it
    clears, the pile comes out with the time constant ``surge_s``.
    """

    at_s: float
    outlet: str
    until_s: float | None = None
    blocked: float = 1.0
    ramp_s: float = 0.0
    piles: float = 0.6
    strays: float = 0.0
    pile_limit_kg: float = 2.0
    surge_s: float = 4.0


@dataclass(frozen=True, slots=True)
class FeedStop:
    at_s: float
    until_s: float | None = None


@dataclass(frozen=True, slots=True)
class FeedDrift:
    """The feed rate goes to ``factor`` times the target over ``ramp_s`` (0: a step)."""

    at_s: float
    factor: float
    ramp_s: float = 0.0
    until_s: float | None = None


@dataclass(frozen=True, slots=True)
class Pulsing:
    """The auger pulses more: relative amplitude and period."""

    at_s: float
    amplitude: float
    period_s: float
    until_s: float | None = None


@dataclass(frozen=True, slots=True)
class ContainerChange:
    """The container is lifted off, and another put in its place ``without_s`` later.

    What flows meanwhile is lost beside the scale, or ``caught`` and poured in ``pour_after_s`` later.
    ``tare_kg`` None: drawn from the vessel's range.
    """

    at_s: float
    outlet: str
    without_s: float = 12.0
    caught: bool = False
    pour_after_s: float = 15.0
    tare_kg: float | None = None


@dataclass(frozen=True, slots=True)
class Refill:
    at_s: float
    mass_kg: float = 15.0
    over_s: float = 6.0


@dataclass(frozen=True, slots=True)
class Bump:
    """An elbow or a hose leans on a scale."""

    at_s: float
    channel: str
    force_kg: float
    for_s: float


@dataclass(frozen=True, slots=True)
class TarePressed:
    """The tare key: the scale shows net from here on, beginning with 0."""

    at_s: float
    channel: str


@dataclass(frozen=True, slots=True)
class UnitChanged:
    """The unit key: ``lb`` or ``g`` in place of kg."""

    at_s: float
    channel: str
    unit: str = "lb"
    until_s: float | None = None


@dataclass(frozen=True, slots=True)
class Frozen:
    """The same line over and over."""

    at_s: float
    channel: str
    until_s: float | None = None


@dataclass(frozen=True, slots=True)
class Silent:
    """The instrument says nothing; its wire stays up."""

    at_s: float
    channel: str
    until_s: float | None = None


@dataclass(frozen=True, slots=True)
class Unplugged:
    """The wire is pulled out."""

    at_s: float
    channel: str
    until_s: float | None = None


@dataclass(frozen=True, slots=True)
class Garbled:
    """The fraction ``share`` of the lines is spoilt; in a trace such lines are missing."""

    at_s: float
    channel: str
    share: float = 0.3
    until_s: float | None = None


@dataclass(frozen=True, slots=True)
class SampleTaken:
    """A sample of product is taken out of a container; it was delivered all the same."""

    at_s: float
    outlet: str
    mass_kg: float = 0.15


@dataclass(frozen=True, slots=True)
class Decanted:
    """Water is poured off a container that holds some; no product leaves."""

    at_s: float
    outlet: str
    water_kg: float = 1.0


@dataclass(frozen=True, slots=True)
class WaterChange:
    """The water of a line (the wash water's, unless named) goes to ``factor`` times its setting."""

    at_s: float
    factor: float
    until_s: float | None = None
    line: str | None = None


Trouble: TypeAlias = (
    Clog
    | FeedStop
    | FeedDrift
    | Pulsing
    | ContainerChange
    | Refill
    | Bump
    | TarePressed
    | UnitChanged
    | Frozen
    | Silent
    | Unplugged
    | Garbled
    | SampleTaken
    | Decanted
    | WaterChange
)
