"""From an instrument's [modbus] table to what is asked of its device and what the answer means."""

from __future__ import annotations

from logger.core.decode.registers import CODES, ORDERS, RegisterFormat
from logger.core.description import Channel
from logger.core.units import DIMENSIONS, PULSE
from logger.settings.document import Document, InstrumentTable, ModbusTable
from logger.settings.meters import shown_as, units_of
from logger.settings.problems import Path, did_you_mean, one_of, show
from logger.settings.quantities import COMMON, Measured
from logger.settings.validate import Faults
from logger.settings.values import ModbusSettings

_UNITS = {"mass": COMMON["mass"], "flow": f"{COMMON['flow']}; of a total: {COMMON['volume']}"}


def with_units(document: Document) -> Document:
    """The document with the unit of every register where the checks of any instrument look for it."""
    instruments = {
        name: table.model_copy(update={"unit": table.unit or _unit(table)})
        for name, table in document.instruments.items()
    }
    return document.model_copy(update={"instruments": instruments})


def registers(name: str, table: InstrumentTable, faults: Faults) -> ModbusSettings | None:
    """What is asked of the device; None for another dialect, or where it cannot be had."""
    path: Path = ("instruments", name, "modbus")
    if table.dialect != "modbus":
        if table.modbus is not None:
            faults.add(
                path,
                f"a description of registers with the dialect {show(table.dialect)}",
                'this table only with dialect = "modbus"',
                "take out the table, or change the dialect",
                ("instruments", name, "dialect"),
            )
        return None
    modbus = table.modbus or ModbusTable()
    _line(path, modbus, table, faults)
    _told(path, modbus, faults)
    if modbus.number is not None:
        _meaning(path, modbus, table, faults)
    form = _format(table)
    if form is None or modbus.first is None:
        return None
    _reach(path, modbus.first, form, table, faults)
    return ModbusSettings(framing_of(table), modbus.device, modbus.kind, modbus.first, form)


def framing_of(table: InstrumentTable) -> str:
    """Told, else by the port: TCP on a network address, RTU on a serial line."""
    told = table.modbus.framing if table.modbus is not None else None
    return told or ("tcp" if (table.port or "").startswith("socket://") else "rtu")


def step_of(table: InstrumentTable) -> Measured | None:
    """One count of its register as a resolution; None where that has to be told."""
    if table.dialect != "modbus" or (table.modbus is not None and _floating(table.modbus)):
        return None
    form, dimension = _format(table), shown_as(table)
    if form is None:
        return Measured(Channel("").resolution_kg, dimension)  # what is missing is told by `registers`
    if dimension == "volume":
        return None
    exact = DIMENSIONS[dimension].get(form.unit, 0) * form.step
    return Measured(float(exact) * 10.0**form.exp, dimension)


def wraps_at(table: InstrumentTable) -> int | None:
    """The number after a totaliser's highest one, in its last digit: told, else as wide as its registers."""
    form = _format(table) if table.dialect == "modbus" else None
    if form is None:
        return table.wraps_at
    if form.floating or shown_as(table) != "volume":
        return None
    if table.wraps_at is None:
        return 2 ** (8 * form.size) * form.step if form.number.startswith("u") else None
    return table.wraps_at * form.step


def _floating(modbus: ModbusTable) -> bool:
    return (modbus.number or "").startswith("float")


def _unit(table: InstrumentTable) -> str | None:
    """The unit of its register, where it has a table and its unit is one of its quantity."""
    modbus = table.modbus
    if table.dialect != "modbus" or modbus is None or _floating(modbus):
        return None
    if modbus.scale is not None:
        return modbus.scale.unit if modbus.scale.unit in units_of(table.quantity) else None
    return PULSE if table.pulses_per_l is not None else None


def _format(table: InstrumentTable) -> RegisterFormat | None:
    """What its registers hold; None where that is not told, or not rightly."""
    modbus, unit = table.modbus, table.unit
    if modbus is None or modbus.number is None or unit not in units_of(table.quantity):
        return None
    order = modbus.order or "ABCD"
    if _floating(modbus) or (modbus.scale is None and unit == PULSE):
        return RegisterFormat(modbus.number, order, unit)
    if modbus.scale is None or modbus.scale.unit != unit:
        return None
    return RegisterFormat(modbus.number, order, unit, modbus.scale.number, modbus.scale.exp)


