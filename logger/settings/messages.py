"""From [mqtt] and [instruments.NAME.mqtt] to how the broker is reached and what is read there."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path as File

from logger.core.decode.message import MessageFormat
from logger.settings.document import Document, InstrumentTable, MessageTable, MqttTable
from logger.settings.elsewhere import full_path, kept_elsewhere
from logger.settings.meters import units_of
from logger.settings.problems import Path, show
from logger.settings.secret import Secret, is_reference
from logger.settings.validate import Faults
from logger.settings.values import MessageSource, MqttSettings

PLAIN_PORT, TLS_PORT = 1883, 8883
"""The ports that IANA has registered for MQTT (mqtt, secure-mqtt)."""
OWN_LEVELS = frozenset(
    {"act", "answer", "status", "record", "alarms", "alarm", "beacon", "sounder", "station", "event"}
)
"""What the daemon's own topics begin with below their root (see `deploy/broker/TOPICS.md`)."""


def message_source(name: str, table: InstrumentTable, faults: Faults) -> MessageSource | None:
    """Topic and format of an instrument's messages; None for another dialect, or where they can't be had."""
    place: Path = ("instruments", name)
    path: Path = (*place, "mqtt")
    if table.dialect != "mqtt":
        if table.mqtt is not None:
            faults.add(
                path,
                f"a description of messages with the dialect {show(table.dialect)}",
                'this table only with dialect = "mqtt"',
                "take out the table, or change the dialect",
                (*place, "dialect"),
            )
        return None
    if table.port is not None:
        faults.add(
            (*place, "port"),
            f'{show(table.port)} with dialect = "mqtt"',
            "no port: its readings come from the broker at [mqtt]",
            "take it out, or choose the dialect that is spoken on that port",
            (*place, "dialect"),
        )
    told = table.mqtt or MessageTable()
    if told.topic is None:
        faults.add(
            (*path, "topic"),
            "no topic",
            'a topic, for every instrument with dialect = "mqtt"',
            'see what the sender publishes, e.g. topic = "bay/scale-1/weight"',
        )
        return None
    form = _format(place, table, told, faults)
    return None if form is None else MessageSource(told.topic, form)


def _format(place: Path, table: InstrumentTable, told: MessageTable, faults: Faults) -> MessageFormat | None:
    path: Path = (*place, "mqtt")
    for key in ("unit", "stable"):
        if told.value is None and getattr(told, key) is not None:
            faults.add(
                (*path, key),
                f"{faults.written((*path, key))} for a message that is the number alone",
                "fields only where value names the number's own field",
                'add e.g. value = "weight.net", or take it out',
                (*path, "value"),
            )
            return None
    if table.unit is None and told.unit is None:
        faults.add(
            (*place, "unit"),
            "no unit for a message that holds none",
            f"a unit of {table.quantity}",
            'add unit = "kg", or name the field of the message that holds it: mqtt.unit = "unit"',
            (*path, "unit"),
            (*place, "quantity"),
        )
        return None
    if table.unit is not None and table.unit not in units_of(table.quantity):
        return None  # told by `checks`
    return MessageFormat(told.value or (), table.unit, told.unit or (), told.stable or ())


def topics_once(document: Document, faults: Faults) -> None:
    """Several instruments may share a topic, each with a field of its own; no two may share that."""
    first: dict[tuple[str, tuple[str, ...]], str] = {}
    for name, table in document.instruments.items():
        if table.dialect != "mqtt" or table.mqtt is None or table.mqtt.topic is None:
            continue
        other = first.setdefault((table.mqtt.topic, table.mqtt.value or ()), name)
        if other != name:
            faults.add(
                ("instruments", name, "mqtt", "topic"),
                f"{show(table.mqtt.topic)}, which {show(other)} is read from already",
                "a topic of its own for every instrument, or a field of its own in the messages of one",
                "look up the right topic, or tell which field is this one's: value",
                ("instruments", other, "mqtt"),
                ("instruments", name, "mqtt"),
            )


def topics_apart(document: Document, root: str, faults: Faults) -> None:
    """No instrument is read where the daemon itself speaks or listens."""
    for name, table in document.instruments.items():
        topic = None if table.mqtt is None else table.mqtt.topic
        if topic is None or not topic.startswith(f"{root}/"):
            continue
        level = topic.removeprefix(f"{root}/").split("/")[0]
        if level in OWN_LEVELS:
            faults.add(
                ("instruments", name, "mqtt", "topic"),
                f"{show(topic)}, where the daemon itself speaks or listens",
                f"a topic outside {root}/{level}",
                "have the sender publish elsewhere, or give the daemon another topic at [mqtt]",
                ("mqtt", "topic"),
            )


