"""A lot, and what was weighed of it container by container."""

from __future__ import annotations

from dataclasses import dataclass, field
from math import hypot
from typing import Any

from logger.core.books.refused import Refused
from logger.core.walltime import rfc3339

TYPED_STEP_KG = 0.01
"""Step assumed of a scale that nobody named, for a weight that was typed in: 10 g. Assumed, no source."""


@dataclass(slots=True)
class Weighed:
    """Gross and tare of one container, typed in or weighed here. ``u_*``: standard uncertainties (kg)."""

    container: str
    gross_kg: float | None = None
    tare_kg: float | None = None
    u_gross_kg: float | None = None  # None: typed in, nothing is known of the scale
    u_tare_kg: float | None = None
    scale: str | None = None

    def put(self, what: str, kg: float, u_kg: float | None) -> None:
        """Set ``gross`` or ``tare``. Refused where the tare would be above the gross."""
        gross, tare = (kg, self.tare_kg) if what == "gross" else (self.gross_kg, kg)
        if gross is not None and tare is not None and tare > gross:
            raise Refused(
                f"{self.container}: tare {tare:g} kg is above gross {gross:g} kg; check which is which"
            )
        if what == "gross":
            self.gross_kg, self.u_gross_kg = kg, u_kg
        else:
            self.tare_kg, self.u_tare_kg = kg, u_kg

    @property
    def net_kg(self) -> float | None:
        if self.gross_kg is None or self.tare_kg is None:
            return None
        return self.gross_kg - self.tare_kg

    @property
    def u_net_kg(self) -> float:
        """Standard uncertainty of the net: two readings, each rounded (JCGM 100, 4.3.7)."""
        typed = TYPED_STEP_KG / 12**0.5
        return hypot(
            typed if self.u_gross_kg is None else self.u_gross_kg,
            typed if self.u_tare_kg is None else self.u_tare_kg,
        )

    def to_json(self) -> dict[str, Any]:
        net = self.net_kg
        return {
            "container": self.container,
            "gross_kg": self.gross_kg,
            "tare_kg": self.tare_kg,
            "net_kg": None if net is None else round(net, 6),
            "u_net_kg": None if net is None else round(self.u_net_kg, 6),
            "scale": self.scale,
        }


@dataclass(slots=True)
class Lot:
    """A customer's lot as booked in."""

    lot: str
    owner: str
    material: str
    gross_kg: float | None
    tare_kg: float | None
    moisture: float | None
    opened_ns: int
    entry: int = 0
    note: str = ""
    photographs: tuple[str, ...] = ()
    containers: dict[str, Weighed] = field(default_factory=dict)

    @property
    def net_kg(self) -> float | None:
        """Gross less tare; None while a container of the lot lacks one of them."""
        if not self.containers:
            return None if self.gross_kg is None else self.gross_kg - (self.tare_kg or 0.0)
        nets = [each.net_kg for each in self.containers.values()]
        return None if None in nets else sum(net for net in nets if net is not None)

    def to_json(self) -> dict[str, Any]:
        return {
            "lot": self.lot,
            "owner": self.owner,
            "material": self.material,
            "gross_kg": self.gross_kg,
            "tare_kg": self.tare_kg,
            "net_kg": None if self.net_kg is None else round(self.net_kg, 6),
            "moisture": self.moisture,
            "opened": rfc3339(self.opened_ns),
            "entry": self.entry,
            "note": self.note,
            "photographs": list(self.photographs),
            "containers": [each.to_json() for each in self.containers.values()],
        }
