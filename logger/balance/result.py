"""What a weigh-up gives: figures with their uncertainty, how each is known, and the tests of the whole.

Masses in kg, shares and grades as fractions of 1 on the dry basis unless a name says otherwise. Frozen; the
JSON form is a contract with those who script.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields, is_dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from logger.balance.assess import Assessment


class How(StrEnum):
    """How a figure is known. Nothing estimated ever goes by another word."""

    WEIGHED = "weighed"
    ASSAYED = "assayed"
    SORTED = "hand-sorted"
    COUNTED = "counted"
    SOLVED = "solved for"  # not measured; follows from the balance
    CALCULATED = "calculated"  # from measured figures alone
    ESTIMATED = "estimated"  # expected, assumed, or depending on what is


@dataclass(frozen=True, slots=True)
class Estimate:
    """A figure: value, standard uncertainty, 95 % interval, and how it is known."""

    value: float
    u: float
    low: float
    high: float
    how: How


@dataclass(frozen=True, slots=True)
class ComponentOf:
    """A component in a stream. None: not determinable from what is known."""

    measured: Estimate | None  # the grade as it was measured, before the balance
    grade: Estimate | None  # as the balance has it
    mass: Estimate | None  # kg in the stream
    recovery: Estimate | None  # of what all final products hold, for a final product; else of the lot's feed
    enrichment: Estimate | None  # grade / grade of the lot's feed


@dataclass(frozen=True, slots=True)
class StreamOf:
    """A stream of the balance. ``role``: "feed", "product" (final) or "between" (goes over again)."""

    name: str
    role: str
    wet: Estimate | None  # as weighed
    moisture: Estimate | None  # share of the wet mass
    measured: Estimate | None  # dry mass before the balance
    dry: Estimate | None  # dry mass as the balance has it
    share: Estimate | None  # yield: of the lot's feed
    components: dict[str, ComponentOf]


@dataclass(frozen=True, slots=True)
class PassOf:
    """One pass by itself. Closures use the measured figures alone; None where something is not measured."""

    name: str
    feed: tuple[str, ...]
    products: tuple[str, ...]
    closure: Estimate | None  # dry mass out / in
    closures: dict[str, Estimate | None]  # each component: mass out / in
    yields: dict[str, Estimate | None]  # of this pass's feed
    recoveries: dict[str, dict[str, Estimate | None]]  # product -> component -> of this pass's feed
    efficiency: dict[str, Estimate | None]  # Schulz: recovery of the wanted - of all else, for each product
    head: dict[str, Estimate | None]  # grade of the feed calculated back from the products alone
    assayed_head: dict[str, Estimate | None]


@dataclass(frozen=True, slots=True)
class Suspect:
    """How a measured figure fits the rest: what was changed, in standard deviations of that change."""

    figure: str
    measured: float
    reconciled: float
    z: float
    suspicious: bool


@dataclass(frozen=True, slots=True)
class Tests:
    """The test of the whole (chi-square) and of each figure. ``says``: the verdict in one sentence."""

    statistic: float
    degrees: int
    p: float
    passed: bool
    suspects: tuple[Suspect, ...]
    named: tuple[str, ...]  # the figures that are likely wrong; several: it can't be told which
    says: str


@dataclass(frozen=True, slots=True)
class Contribution:
    """What an input adds to a figure's variance: a line of its uncertainty budget."""

    input: str
    share: float


@dataclass(frozen=True, slots=True)
class Result:
    """A whole balance. ``notes``: what was assumed or is missing, and what it does, in sentences."""

    lot: str
    material: str
    units: str
    wanted: str | None
    streams: dict[str, StreamOf]
    passes: dict[str, PassOf]
    tests: Tests | None
    method: str  # "linear" or "monte-carlo"
    why: str  # why that method
    draws: int
    notes: tuple[str, ...]
    budgets: dict[str, tuple[Contribution, ...]] = field(default_factory=dict)
    """"recovery of bronze in concentrate" -> its largest contributions, greatest first."""

    sale: Assessment | None = None
    """Verdicts, worth, and whether another pass pays; None until it was asked."""

    def to_json(self) -> dict[str, Any]:
        """Plain JSON values; masses in kg, shares and grades as fractions of 1. A contract with scripts."""
        told: dict[str, Any] = plain(self)
        return told | {"mass_unit": "kg", "basis": "dry", "level": 0.95}


def plain(value: Any) -> Any:
    if is_dataclass(value):
        return {each.name: plain(getattr(value, each.name)) for each in fields(value)}
    if isinstance(value, StrEnum):
        return str(value)
    if isinstance(value, Mapping):
        return {key: plain(each) for key, each in value.items()}
    return [plain(each) for each in value] if isinstance(value, tuple) else value
