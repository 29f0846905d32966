"""`tallydeck check`: what a configuration says, what its ports give, whether store and broker take us."""

from __future__ import annotations

import threading
from typing import Any

from logger.clock import Clock
from logger.core.description import ContainerKind, Outlet, Station
from logger.core.entries import Circumstance, Garbage, Reading
from logger.core.units import kg_to
from logger.ports.broker import Broker
from logger.ports.session import Message
from logger.settings import Configuration, MqttSettings
from logger.settings.values import StoreSettings
from logger.wiring import make_broker, make_ports


def describe(configuration: Configuration) -> dict[str, Any]:
    """A configuration in words: ``lines`` for a person, the rest for a machine."""
    bay = configuration.bay
    lines = [f"{configuration.path}: right. {bay.name}, {bay.units}, {bay.time_zone}."]
    for station in bay.stations:
        lines.append(f"station {station.name}: {_feed(station, bay.units)}")
        lines += [f"  outlet {outlet.name}: {_outlet(outlet)}" for outlet in station.outlets]
    unwired = list(configuration.unwired)
    if unwired:
        lines.append(f"No port for {', '.join(unwired)}: serves for replay, not for recording.")
    if configuration.mqtt is not None:
        lines.append(_broker(configuration.mqtt))
    if configuration.store is not None:
        lines.append(_store(configuration.store))
    lines.append(f"Journal: {configuration.journal_directory}")
    return {
        "configuration": str(configuration.path),
        "digest": configuration.digest,
        "bay": bay.name,
        "channels": [channel.name for channel in bay.channels],
        "without_port": unwired,
        "journal": str(configuration.journal_directory),
        "lines": lines,
    }


def _broker(told: MqttSettings) -> str:
    sent = (
        f"; state, alarms and events go out below {told.topic}" if told.publish else "; nothing is published"
    )
    taken = f"; whoever may publish on {told.topic}/act, may act" if told.actions else ""
    return f"MQTT: {told.host}:{told.port}, {_encrypted(told.tls)}{sent}{taken}"


_RETRACTED = {
    "delete": "what is corrected is deleted there",
    "mark": "what is corrected is marked withdrawn there",
    "": "what is corrected is deleted there where the store can, else marked withdrawn",
}


def _store(told: StoreSettings) -> str:
    token = "with a token" if told.token is not None else "without a token"
    encrypted = _encrypted(told.url.startswith("https://"))
    return f"Store: {told.url}, bucket {told.bucket}, {encrypted}, {token}; {_RETRACTED[told.retract]}"


def _encrypted(is_so: bool) -> str:
    return "encrypted" if is_so else "not encrypted"


def _feed(station: Station, unit: str) -> str:
    feed = station.feed
    if feed.channel is None:
        return "feed not weighed; no feed alarms, yields wait for the booked mass"
    target = "no target"
    if feed.target_kg_h is not None:
        target = f"target {kg_to(feed.target_kg_h, unit):.4g} {unit}/h"
    return f"feed {feed.kind} on scale {feed.channel}, {target}"


def _outlet(outlet: Outlet) -> str:
    if outlet.channel is None:
        return "not weighed"
    kind = outlet.container.kind
    if kind is ContainerKind.UNKNOWN:
        return f'scale {outlet.channel}; say container = {{ kind = "drains" | "brim-full" | "retains" }}'
    return f"scale {outlet.channel}, container {kind}"


def probe_ports(configuration: Configuration, seconds: float) -> list[dict[str, Any]]:
    """Open every port at once and listen: what came, what could not be read, what is wrong.

    Store and broker are tried as well; nothing is written to the one nor published at the other.
    """
    heard: list[Reading | Garbage | Circumstance] = []
    broker = make_broker(configuration, "-check")
    ports = make_ports(configuration.instruments, heard.append, Clock().now_ns, broker)
    for port in ports:
        port.start()
    listener = None if broker is None else _Listener(broker)
    threading.Event().wait(seconds)
    found = []
    for port in ports:
        health = port.health()
        port.stop()
        found.append(_verdict(port.name, heard, health.message, seconds))
    if listener is not None:
        found.append({"name": "[mqtt]"} | listener.verdict())
    if configuration.store is not None:
        found.append({"name": "[store]"} | probe_store(configuration.store))
    return found


class _Listener:
    """Joins the broker, and keeps what is heard of the connection. It publishes nothing."""

    topic = ""

    def __init__(self, broker: Broker) -> None:
        self._broker = broker
        self._why: str | None = None
        broker.join(self)

    def linked(self, why: str) -> None:
        self._why = why

    def message(self, message: Message) -> None:
        """None comes."""

    def look(self) -> None:
        """Nothing to be done."""

    def verdict(self) -> dict[str, Any]:
        """How it went until now; ends the connection."""
        self._broker.leave(self)
        if self._why == "":
            return {"alive": True, "says": f"{self._broker.url}: connected"}
        return {"alive": False, "says": self._why or f"{self._broker.url}: no answer yet; listen longer"}


def probe_store(settings: StoreSettings) -> dict[str, Any]:
    """Write nothing to the store: address, bucket and token are asked for all the same."""
    from logger.followers.store.writer import StoreWriter, Written

    writer = StoreWriter(settings)
    try:
        outcome = writer.write("# a comment, which is no point")
    finally:
        writer.close()
    if isinstance(outcome, Written):
        return {"alive": True, "says": f"{settings.url}, bucket {settings.bucket}: takes what is written"}
    return {"alive": False, "says": f"{outcome.what}; {outcome.do}"}


def _verdict(
    name: str, heard: list[Reading | Garbage | Circumstance], message: str, seconds: float
) -> dict[str, Any]:
    readings = [item for item in heard if isinstance(item, Reading) and item.channel == name]
    garbage = [item for item in heard if isinstance(item, Garbage) and item.channel == name]
    if readings:
        last = readings[-1]
        shown = f"{last.number * 10.0**last.exp:.{max(0, -last.exp)}f} {last.unit}"
        says = f"{len(readings)} readings in {seconds:g} s, last {shown}"
        if garbage:
            says += f"; {len(garbage)} lines not understood"
    elif garbage:
        says = message or f"nothing understood, e.g. {garbage[-1].raw[:40]!r}; check dialect, baud and format"
    else:
        says = message or "silent; check cable, power, baud, and whether it must be polled"
    return {
        "name": name,
        "alive": bool(readings),
        "readings": len(readings),
        "garbage": len(garbage),
        "says": says,
    }
