"""What was said for the weigh-up: samples and what was found in them, moistures, check weights."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from logger.core.actions.weighup import PAN, pan_in_order
from logger.core.books.refused import Refused
from logger.core.walltime import rfc3339


@dataclass(frozen=True, slots=True)
class Place:
    """Which material something is about: the feed of a lot; of a run, its feed or an outlet's product."""

    lot: str | None = None
    run: str | None = None
    outlet: str | None = None

    def __str__(self) -> str:
        if self.lot is not None:
            return f"the feed of lot {self.lot}"
        return f"{self.outlet or 'the feed'} of {self.run or 'no run'}"

    def to_json(self) -> dict[str, Any]:
        return {"lot": self.lot, "run": self.run, "outlet": self.outlet}


@dataclass(slots=True)
class Sample:
    """A sample; ``mass_kg`` None: not known. ``entry`` is the action's that it was said with.

    ``run`` and ``lot`` are told of a registered sample only: what was taken at an outlet belongs to the run
    of its time, also when that is corrected. ``outlet`` "": a sample of feed.
    """

    at_ns: int
    station: str
    outlet: str
    sample: str
    mass_kg: float | None
    u_kg: float | None
    entry: int = 0
    registered: bool = False
    lot: str | None = None
    run: str | None = None
    note: str = ""

    def to_json(self) -> dict[str, Any]:
        return {
            "sample": self.sample,
            "outlet": self.outlet or None,
            "time": rfc3339(self.at_ns),
            "mass_kg": self.mass_kg,
            "u_kg": self.u_kg,
            "entry": self.entry,
            "registered": self.registered,
            "note": self.note,
        }


@dataclass(frozen=True, slots=True)
class SampleResult:
    """What was found in a sample: ``found`` holds the fields of the action. ``sample``: its entry."""

    entry: int
    at_ns: int
    sample: int
    found: dict[str, Any]

    def to_json(self) -> dict[str, Any]:
        return {"entry": self.entry, "time": rfc3339(self.at_ns), **self.found}


@dataclass(slots=True)
class Pan:
    """Weights of a pan: empty, with the wet and with the dried sample; each with its uncertainty or None."""

    container: str
    kg: dict[str, float] = field(default_factory=dict)
    u_kg: dict[str, float | None] = field(default_factory=dict)
    scale: str | None = None

    def put(self, what: str, kg: float, u_kg: float | None) -> None:
        """Set a weight. Refused where it contradicts the others."""
        after = self.kg | {what: kg}
        try:
            pan_in_order(*(after.get(each) for each in PAN))
        except ValueError as error:
            raise Refused(f"{self.container}: {error}") from None
        self.kg, self.u_kg[what] = after, u_kg


@dataclass(slots=True)
class MoistureSaid:
    """A moisture of a material (``place``) or of a sample (its entry): a share, or a pan's weights."""

    entry: int
    at_ns: int
    place: Place | None
    sample: int | None
    share: float | None = None
    basis: str = "wet"
    u: float | None = None
    pan: Pan | None = None

    def to_json(self) -> dict[str, Any]:
        told: dict[str, Any] = {"entry": self.entry, "time": rfc3339(self.at_ns)}
        if self.pan is None:
            return told | {"share": self.share, "basis": self.basis, "u": self.u}
        kg = {f"{what}_kg": self.pan.kg.get(what) for what in PAN}
        return told | {"container": self.pan.container, **kg, "scale": self.pan.scale}


@dataclass(frozen=True, slots=True)
class Check:
    """A known weight on a scale. ``u_shown_kg`` None: what it showed was typed in."""

    entry: int
    at_ns: int
    scale: str
    nominal_kg: float
    u_nominal_kg: float | None
    shown_kg: float
    u_shown_kg: float | None
    note: str = ""

    def to_json(self) -> dict[str, Any]:
        return {
            "scale": self.scale,
            "time": rfc3339(self.at_ns),
            "nominal_kg": self.nominal_kg,
            "u_nominal_kg": self.u_nominal_kg,
            "shown_kg": self.shown_kg,
            "u_shown_kg": self.u_shown_kg,
            "difference_kg": round(self.shown_kg - self.nominal_kg, 9),
            "entry": self.entry,
            "note": self.note,
        }