def broker(document: Document, env: Mapping[str, str], faults: Faults) -> MqttSettings | None:
    """How the broker is reached; None where there is none."""
    table = document.mqtt
    if table is None or table.host is None:
        _host_missing(document, faults)
        return None
    if not re.fullmatch(r"[A-Za-z0-9._-]{1,253}|[0-9A-Fa-f:.]{2,45}", table.host):
        faults.add(
            ("mqtt", "host"),
            show(table.host),
            "a host name or an address, without mqtt:// and without the port",
            'write it like host = "192.168.1.30"; the port has a key of its own',
        )
    name = _level(document.bay.name)
    root = (table.topic or f"tallydeck/{name}").rstrip("/")
    topics_apart(document, root, faults)
    return MqttSettings(
        table.host,
        table.port if table.port is not None else (TLS_PORT if table.tls else PLAIN_PORT),
        table.user,
        _password(table, env, faults),
        table.tls,
        _ca_file(table, faults),
        _client_id(table, name, faults),
        root,
        table.actions,
        table.publish,
        *_own_certificate(table, faults),
    )


def _host_missing(document: Document, faults: Faults) -> None:
    needs = next((name for name, table in document.instruments.items() if table.dialect == "mqtt"), None)
    if document.mqtt is None and needs is None:
        return
    faults.add(
        ("mqtt", "host"),
        "no broker" if needs is None else f"no broker, and {show(needs)} is read by MQTT",
        "the host name or address of an MQTT broker",
        'add a table [mqtt] with host = "localhost" (or wherever it runs)',
    )


def _password(table: MqttTable, env: Mapping[str, str], faults: Faults) -> Secret | None:
    if table.password is not None and is_reference(table.password) and table.user is None:
        faults.add(
            ("mqtt", "password"),
            "a password without a user",
            "both or none",
            'add user = "…", or take it out',
            ("mqtt", "user"),
        )
    return kept_elsewhere(("mqtt", "password"), table.password, "a password", env, faults)


def _own_certificate(table: MqttTable, faults: Faults) -> tuple[File | None, File | None]:
    """Files of the client's own certificate and its key."""
    if table.key_file is not None and table.certificate_file is None:
        faults.add(
            ("mqtt", "key_file"),
            f"{show(table.key_file)} without a certificate",
            "both, or none",
            'add certificate_file = "…", or take it out',
        )
    files: list[File | None] = []
    for key, told in (("certificate_file", table.certificate_file), ("key_file", table.key_file)):
        if told is not None and not table.tls:
            faults.add(
                ("mqtt", key),
                f"{show(told)} without TLS",
                "a certificate only with tls = true",
                "set tls = true, or take it out",
                ("mqtt", "tls"),
            )
        files.append(full_path(("mqtt", key), told, "/etc/tallydeck/client.pem", faults))
    return files[0], files[1]


def _ca_file(table: MqttTable, faults: Faults) -> File | None:
    if table.ca_file is None:
        return None
    if not table.tls:
        faults.add(
            ("mqtt", "ca_file"),
            f"{show(table.ca_file)} without TLS",
            "an authority only with tls = true",
            "set tls = true, or take it out",
            ("mqtt", "tls"),
        )
    return full_path(("mqtt", "ca_file"), table.ca_file, "/etc/tallydeck/ca.pem", faults)


def _client_id(table: MqttTable, name: str, faults: Faults) -> str:
    """As told, else by the bay's name. MQTT 3.1.1 promises 23 characters; brokers take more."""
    told = table.client_id
    if told is None:
        return f"tallydeck-{name}"
    if not re.fullmatch(r"[A-Za-z0-9._:/-]{1,64}", told):
        faults.add(
            ("mqtt", "client_id"),
            show(told),
            "1 to 64 letters, digits, - . _ : /",
            'write it like "bay-1", or leave it out',
        )
    return told


def _level(name: str) -> str:
    """The bay's name as one level of a topic: small letters, digits and hyphens."""
    return re.sub(r"[^a-z0-9]+", "-", name.lower())[:40].strip("-") or "bay"
