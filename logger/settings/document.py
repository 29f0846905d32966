"""The configuration as it is written: one pydantic model for each table of the file.

What a key means is said once, here, and goes from here into the JSON Schema. Everything may be left
out as far as these models are concerned; what is missing after all defaults is for `build` to say.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

from logger.settings.numbers import DeviceNumber, Register, ScaleStep
from logger.settings.quantities import (
    Density,
    Duration,
    Flow,
    FlowRange,
    Interval,
    Mass,
    MassRange,
    Rate,
    Resolution,
    Share,
)
from logger.settings.texts import FieldPath, LineFraming, NamedTables, PortAddress, Scale, Shift, Topic


class Table(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


class BayTable(Table):
    name: str = Field(default="Bay", description="The bay's name, as the board and the reports show it.")
    units: Literal["kg", "lb"] = Field(default="kg", description="The unit people read masses in.")
    time_zone: str = Field(
        default="UTC", description='Where the bay stands, e.g. "Europe/Vienna" (IANA name).'
    )
    shifts: list[Shift] = Field(
        default=[], description='Working hours by the local clock, e.g. ["06:00-14:00"].'
    )


class LineTable(Table):
    """How an instrument that prints its own kind of line writes it."""

    layout: str | None = Field(
        default=None,
        description='The line, e.g. "{status},{mode},{number:9} {unit}"; the rest stands for itself.',
    )
    words: dict[str, str] = Field(
        default={},
        description="What its own words mean: stable, moving, gross, net, tare, zero, over, under.",
    )
    end: str = Field(default="CRLF", description="What ends a line: CRLF, CR or LF.")
    decimal: Literal[".", ","] = Field(default=".", description="The sign before the decimals.")
    request: str = Field(
        default="", description='What asks for a reading, for mode = "poll"; \\r and \\n may be used.'
    )


class MessageTable(Table):
    """Where an instrument's readings come by MQTT, and what a message holds."""

    topic: Topic | None = Field(default=None, description="The topic that the readings come on.")
    value: FieldPath | None = Field(
        default=None,
        description='The field with the number, e.g. "weight.net"; left out: the message is the number.',
    )
    unit: FieldPath | None = Field(
        default=None, description="The field with the unit; left out: the instrument's own unit, told above."
    )
    stable: FieldPath | None = Field(default=None, description="The field that is true at rest.")


class ModbusTable(Table):
    """Which register of a Modbus device holds the number, and what the number means."""

    device: DeviceNumber = Field(
        default=1, description="The device's number on the bus (unit, slave), 1 to 247; on TCP 0 to 255."
    )
    first: Register | None = Field(
        default=None,
        alias="register",  # which is a method of every model
        description="Its first register, counted from 0 as on the wire. Manuals that print 40001 (holding) "
        "or 30001 (input) for the first one, or count from 1, mean 0.",
    )
    kind: Literal["holding", "input"] = Field(
        default="holding", description="Kind of register: holding (function 3) or input (function 4)."
    )
    number: Literal["int16", "uint16", "int32", "uint32", "int64", "uint64", "float32", "float64"] | None = (
        Field(default=None, description="What the registers hold; one register has 16 bits.")
    )
    order: Literal["ABCD", "CDAB", "BADC", "DCBA"] | None = Field(
        default=None,
        description="Order on the wire of the bytes of a 32-bit number, A the highest: ABCD: high register "
        "first; CDAB: low register first; BADC, DCBA: the same with the bytes of each register exchanged. "
        "16 bits: may be left out; 64 bits: by the same rule.",
    )
    scale: ScaleStep | None = Field(
        default=None,
        description='What one count of a whole number is: "0.01 L/min", "0.1 L", "1 g". Left out for a '
        "float, whose unit is the instrument's, and for a counter of pulses, with its pulses_per_l.",
    )
    framing: Literal["rtu", "tcp"] | None = Field(
        default=None,
        description="Left out: tcp on socket://, rtu elsewhere. rtu on socket://: an adapter that passes the "
        "serial line's bytes on as they are.",
    )


