"""Numbers in 16-bit registers, as Modbus devices keep them: bytes in, exact Readings out.

The standard (MODBUS Application Protocol Specification V1.1b3, 4.2) sends each register with its high
byte first. How a number of several registers is laid out it leaves open, and devices differ; the order
is therefore always told, in the letters that manuals use: of a 32-bit number whose bytes are A (highest)
to D, ``ABCD`` sends the high register first, ``CDAB`` the low one, ``BADC`` and ``DCBA`` the same with the
two bytes of each register exchanged. Longer numbers follow the same rule: ``CDAB`` sends the lowest
register first.
"""

from __future__ import annotations

import math
import struct
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction

from logger.core.entries import Garbage, Reading

CODES = {
    "int16": "h",
    "uint16": "H",
    "int32": "i",
    "uint32": "I",
    "int64": "q",
    "uint64": "Q",
    "float32": "f",
    "float64": "d",
}
"""Type of number -> its letter in `struct`."""

ORDERS = ("ABCD", "CDAB", "BADC", "DCBA")

_LIMIT = 2**63  # a reading's number is to fit 64 bits with its sign


@dataclass(frozen=True, slots=True)
class RegisterFormat:
    """What the registers of one number hold. ValueError where type or order is not known.

    ``step`` and ``exp`` tell what one count is, ``step * 10**exp`` in ``unit``; a float is in the unit as it
    stands.
    """

    number: str
    order: str
    unit: str
    step: int = 1
    exp: int = 0

    def __post_init__(self) -> None:
        for what, value, known in (("number", self.number, CODES), ("order", self.order, ORDERS)):
            if value not in known:
                raise ValueError(f'{what} "{value}" is not known; use one of {", ".join(known)}')
        if self.step < 1:
            raise ValueError(f"step {self.step}: one count must be more than nothing")
        if self.floating and (self.step, self.exp) != (1, 0):
            raise ValueError("a float is in its unit as it stands; only whole numbers have a step")

    @property
    def floating(self) -> bool:
        return self.number.startswith("float")

    @property
    def size(self) -> int:
        """Bytes on the wire; two make a register."""
        return struct.calcsize(f">{CODES[self.number]}")

    def read(self, data: bytes, at_ns: int, channel: str) -> Reading | Garbage:
        """The reading in the registers' bytes, in the order they came.

        Reasons of Garbage: ``wrong-size``, ``not-a-number``, ``infinite`` and ``too-large`` (the digits of a
        whole number, or a float itself, beyond 64 bits).
        """
        if len(data) != self.size:
            return Garbage(at_ns, channel, data, "wrong-size")
        (value,) = struct.unpack(f">{CODES[self.number]}", _ordered(data, self.order))
        if not self.floating:
            number, exp = value * self.step, self.exp
        elif math.isnan(value):
            return Garbage(at_ns, channel, data, "not-a-number")
        elif math.isinf(value):
            return Garbage(at_ns, channel, data, "infinite")
        elif abs(value) >= _LIMIT:  # registers in the wrong order give such; sums of them overflow a float
            return Garbage(at_ns, channel, data, "too-large")
        else:
            number, exp = _shortest(value, CODES[self.number])
        if not -_LIMIT <= number < _LIMIT:
            return Garbage(at_ns, channel, data, "too-large")
        reading = Reading(at_ns, channel, number, exp, self.unit)
        return reading if self.write(reading) == data else reading._replace(raw=data)

    def write(self, reading: Reading) -> bytes:
        """The bytes that this reading's number has in the registers. ValueError where they can't hold it."""
        exact = Fraction(reading.number) * Fraction(10) ** reading.exp
        count = exact / (self.step * Fraction(10) ** self.exp)
        if not self.floating and count.denominator != 1:
            raise ValueError(f"{reading.number}e{reading.exp} is no whole number of counts")
        try:
            value = float(exact) if self.floating else count.numerator
            return _ordered(struct.pack(f">{CODES[self.number]}", value), self.order)
        except (struct.error, OverflowError):
            raise ValueError(f"{reading.number}e{reading.exp} does not fit {self.number}") from None


def _ordered(data: bytes, order: str) -> bytes:
    """From the wire's order to highest byte first, or back: each of the four is its own inverse."""
    if order in ("CDAB", "DCBA"):
        data = b"".join(data[at : at + 2] for at in range(len(data) - 2, -1, -2))
    if order in ("BADC", "DCBA"):
        data = b"".join(data[at : at + 2][::-1] for at in range(0, len(data), 2))
    return data


def _shortest(value: float, code: str) -> tuple[int, int]:
    """The shortest decimal that gives back these bits, as (number, exp): 0.1f is (1, -1), not 0.100000001."""
    text = repr(value)
    if code == "f":
        bits = struct.pack(">f", value)
        shorter = (f"{value:.{digits}g}" for digits in range(1, 9))
        fits = (each for each in shorter if _packs(each) == bits)
        text = next(fits, f"{value:.9g}")  # 9 digits always do (IEEE 754-2019, 5.12.2)
    parts = Decimal(text).normalize().as_tuple()
    number = int("".join(map(str, parts.digits)))
    return (-number if parts.sign else number), int(parts.exponent)


def _packs(text: str) -> bytes | None:
    """The bits of a decimal; None where rounding up took it beyond the largest float."""
    try:
        return struct.pack(">f", float(text))
    except OverflowError:
        return None