def _told(path: Path, modbus: ModbusTable, faults: Faults) -> None:
    """What nothing else could stand for."""
    if modbus.first is None:
        faults.add(
            (*path, "register"),
            "no register",
            "0 to 65535",
            "add the number's first register as the device's manual gives it, counted from 0",
        )
    if modbus.number is None:
        faults.add(
            (*path, "number"),
            "no word on what kind of number the registers hold",
            one_of(CODES),
            "see the device's manual; one register holds 16 bits",
        )
    elif modbus.order is None and not modbus.number.endswith("16"):
        faults.add(
            (*path, "order"),
            f"no order of the registers of {modbus.number}",
            one_of(ORDERS),
            'see the device\'s manual; "ABCD" has the high register first, "CDAB" the low one; '
            "a wrong order gives absurd numbers",
        )


def _meaning(path: Path, modbus: ModbusTable, table: InstrumentTable, faults: Faults) -> None:
    """What the number stands for must be told, once and rightly."""
    scale, number, place = modbus.scale, (*path, "number"), (*path, "scale")
    if _floating(modbus):
        example = f'unit = "{"kg" if table.quantity == "mass" else "L/min"}"'
        if scale is not None:
            faults.add(
                place,
                f"{faults.written(place)} for a float",
                "it for whole numbers only",
                f"take it out, and say the unit of the float: {example}",
                number,
            )
        elif table.unit is None:
            faults.add(
                (*path[:2], "unit"),
                f"no unit of {modbus.number}",
                f"a unit of {table.quantity}: {_UNITS[table.quantity]}",
                f"see the device's manual, e.g. {example}",
            )
        return
    if scale is None:
        if table.unit != PULSE:
            faults.add(
                place,
                "no word on what one count is",
                "a scale, or pulses_per_l for a counter of pulses",
                'see the device\'s manual, e.g. scale = "0.01 L/min", "0.1 L" or "1 g"',
                number,
                (*path[:2], "pulses_per_l"),
                (*path[:2], "unit"),
            )
        return
    known = units_of(table.quantity)
    if scale.unit not in known:
        other = "flow" if table.quantity == "mass" else "mass"
        faults.add(
            place,
            f"{faults.written(place)} for an instrument whose quantity is {show(table.quantity)}",
            f"a unit of {table.quantity}: {_UNITS[table.quantity]}",
            f'set quantity = "{other}"'
            if scale.unit in units_of(other)
            else did_you_mean(scale.unit, tuple(known), "see the device's manual"),
            (*path[:2], "quantity"),
        )
    elif table.unit != scale.unit:
        faults.add(
            (*path[:2], "unit"),
            f"{show(table.unit)}, where one count of the register is {faults.written(place)}",
            "one unit",
            "take this one out; the scale says it",
            place,
        )


def _line(path: Path, modbus: ModbusTable, table: InstrumentTable, faults: Faults) -> None:
    """What the line asks of device number, framing and format."""
    port = table.port or ""
    if framing_of(table) == "tcp":
        if port and not port.startswith("socket://"):
            faults.add(
                (*path, "framing"),
                f'"tcp" on {show(port)}',
                '"rtu" on a serial line',
                "take it out, or change the port to socket://host:port",
                (*path[:2], "port"),
            )
        return
    if not 1 <= modbus.device <= 247:
        faults.add(
            (*path, "device"),
            str(modbus.device),
            "1 to 247 on a serial line",
            "see the device's own menu or its switches",
            (*path[:2], "port"),
            (*path, "framing"),
        )
    if table.format is not None and table.format.data_bits != 8:
        faults.add(
            (*path[:2], "format"),
            f"{faults.written((*path[:2], 'format'))} with Modbus RTU",
            "eight data bits",
            'see the device\'s own menu, e.g. "8N1" or "8E1"',
            (*path[:2], "dialect"),
        )


def _reach(path: Path, register: int, form: RegisterFormat, table: InstrumentTable, faults: Faults) -> None:
    """What the registers can hold, and where they end."""
    last = 65536 - form.size // 2
    if register > last:
        faults.add(
            (*path, "register"),
            f"{register}, where {form.number} reaches beyond the last register",
            f"at the most {last}",
            "check register and number against the device's manual",
            (*path, "number"),
        )
    if table.wraps_at is None:
        return
    if form.floating:
        found, allowed = f"{table.wraps_at} for a float", "it for whole numbers only"
    elif table.wraps_at > 2 ** (8 * form.size):
        found = f"{table.wraps_at}, where {form.number} can't count so far"
        allowed = f"at the most {2 ** (8 * form.size)}"
    else:
        return
    remedy = "check it and number against the device's manual, or take it out"
    faults.add((*path[:2], "wraps_at"), found, allowed, remedy, (*path, "number"))
