"""Values that are written as text with a shape of their own, as pydantic types.

Each says what it allows and how to mend what it refuses, and describes itself to the JSON Schema.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Annotated, Any, NamedTuple, TypeAlias

from pydantic import GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic_core import CoreSchema, PydanticCustomError, core_schema

from logger.settings.problems import show

DAY_MIN = 24 * 60
NOT_WEIGHED = "none"
"""What ``scale = "none"`` and ``scale = false`` become."""

_SHIFT = re.compile(r"([01]\d|2[0-3]):([0-5]\d) ?- ?(([01]\d|2[0-3]):([0-5]\d)|24:00)")
_FORMAT = re.compile(r"([78])([NEO])(1|1\.5|2)")
_SOCKET = re.compile(r"(?:socket|rfc2217)://([A-Za-z0-9.-]{1,253}|\[[0-9A-Fa-f:.]{2,45}\]):(\d{1,5})")
_TOPIC = re.compile(r"[^\x00-\x1f\x7f+#$/][^\x00-\x1f\x7f+#]{0,199}")
_FIELD = re.compile(r"[^.\x00-\x1f\x7f]{1,60}(\.[^.\x00-\x1f\x7f]{1,60}){0,7}")
_DEVICE = re.compile(r"/[^\x00-\x1f]{1,500}|demo:[\w-]{1,40}")


def refuse(value: object, allowed: str, remedy: str) -> PydanticCustomError:
    """The one error our own types raise; `logger.settings.validate` makes a Problem of it."""
    context = {"found": show(value), "allowed": allowed, "remedy": remedy}
    return PydanticCustomError("settings", "{found}", context)


@dataclass(frozen=True, slots=True)
class Text:
    """Base of the types: a value written as text, which ``read`` turns into what it means."""

    def read(self, value: str) -> object:
        """The meaning; a refusal where there is none."""
        raise NotImplementedError

    def wanted(self) -> tuple[str, str]:
        """(what is allowed, how to mend it), for a value that is not even text."""
        raise NotImplementedError

    def json(self) -> dict[str, Any]:
        """What the JSON Schema says of it, beside its being a string."""
        raise NotImplementedError

    def check(self, value: object) -> object:
        if not isinstance(value, str):
            raise refuse(value, *self.wanted())
        return self.read(value)

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        return core_schema.no_info_plain_validator_function(self.check)

    def __get_pydantic_json_schema__(
        self, schema: CoreSchema, handler: GetJsonSchemaHandler
    ) -> dict[str, Any]:
        return {"type": "string", **self.json()}


@dataclass(frozen=True, slots=True)
class ShiftOf(Text):
    """Working hours "06:00-14:00" as minutes after local midnight; over midnight the end is the smaller."""

    def read(self, value: str) -> object:
        match = _SHIFT.fullmatch(value.strip())
        if match is None:
            raise refuse(value, *self.wanted())
        start = int(match.group(1)) * 60 + int(match.group(2))
        end = DAY_MIN if match.group(4) is None else int(match.group(4)) * 60 + int(match.group(5))
        if start % DAY_MIN == end % DAY_MIN and (start, end) != (0, DAY_MIN):
            raise refuse(value, "two different times", 'for the whole day write "00:00-24:00"')
        return start, end

    def wanted(self) -> tuple[str, str]:
        return "two times of the day, hours and minutes", 'write it like "06:00-14:00"'

    def json(self) -> dict[str, Any]:
        return {"pattern": rf"^\s*{_SHIFT.pattern}\s*$", "examples": ["06:00-14:00"]}


class Format(NamedTuple):
    """How a serial line frames a byte."""

    data_bits: int = 8
    parity: str = "N"
    stop_bits: float = 1.0


@dataclass(frozen=True, slots=True)
class FormatOf(Text):
    """Data bits, parity and stop bits in the usual short form: "8N1", "7E1"."""

    def read(self, value: str) -> object:
        match = _FORMAT.fullmatch(value.strip().upper())
        if match is None:
            raise refuse(value, *self.wanted())
        return Format(int(match.group(1)), match.group(2), float(match.group(3)))

    def wanted(self) -> tuple[str, str]:
        allowed = "data bits 7 or 8, parity N, E or O, stop bits 1, 1.5 or 2"
        return allowed, 'write it like "8N1" or "7E1", as the instrument\'s own menu shows it'

    def json(self) -> dict[str, Any]:
        return {"pattern": rf"^{_FORMAT.pattern}$", "examples": ["8N1", "7E1"]}


@dataclass(frozen=True, slots=True)
class PortOf(Text):
    """Where an instrument is plugged in."""

    def read(self, value: str) -> object:
        socket = _SOCKET.fullmatch(value)
        if socket is not None:
            if not 1 <= int(socket.group(2)) <= 65535:
                raise refuse(value, "a TCP port from 1 to 65535", "see the network adapter's own settings")
        elif _DEVICE.fullmatch(value) is None:
            raise refuse(value, *self.wanted())
        return value

    def wanted(self) -> tuple[str, str]:
        allowed = "the full path of a serial device, socket://host:port or rfc2217://host:port"
        return (
            allowed,
            "list /dev/serial/by-id/ with the instrument plugged in, and copy the name that appears",
        )

    def json(self) -> dict[str, Any]:
        return {
            "pattern": f"^({_SOCKET.pattern}|{_DEVICE.pattern})$",
            "examples": [
                "/dev/serial/by-id/usb-scale-if00-port0",
                "socket://192.168.1.20:4001",
                "rfc2217://192.168.1.20:4002",
            ],
        }


@dataclass(frozen=True, slots=True)
class TopicOf(Text):
    """An MQTT topic (MQTT 5.0, 4.7): one topic, so without the wildcards + and #."""

    def read(self, value: str) -> object:
        if _TOPIC.fullmatch(value) is None:
            raise refuse(value, *self.wanted())
        return value

    def wanted(self) -> tuple[str, str]:
        allowed = "an MQTT topic of 1 to 200 characters, without + and #, not beginning with $ or /"
        return allowed, 'write it as the sender does, e.g. "bay/scale-1/weight"'

    def json(self) -> dict[str, Any]:
        return {"pattern": f"^{_TOPIC.pattern}$", "examples": ["bay/scale-1/weight"]}