class InstrumentTable(Table):
    port: PortAddress | None = Field(
        default=None, description="Where it is plugged in. Left out: its readings come from a file."
    )
    dialect: Literal["sma", "line", "mqtt", "modbus"] = Field(
        default="sma",
        description='"sma": the SMA SCP-0499 protocol; "line": lines of its own, described below; '
        '"mqtt": messages from the broker at [mqtt]; '
        '"modbus": a number in the registers of a Modbus device, described below.',
    )
    mode: Literal["poll", "stable", "repeat", "listen"] | None = Field(
        default=None,
        description="sma: poll (ask for the weight), stable (ask for a stable one), repeat (sends itself); "
        "line: listen (sends by itself) or poll; modbus: poll.",
    )
    interval: Interval | None = Field(
        default=None, description="Time between readings; where it sends by itself, learned."
    )
    timeout: Interval | None = Field(
        default=None, description='How long an answer may take (default "1 s"; modbus: "300 ms").'
    )
    baud: Literal[300, 600, 1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200] = Field(
        default=9600, description="Line speed."
    )
    format: LineFraming | None = Field(
        default=None, description='Data bits, parity, stop bits (default "8N1").'
    )
    resolution: Resolution | None = Field(
        default=None, description="The step between two numbers it can show."
    )
    capacity: Mass | None = Field(default=None, description="The most it can weigh.")
    zero_tracking: Literal["on", "off", "unknown"] = Field(
        default="unknown",
        description="Whether it pulls small weights to zero by itself, which swallows a trickle.",
    )
    shows: Literal["gross", "net"] = Field(
        default="gross", description="Whether it shows gross or net weight."
    )
    unit: str | None = Field(
        default=None, description="The unit it is set to; a reading in another one is an alarm."
    )
    quantity: Literal["mass", "flow"] = Field(
        default="mass",
        description="What it measures. A flow meter may show a flow (L/min), a total (L) or a count (pulse).",
    )
    pulses_per_l: float | None = Field(
        default=None, description='How many pulses a flow meter gives for a litre, for unit = "pulse".'
    )
    wraps_at: int | None = Field(
        default=None,
        description="The number after the highest one a total or a count can show, in steps of its last "
        "digit, e.g. 65536 for 16 bits; left out: a lower number than before is a reset; modbus: in counts, "
        "left out: as wide as its registers, if unsigned.",
    )
    most: Flow | None = Field(
        default=None, description='More than this can\'t flow, e.g. "40 L/min"; tells a wrap from a reset.'
    )
    accuracy: Share | None = Field(
        default=None,
        description="The limits of a flow meter's own error as its data sheet gives them, of the reading; "
        "left out: that error is in no uncertainty.",
    )
    accuracy_class: Literal["I", "II", "III", "IIII"] | None = Field(
        default=None,
        alias="class",  # which is a word of the language
        description="A verified scale's accuracy class by OIML R 76, as on its plate: it sets the limits for "
        "check weights and for the scale's part in uncertainties.",
    )
    verification_interval: Mass | None = Field(
        default=None, description="A verified scale's e, as on its plate; left out: the resolution."
    )
    tolerance: Mass | None = Field(
        default=None,
        description="Your own limit for a check weight: how far what is shown may lie from its mass. It "
        "counts before the class.",
    )
    repeatability: Mass | None = Field(
        default=None,
        description="Standard deviation of what a scale shows when one load is put on it again and again.",
    )
    line: LineTable | None = None
    mqtt: MessageTable | None = None
    modbus: ModbusTable | None = None


class ContainerTable(Table):
    kind: Literal["drains", "brim-full", "retains", "unknown"] | None = Field(
        default=None,
        description="drains: basket, bag, holed pail; brim-full: stands full of water and runs over; "
        "retains: keeps all the water.",
    )
    tare: Mass | None = Field(
        default=None, description="What it usually weighs when put on the scale; brim-full: with its water."
    )
    tare_range: MassRange | None = Field(
        default=None, description='The range that mass varies in: "0.9 kg to 1.2 kg".'
    )
    full: Mass | None = Field(
        default=None,
        description="What the scale shows when it must be changed; no more than a person may lift.",
    )


class FeedTable(Table):
    kind: Literal["hopper", "tub", "unweighed"] | None = Field(
        default=None,
        description="hopper: feeds by itself from a scale; tub: fed by scoop from a scale; unweighed.",
    )
    scale: Scale | None = Field(
        default=None, description='The instrument under it; left out: the one called "feed".'
    )
    target: Rate | None = Field(
        default=None, description='The feed rate to keep, e.g. "45 kg/h" or "100 lb/h".'
    )
    band: Share = Field(default=0.10, description='How far it may wander to either side (default "10 %").')
    density: Density | None = Field(default=None, description="Density of the solids.")
    most_solids: Share = Field(
        default=0.35,
        description="More solids in the feed as it comes onto the deck, by mass, are too thick (default "
        '"35 %": Manser, Barley & Wills 1991). Told live where a water line goes to the feed.',
    )


class OutletTable(Table):
    scale: Scale | None = Field(
        default=None,
        description="The instrument under it; left out: the one of the outlet's name; false: none. "
        "Outlets that name the same scale stand on it together and count as one.",
    )
    density: Density | None = Field(default=None, description="Density of the solids that come here.")
    lag: Duration | None = Field(default=None, description="Time from feed to outlet, where it is known.")
    expected_share: Share | None = Field(default=None, description="Expected yield: mass here / mass fed.")
    expected_grade: Share | None = Field(default=None, description="Expected mass fraction of the component.")
    expected_grade_u: Share | None = Field(default=None, description="Standard uncertainty of that grade.")
    container: ContainerTable | None = None


class WaterTable(Table):
    meter: str | None = Field(
        default=None, description="The instrument that measures the flow; left out: the line's own name."
    )
    band: FlowRange | None = Field(
        default=None, description='Where the flow should stay: "14 L/min to 20 L/min".'
    )
    to: Literal["deck", "feed"] = Field(
        default="deck",
        description="deck: wash water; feed: it comes onto the deck with the feed, and makes its pulp thin.",
    )


