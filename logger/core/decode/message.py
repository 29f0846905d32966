"""Readings that come one a message: a plain decimal, or JSON (RFC 8259) with the number in a field.

Strategy: a message is read whole or not at all; what is not exactly as described comes out as Garbage.
The text of a number is read digit by digit (`decode.number`), never as a float. A number may stand in
quotes, and in JSON it may have an exponent, since libraries write small ones so (``5e-05``).
"""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from typing import Any, TypeAlias

from logger.core.decode.layout import UNITS
from logger.core.decode.number import read_number, write_number
from logger.core.entries import Garbage, Reading

MAX_MESSAGE = 4096
MAX_DEPTH = 8
MOST_POWER = 18

Path: TypeAlias = tuple[str, ...]
"""The way to a field: names of objects, or places in lists from 0."""

_EXPONENT = re.compile(r"([^eE]{1,40})[eE]([+-]?[0-9]{1,2})")


@dataclass(frozen=True, slots=True)
class MessageFormat:
    """What a message looks like. Everything is checked when it is made; ValueError says what is allowed.

    ``value``: the way to the number's field; empty: the whole message is the number. ``unit`` is the
    unit where ``unit_field`` names no field that holds it. ``stable`` is the way to a field that is true
    at rest; a message may leave it out.
    """

    value: Path = ()
    unit: str | None = None
    unit_field: Path = ()
    stable: Path = ()

    def __post_init__(self) -> None:
        if not self.value and (self.unit_field or self.stable):
            raise ValueError("a plain number has no other fields; give the way to the number's own field too")
        for path in (self.value, self.unit_field, self.stable):
            if len(path) > MAX_DEPTH or not all(path):
                raise ValueError(
                    f'"{".".join(path)}" is no way to a field: 1 to {MAX_DEPTH} names with points'
                )
        if self.unit is None and not self.unit_field:
            raise ValueError('no unit is given and no field that holds it; give one, e.g. unit = "kg"')


class _Number(str):
    """The text of a JSON number."""

    __slots__ = ()


class MessageDecoder:
    """Messages of one instrument in, a Reading or Garbage for each.

    Reasons of Garbage: ``too-long``, ``not-utf8``, ``not-json``, ``no-value`` (nothing, or no number or
    text, where the number should be), ``bad-number``, ``no-unit``, ``unknown-unit``, ``bad-stable``.
    """

    def __init__(self, channel: str, form: MessageFormat) -> None:
        self.channel = channel
        self._form = form

    def read(self, payload: bytes, at_ns: int) -> Reading | Garbage:
        """What a message says. Never raises, whatever stands in it; of a long one the start is kept."""
        reading = self._parse(payload, at_ns)
        if isinstance(reading, str):
            return Garbage(at_ns, self.channel, payload[:MAX_MESSAGE], reading)
        return reading if self.encode(reading) == payload else reading._replace(raw=payload)

    def encode(self, reading: Reading) -> bytes:
        """The message that this reading's fields would be, with no field beside those described."""
        number = write_number(reading.number, reading.exp)
        form = self._form
        if not form.value:
            return number.encode("ascii")
        fields = [(form.value, number)]
        if form.unit_field:
            fields.append((form.unit_field, json.dumps(reading.unit)))
        if form.stable and reading.stable is not None:
            fields.append((form.stable, "true" if reading.stable else "false"))
        return _written(fields).encode()

    def _parse(self, payload: bytes, at_ns: int) -> Reading | str:
        """The reading in a message, or the reason why there is none."""
        if len(payload) > MAX_MESSAGE:
            return "too-long"
        try:
            text = payload.decode("utf-8")
        except UnicodeDecodeError:
            return "not-utf8"
        data: Any = _Number(text.strip(" \r\n\t"))
        if self._form.value:
            try:
                data = json.loads(text, parse_float=_Number, parse_int=_Number, parse_constant=_Number)
            except (ValueError, RecursionError):
                return "not-json"
        return self._picked(data, at_ns)

    def _picked(self, data: Any, at_ns: int) -> Reading | str:
        """The reading in what was read, or the reason why there is none."""
        form = self._form
        value = _number(_at(data, form.value), exponent=bool(form.value))
        if isinstance(value, str):
            return value
        unit = _at(data, form.unit_field) if form.unit_field else form.unit
        if not isinstance(unit, str) or unit not in UNITS:
            return "unknown-unit" if unit else "no-unit"
        stable = _at(data, form.stable) if form.stable else None
        if stable is not None and not isinstance(stable, bool):
            return "bad-stable"
        return Reading(at_ns, self.channel, *value, unit, stable)


def _number(found: object, exponent: bool) -> tuple[int, int] | str:
    """Count and power of ten, or the reason why there are none."""
    if not isinstance(found, str):
        return "no-value"
    text, power = found.strip(" "), 0
    match = _EXPONENT.fullmatch(text) if exponent else None
    if match is not None:
        text, power = match[1], int(match[2])
    value = read_number(text)
    if value is None or abs(power) > MOST_POWER:
        return "bad-number"
    return value[0], value[1] + power


def _at(data: Any, path: Path) -> Any:
    """What stands at a path; None for nothing."""
    for step in path:
        if isinstance(data, dict):
            data = data.get(step)
        elif isinstance(data, list) and step.isascii() and step.isdigit() and len(step) < 5:
            data = data[int(step)] if int(step) < len(data) else None
        else:
            return None
    return data


def _written(fields: list[tuple[Path, str]]) -> str:
    """One object with these fields, without a blank; a place in a list is written as a name."""
    names = dict.fromkeys(path[0] for path, _ in fields)
    parts = []
    for name in names:
        inner = [(path[1:], text) for path, text in fields if path[0] == name]
        leaf = next((text for path, text in inner if not path), None)
        parts.append(f"{json.dumps(name)}:{leaf if leaf is not None else _written(inner)}")
    return "{" + ",".join(parts) + "}"
