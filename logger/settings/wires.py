"""From the instruments' tables to how each is reached and asked."""

from __future__ import annotations

from logger.core.decode.layout import LineFormat
from logger.settings.document import Document, InstrumentTable
from logger.settings.messages import message_source, topics_once
from logger.settings.meters import units_of
from logger.settings.problems import Path, one_of, show
from logger.settings.registers import framing_of, registers
from logger.settings.texts import Format
from logger.settings.validate import Faults
from logger.settings.values import InstrumentSettings

POLL_S = 0.2
"""Time between polls where none is told: 5 readings a second are what the detection figures assume."""

MODES = {
    "sma": ("poll", "stable", "repeat"),
    "line": ("listen", "poll"),
    "mqtt": ("listen",),
    "modbus": ("poll",),
}
"""Dialect -> its modes, the usual one first."""

TIMEOUT_S = {"sma": 1.0, "line": 1.0, "mqtt": 1.0, "modbus": 0.3}
"""Dialect -> how long an answer may take where nothing is told. Modbus: common practice, no source; while one
device of a bus is waited for, the others wait too."""


def wires(document: Document, faults: Faults) -> tuple[InstrumentSettings, ...]:
    """Every instrument's settings, in the file's order."""
    _ports_once(document, faults)
    topics_once(document, faults)
    return tuple(_instrument(name, table, faults) for name, table in document.instruments.items())


def mode_of(table: InstrumentTable) -> str:
    """The mode told, or the usual one of the dialect."""
    return table.mode or MODES[table.dialect][0]


def _instrument(name: str, table: InstrumentTable, faults: Faults) -> InstrumentSettings:
    place: Path = ("instruments", name)
    mode = mode_of(table)
    if mode not in MODES[table.dialect]:
        faults.add(
            (*place, "mode"),
            f"{show(mode)} with the dialect {show(table.dialect)}",
            one_of(MODES[table.dialect]),
            "choose one of these, or another dialect",
            (*place, "dialect"),
        )
    framing = table.format or Format()
    return InstrumentSettings(
        name,
        table.port,
        table.dialect,
        mode,
        POLL_S if table.interval is None else table.interval,
        TIMEOUT_S[table.dialect] if table.timeout is None else table.timeout,
        table.baud,
        framing.data_bits,
        framing.parity,
        framing.stop_bits,
        _line(place, table, mode, faults),
        message_source(name, table, faults),
        registers(name, table, faults),
    )


def _line(place: Path, table: InstrumentTable, mode: str, faults: Faults) -> LineFormat | None:
    """The format of its lines; None for the other dialect, or where it cannot be had."""
    path = (*place, "line")
    if table.dialect != "line":
        if table.line is not None:
            faults.add(
                path,
                f"a description of lines with the dialect {show(table.dialect)}",
                'this table only with dialect = "line"',
                "take out the table, or change the dialect",
                (*place, "dialect"),
            )
        return None
    line = table.line
    if line is None or line.layout is None:
        faults.add(
            (*path, "layout"),
            "no layout of the line",
            "a layout, for every instrument of the dialect line",
            'copy a line it prints and write its parts as fields, e.g. layout = "{status},{number} {unit}"',
        )
        return None
    if mode == "poll" and not line.request:
        faults.add(
            (*path, "request"),
            'nothing to send, with mode = "poll"',
            "what the instrument wants to be sent for a reading",
            'see its manual, e.g. request = "P\\r\\n"; or choose mode = "listen"',
            (*place, "mode"),
        )
    if mode == "listen" and line.request:
        faults.add(
            (*path, "request"),
            f'{show(line.request)} with mode = "listen", which sends nothing',
            "no request",
            'take it out, or choose mode = "poll"',
            (*place, "mode"),
        )
    if table.unit is not None and table.unit not in units_of(table.quantity):
        return None  # told by `checks`
    try:
        return LineFormat(line.layout, line.words, table.unit, line.end, line.request, line.decimal)
    except ValueError as error:
        faults.add(
            path, f"lines that cannot be read: {error}", "", "compare with a line the instrument prints"
        )
        return None


def _ports_once(document: Document, faults: Faults) -> None:
    """Only Modbus instruments share a port, as a bus, and all of one bus have the same line."""
    first: dict[str, str] = {}
    for name, table in document.instruments.items():
        if table.port is None:
            continue
        # The same TCP port is the same wire, however it is spoken to.
        other = first.setdefault(table.port.partition("://")[2] or table.port, name)
        if other == name:
            continue
        beside = document.instruments[other]
        if table.dialect == beside.dialect == "modbus" and table.port == beside.port:
            _one_line(name, other, document, faults)
            continue
        faults.add(
            ("instruments", name, "port"),
            f"{show(table.port)}, where {show(other)} is plugged in already",
            "a port of its own for every instrument",
            "look up the right port; two programs or instruments on one port spoil each other's readings",
            ("instruments", other, "port"),
        )


def _one_line(name: str, other: str, document: Document, faults: Faults) -> None:
    """Two instruments of one bus: what one says of the line, the other must say too."""
    one, two = document.instruments[name], document.instruments[other]
    for path, mine, theirs in (
        (("baud",), str(one.baud), str(two.baud)),
        (("format",), _framing(one), _framing(two)),
        (("modbus", "framing"), show(framing_of(one)), show(framing_of(two))),
    ):
        if mine != theirs:
            faults.add(
                ("instruments", name, *path),
                f"{mine}, where {show(other)} on the same port has {theirs}",
                f"one {path[-1]} for all on a bus",
                "look it up in the devices' own menus, and set all of them alike",
                ("instruments", other, *path),
            )


def _framing(table: InstrumentTable) -> str:
    framing = table.format or Format()
    return show(f"{framing.data_bits}{framing.parity}{framing.stop_bits:g}")
