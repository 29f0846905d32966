"""From an instrument's settings to its port: the only place that names dialects and ports."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace
from pathlib import Path

from logger.clock import Clock
from logger.core.decode import line, sma
from logger.core.decode.contract import Decoder, Exchange
from logger.core.decode.message import MessageDecoder
from logger.followers.contract import Follower, Home
from logger.followers.mqtt.follower import BrokerFollower
from logger.ports.broker import Broker
from logger.ports.contract import Now, Port, Put
from logger.ports.mqtt import MqttPort
from logger.ports.serial import SerialPort
from logger.settings import Configuration, InstrumentSettings


def _sma(settings: InstrumentSettings) -> tuple[Decoder, Exchange]:
    exchange = sma.exchange(settings.mode, settings.interval_s, settings.timeout_s)
    return sma.SmaDecoder(settings.name), exchange


def _line(settings: InstrumentSettings) -> tuple[Decoder, Exchange]:
    if settings.line is None:
        raise ValueError(f'instruments.{settings.name}: dialect "line" needs a [line] table')
    exchange = line.exchange(settings.line, settings.interval_s, settings.timeout_s)
    return line.LineDecoder(settings.name, settings.line), exchange


DIALECTS: dict[str, Callable[[InstrumentSettings], tuple[Decoder, Exchange]]] = {"sma": _sma, "line": _line}
"""Dialect -> how to make its decoder and its exchange. A new dialect is one line here."""


def make_broker(configuration: Configuration, client: str = "") -> Broker | None:
    """The connection to the MQTT broker, not begun yet; None where there is none.

    ``client`` is put behind the client id, for a second program beside the daemon: that one says nothing of
    itself there, nor leaves word with the broker for its end.
    """
    told = configuration.mqtt
    if told is None:
        return None
    status = f"{told.topic}/status" if told.publish and not client else ""
    return Broker(replace(told, client_id=told.client_id + client), status=status)


def make_followers(
    configuration: Configuration, home: Home, journal: Path, clock: Clock, broker: Broker | None
) -> list[Follower]:
    """Those who take the record elsewhere, not started yet: to the store, to the broker."""
    followers: list[Follower] = []
    told = configuration.mqtt
    if broker is not None and told is not None and told.publish:
        followers.append(BrokerFollower(told.topic, configuration.bay, home, journal, clock.now_ns, broker))
    if configuration.store is not None:
        from logger.followers.store.follower import StoreFollower

        followers.append(StoreFollower(configuration.store, configuration.bay, home, journal, clock))
    return followers


def make_ports(
    instruments: Iterable[InstrumentSettings], put: Put, now: Now, broker: Broker | None = None
) -> list[Port]:
    """The ports of those instruments that are wired, not started yet; those on a Modbus bus share its wire,
    those read by MQTT the ``broker``."""
    ports: list[Port] = []
    buses: dict[str, list[InstrumentSettings]] = {}
    for each in instruments:
        if each.mqtt is not None:
            ports.append(_by_mqtt(each, put, now, broker))
        elif each.port is not None and each.dialect == "modbus":
            buses.setdefault(each.port, []).append(each)
        elif each.port is not None:
            ports.append(make_port(each, put, now))
    for bus in buses.values():
        ports += _bus(bus, put, now)
    return ports


def _by_mqtt(settings: InstrumentSettings, put: Put, now: Now, broker: Broker | None) -> Port:
    if broker is None or settings.mqtt is None:
        raise ValueError(f"instruments.{settings.name}: it is read by MQTT, and no broker is told at [mqtt]")
    decode = MessageDecoder(settings.name, settings.mqtt.form)
    return MqttPort(settings.name, settings.mqtt.topic, decode, broker, put, now)


def _bus(instruments: list[InstrumentSettings], put: Put, now: Now) -> Iterable[Port]:
    """The ports of the Modbus instruments on one wire, whose line settings agree."""
    from logger.ports.frames import Question
    from logger.ports.modbus import Asked, ModbusBus

    asked = []
    for each in instruments:
        told = each.modbus
        if told is None:
            raise ValueError(f'instruments.{each.name}: dialect "modbus" needs a [modbus] table')
        question = Question(told.device, told.kind, told.register, told.format.size)
        asked.append(Asked(each.name, question, told.format, each.interval_s, each.timeout_s))
    first = instruments[0]
    assert first.port is not None and first.modbus is not None  # noqa: S101,PT018 - it was asked for above
    return ModbusBus(
        first.port,
        first.modbus.framing,
        asked,
        put,
        now,
        baud=first.baud,
        data_bits=first.data_bits,
        parity=first.parity,
        stop_bits=first.stop_bits,
    ).ports


def make_port(settings: InstrumentSettings, put: Put, now: Now) -> Port:
    """The port of an instrument that has one, not started yet."""
    decoder, exchange = DIALECTS[settings.dialect](settings)
    return SerialPort(
        settings.name,
        settings.port or "",
        decoder,
        exchange,
        put,
        now,
        baud=settings.baud,
        data_bits=settings.data_bits,
        parity=settings.parity,
        stop_bits=settings.stop_bits,
    )
