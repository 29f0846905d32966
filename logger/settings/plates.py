"""What must hold for what stands on a scale's plate."""

from __future__ import annotations

from logger.settings.document import InstrumentTable
from logger.settings.problems import Path, say_mass
from logger.settings.validate import Faults

OF_SCALES = {
    "class": "accuracy_class",
    "verification_interval": "verification_interval",
    "tolerance": "tolerance",
    "repeatability": "repeatability",
}
"""What only a scale has: as it is written -> the name in the model."""


def check_scale(place: Path, table: InstrumentTable, resolution_kg: float, faults: Faults) -> None:
    """A flow meter has none of it; e is no finer than d (OIML R 76-1:2006, T.3.2.3 and 3.4.2)."""
    if table.quantity == "flow":
        for key, field in OF_SCALES.items():
            if getattr(table, field) is not None:
                faults.add(
                    (*place, key),
                    f"{faults.written((*place, key))} for a flow meter",
                    "this for scales only",
                    "take it out",
                    (*place, "quantity"),
                )
    elif table.verification_interval is not None and table.verification_interval < resolution_kg:
        faults.add(
            (*place, "verification_interval"),
            f"{faults.written((*place, 'verification_interval'))}, finer than the resolution",
            f"at least {say_mass(resolution_kg)}",
            "check e and d on the scale's plate",
            (*place, "resolution"),
        )