@dataclass(frozen=True, slots=True)
class FieldOf(Text):
    """The way to a field of a JSON message: names, or places in lists from 0, with points between."""

    def read(self, value: str) -> object:
        if _FIELD.fullmatch(value) is None:
            raise refuse(value, *self.wanted())
        return tuple(value.split("."))

    def wanted(self) -> tuple[str, str]:
        return "1 to 8 names of fields with points between", 'write it like "weight.net"'

    def json(self) -> dict[str, Any]:
        return {"pattern": f"^{_FIELD.pattern}$", "examples": ["weight", "weight.net", "scales.0.net"]}


@dataclass(frozen=True, slots=True)
class ScaleOf(Text):
    """The instrument something stands on, or "none" (also false) where it is not weighed."""

    def check(self, value: object) -> object:
        if value is False:
            return NOT_WEIGHED
        if not isinstance(value, str) or not value:
            raise refuse(value, *self.wanted())
        return value

    def wanted(self) -> tuple[str, str]:
        return "the name of an instrument, or false where nothing weighs it", 'write it like "concentrate"'

    def __get_pydantic_json_schema__(
        self, schema: CoreSchema, handler: GetJsonSchemaHandler
    ) -> dict[str, Any]:
        return {"anyOf": [{"type": "string", "minLength": 1}, {"const": False}]}


@dataclass(frozen=True, slots=True)
class NamedTables:
    """Tables keyed by name, or, where nothing more is to be said of them, a list of the names alone."""

    def names_to_tables(self, value: object) -> object:
        if not isinstance(value, list):
            return value
        seen: set[str] = set()
        for name in value:
            if not isinstance(name, str):
                raise refuse(name, "a list of names in quotes", 'write it like ["concentrate", "tailings"]')
            if name in seen:
                raise refuse(name, "every name once", f"take out the second {show(name)}")
            seen.add(name)
        return {name: {} for name in value}

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        return core_schema.no_info_before_validator_function(self.names_to_tables, handler(source))

    def __get_pydantic_json_schema__(
        self, schema: CoreSchema, handler: GetJsonSchemaHandler
    ) -> dict[str, Any]:
        names = {"type": "array", "items": {"type": "string"}, "uniqueItems": True}
        return {"anyOf": [names, handler(schema)]}


Shift: TypeAlias = Annotated[tuple[int, int], ShiftOf()]
LineFraming: TypeAlias = Annotated[Format, FormatOf()]
PortAddress: TypeAlias = Annotated[str, PortOf()]
Topic: TypeAlias = Annotated[str, TopicOf()]
FieldPath: TypeAlias = Annotated[tuple[str, ...], FieldOf()]
Scale: TypeAlias = Annotated[str, ScaleOf()]
