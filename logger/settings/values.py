"""What a configuration means, once it is read: the values the rest of the program is built from."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, fields, is_dataclass
from pathlib import Path

from logger.core.decode.layout import LineFormat
from logger.core.decode.message import MessageFormat
from logger.core.decode.registers import RegisterFormat
from logger.core.description import Bay
from logger.settings.secret import Secret


@dataclass(frozen=True, slots=True)
class MessageSource:
    """Where an instrument's readings come by MQTT."""

    topic: str
    form: MessageFormat


@dataclass(frozen=True, slots=True)
class MqttSettings:
    """How the broker is reached. ``topic`` is the root of the daemon's own topics, without a slash behind.

    ``ca_file`` None, with ``tls``: the authorities that the system trusts. ``actions``: whether actions
    are taken from ``topic/act``; ``publish``: whether state, alarms and events go out below ``topic``.
    ``certificate_file`` and ``key_file`` are the client's own, where the broker asks for one.
    """

    host: str
    port: int = 1883
    user: str | None = None
    password: Secret | None = None
    tls: bool = False
    ca_file: Path | None = None
    client_id: str = "tallydeck"
    topic: str = "tallydeck"
    actions: bool = False
    publish: bool = True
    certificate_file: Path | None = None
    key_file: Path | None = None


@dataclass(frozen=True, slots=True)
class StoreSettings:
    """A time-series store that speaks the InfluxDB v2 write API. ``url`` has no slash behind.

    ``retract``: ``delete``, ``mark``, or "" for delete where the store can, else mark.
    """

    url: str
    org: str = ""
    bucket: str = "tallydeck"
    token: Secret | None = None
    ca_file: Path | None = None
    retract: str = ""
    most_series: int = 100_000


@dataclass(frozen=True, slots=True)
class ModbusSettings:
    """A number in the registers of a Modbus device. ``framing`` is ``rtu`` or ``tcp``, ``kind`` is
    ``holding`` or ``input``; ``register`` is its first register, counted from 0."""

    framing: str
    device: int
    kind: str
    register: int
    format: RegisterFormat


@dataclass(frozen=True, slots=True)
class InstrumentSettings:
    """How an instrument is reached and asked. Its channel in the Bay has the same name.

    ``port`` is a device path, ``socket://host:port``, ``rfc2217://host:port``, ``demo:NAME`` (the demo's
    own bay), or None: its readings come from a file.
    ``dialect`` is ``sma`` (mode ``poll``, ``stable`` or ``repeat``), ``line`` (mode ``listen`` or ``poll``;
    ``line`` then tells the format), ``mqtt`` (``mqtt`` tells topic and format) or ``modbus`` (``modbus``
    tells the register; several may share a port). ``interval_s`` is the time between polls; an instrument
    that sends by itself keeps its own.
    """

    name: str
    port: str | None
    dialect: str = "sma"
    mode: str = "poll"
    interval_s: float = 0.2
    timeout_s: float = 1.0
    baud: int = 9600
    data_bits: int = 8
    parity: str = "N"  # N none, E even, O odd
    stop_bits: float = 1.0
    line: LineFormat | None = None
    mqtt: MessageSource | None = None
    modbus: ModbusSettings | None = None

    @property
    def wired(self) -> bool:
        """Whether something reads it: it has a port, or a topic."""
        return self.port is not None or self.mqtt is not None


@dataclass(frozen=True, slots=True)
class BoardSettings:
    """Who may reach the board, and how; ``names``, codes and ``guests`` are for those from elsewhere."""

    names: tuple[str, ...] = ()
    operator_code: Secret | None = None
    guest_code: Secret | None = None
    guests: bool = False
    certificate_file: Path | None = None
    key_file: Path | None = None


@dataclass(frozen=True, slots=True)
class Configuration:
    """A whole configuration, checked.

    ``digest`` is the SHA-256 of what bay and instruments mean: comments, order of keys and the units
    that a quantity was written in do not change it; nor do board and journal, which judge no reading.
    ``text`` is the file's text with secrets masked, fit for the record.
    """

    bay: Bay
    instruments: tuple[InstrumentSettings, ...]
    journal_directory: Path
    digest: str
    text: str
    path: Path | None = None
    board_host: str = "127.0.0.1"
    board_port: int = 8787
    board_token: Secret | None = None
    board: BoardSettings = BoardSettings()
    mqtt: MqttSettings | None = None
    store: StoreSettings | None = None

    @property
    def unwired(self) -> tuple[str, ...]:
        """The channels that nothing reads from a wire: no port is told, or one that only the demo has."""
        wired = {i.name for i in self.instruments if i.wired and not (i.port or "").startswith("demo:")}
        return tuple(channel.name for channel in self.bay.channels if channel.name not in wired)


def digest(bay: Bay, instruments: tuple[InstrumentSettings, ...]) -> str:
    """SHA-256, in hexadecimal, of the meaning of bay and instruments."""
    meaning = json.dumps([1, _plain(bay), _plain(instruments)], sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(meaning.encode()).hexdigest()


def _plain(value: object) -> object:
    """A value as JSON can hold it."""
    if is_dataclass(value):
        return {f.name: _plain(getattr(value, f.name)) for f in fields(value)}
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, tuple | list):
        return [_plain(item) for item in value]
    return value.hex() if isinstance(value, bytes) else value
