"""What must hold for a flow meter: its units, and what its totals and counts need told."""

from __future__ import annotations

from logger.core.units import DIMENSIONS, PULSE, VOLUME_L
from logger.settings.document import InstrumentTable
from logger.settings.problems import Path, did_you_mean, show
from logger.settings.quantities import COMMON
from logger.settings.validate import Faults

OF_FLOW = ("pulses_per_l", "wraps_at", "most", "accuracy")


def units_of(quantity: str) -> dict[str, str]:
    """The units that an instrument of a quantity may show -> the dimension of each."""
    dimensions = ("flow", "volume") if quantity == "flow" else (quantity,)
    known = {unit: dimension for dimension in dimensions for unit in DIMENSIONS[dimension]}
    return known | {PULSE: "volume"} if quantity == "flow" else known


def shown_as(table: InstrumentTable) -> str:
    """The dimension of what it shows: mass, flow, or volume (a total or a count)."""
    return units_of(table.quantity).get(table.unit or "", table.quantity)


def check_unit(place: Path, table: InstrumentTable, faults: Faults) -> None:
    """The unit is one of the quantity."""
    known = units_of(table.quantity)
    if table.unit is not None and table.unit not in known:
        units = f"a unit of {table.quantity}: {COMMON[table.quantity]}"
        faults.add(
            (*place, "unit"),
            show(table.unit),
            f"{units}; of a total: {COMMON['volume']}; of a count: {PULSE}"
            if table.quantity == "flow"
            else units,
            did_you_mean(table.unit, tuple(known), "write the unit as the instrument shows it"),
            (*place, "quantity"),
        )


def check_meter(place: Path, table: InstrumentTable, faults: Faults) -> None:
    """What only a flow meter has, and what its totals and counts need."""
    if table.quantity != "flow":
        for key in OF_FLOW:
            if getattr(table, key) is not None:
                faults.add(
                    (*place, key),
                    f"{faults.written((*place, key))} for a scale",
                    "this for flow meters only",
                    'take it out, or set quantity = "flow"',
                    (*place, "quantity"),
                )
        return
    _pulses(place, table, faults)
    _wrap(place, table, faults)


def _pulses(place: Path, table: InstrumentTable, faults: Faults) -> None:
    path, pulses = (*place, "pulses_per_l"), table.pulses_per_l
    if table.unit == PULSE and pulses is None:
        faults.add(
            path,
            "no number of pulses, for a meter that counts them",
            "how many pulses a litre gives",
            "read it off the meter's plate, e.g. pulses_per_l = 450",
            (*place, "unit"),
        )
    if pulses is None:
        return
    if not 0.0001 <= pulses <= 1_000_000:
        faults.add(path, f"{pulses:g}", "0.0001 to 1000000", "read it off the meter's plate")
    if table.unit not in (None, PULSE):
        faults.add(
            path,
            f"{pulses:g} for a meter that shows {table.unit}",
            "this only where it shows pulses",
            f'take it out, or set unit = "{PULSE}"',
            (*place, "unit"),
        )


def _wrap(place: Path, table: InstrumentTable, faults: Faults) -> None:
    path, wrap = (*place, "wraps_at"), table.wraps_at
    if wrap is None:
        return
    if not 2 <= wrap <= 2**64:
        faults.add(path, str(wrap), "2 to 2^64", "65536 for 16 bits, 4294967296 for 32 bits")
    if table.unit is not None and table.unit not in (*VOLUME_L, PULSE):
        faults.add(
            path,
            f"{wrap} for a meter that shows {table.unit}",
            "this only for totals and counts",
            "take it out, or write the unit of its total, e.g. L",
            (*place, "unit"),
        )