class StationTable(Table):
    component: str | None = Field(default=None, description='The component that matters, e.g. "bronze".')
    feed_grade: Share | None = Field(default=None, description="Expected mass fraction of it in the feed.")
    feed_grade_u: Share | None = Field(default=None, description="Standard uncertainty of that grade.")
    resolution: Resolution | None = Field(
        default=None, description="Resolution of those of its scales that tell none."
    )
    target: Rate | None = Field(default=None, description="Short for the feed's target.")
    density: Density | None = Field(
        default=None, description="Density of the solids, for feed and outlets that tell none."
    )
    container: ContainerTable | None = Field(
        default=None, description="What the outlets' containers have in common."
    )
    feed: FeedTable | None = None
    outlets: Annotated[dict[str, OutletTable], NamedTables()] = Field(
        default={}, description="The outlets as tables, or a list of their names."
    )
    water: dict[str, WaterTable] = Field(default={}, description="Water lines with a meter.")


class BoardTable(Table):
    host: str = Field(
        default="127.0.0.1",
        description="The address the board listens on: this computer only; 0.0.0.0 or :: for all of its own.",
    )
    port: int = Field(
        default=8787, ge=0, le=65535, description="TCP port of the board on this computer; 0: any free one."
    )
    names: list[str] = Field(
        default=[],
        description='Names it is called by beside its addresses, as browsers have them: "bay.local".',
    )
    operator_code: str | None = Field(
        default=None, description="The digits that operators log in with: env:NAME or file:/path."
    )
    guest_code: str | None = Field(
        default=None,
        description="The digits that guests, who only read, log in with: env:NAME or file:/path.",
    )
    guests: bool = Field(
        default=False, description="Whether whoever reaches the board may read it without code."
    )
    certificate_file: str | None = Field(
        default=None, description="The board's certificate, as PEM: with it the board is served over https."
    )
    key_file: str | None = Field(
        default=None, description="Its private key, as PEM; left out: it stands in certificate_file."
    )
    token: str | None = Field(
        default=None,
        description="What a browser must present: env:NAME or file:/path; left out: the daemon makes one.",
    )


class MqttTable(Table):
    host: str | None = Field(default=None, description="The broker's host name or address.")
    port: int | None = Field(
        default=None, ge=1, le=65535, description="Its TCP port; left out: 1883, with TLS 8883."
    )
    user: str | None = Field(default=None, description="The name to log in with.")
    password: str | None = Field(default=None, description="The password: env:NAME or file:/path.")
    tls: bool = Field(default=False, description="Whether to encrypt, and to check the broker's certificate.")
    ca_file: str | None = Field(
        default=None, description="The authority that signed it, as PEM; left out: those the system trusts."
    )
    client_id: str | None = Field(
        default=None, description="The name this client has at the broker; no other client may have it."
    )
    topic: Topic | None = Field(
        default=None, description="Root of the daemon's own topics; left out: tallydeck/ and the bay's name."
    )
    certificate_file: str | None = Field(
        default=None, description="This client's own certificate, as PEM, where the broker asks for one."
    )
    key_file: str | None = Field(
        default=None, description="Its private key, as PEM; left out: it stands in certificate_file."
    )
    publish: bool = Field(
        default=True,
        description="Whether the daemon publishes its state, alarms and events below ROOT.",
    )
    actions: bool = Field(
        default=False,
        description="Whether actions are taken from the topic ROOT/act: whoever may publish there, may act.",
    )


class StoreTable(Table):
    url: str | None = Field(
        default=None,
        description='Where the time-series store answers to the InfluxDB v2 write API, e.g. "http://localhost:8086".',
    )
    org: str = Field(default="", description="The organisation there; left out where the store has none.")
    bucket: str = Field(default="tallydeck", description="The bucket, or database, that is written to.")
    token: str | None = Field(
        default=None, description="The token that may write there: env:NAME or file:/path."
    )
    ca_file: str | None = Field(
        default=None, description="The authority that signed its certificate, as PEM; left out: the system's."
    )
    retract: Literal["delete", "mark"] | None = Field(
        default=None,
        description="What becomes of points that were sent under a run or lot which was corrected since: "
        "delete them, or mark them (withdrawn=1). Left out: deleted where the store can, else marked.",
    )
    most_series: int = Field(
        default=100_000,
        ge=1,
        description="More series than these are warned of (a channel in a run is one): stores pay for each.",
    )


class JournalTable(Table):
    directory: str | None = Field(
        default=None, description="Folder of the record; a full path, or one from ~/."
    )


class Document(Table):
    """The whole file."""

    bay: BayTable = BayTable.model_construct(name="Bay", units="kg", time_zone="UTC", shifts=[])
    instruments: dict[str, InstrumentTable] = {}
    stations: dict[str, StationTable] = {}
    board: BoardTable = BoardTable.model_construct(port=8787, token=None)
    journal: JournalTable = JournalTable.model_construct(directory=None)
    mqtt: MqttTable | None = None
    store: StoreTable | None = None
