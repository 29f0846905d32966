"""Quantities as pydantic types. A quantity is text with a unit ("5 g"); a bare number is refused,
because 5 of what is exactly the question.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from fractions import Fraction
from typing import Annotated, Any, NamedTuple, TypeAlias

from logger.core.units import DIMENSIONS, EXAMPLES, UnitError, parse_quantity
from logger.settings.texts import Text, refuse

_PLAIN = r"\d{1,12}(\.\d{1,12})?"
_NUMBER = rf"[+-]?{_PLAIN}"


class Measured(NamedTuple):
    """A quantity in the base unit of its dimension."""

    value: float
    dimension: str


COMMON = {
    "mass": "mg, g, kg, t, lb, oz, ozt or ton",
    "rate": "g/min, kg/min, kg/h, t/h, lb/min or lb/h",
    "flow": "L/min, L/h, m3/h or gpm",
    "volume": "mL, L, m3 or gal",
    "time": "ms, s, min or h",
    "density": "g/cm3, kg/L, kg/m3 or t/m3",
    "share": "%",
}
"""Dimension -> the units that a message names; more are understood."""


def _read(text: str, dimensions: tuple[str, ...], whole: str, example: str) -> tuple[Fraction, str]:
    """The first dimension that reads the text. A refusal of the whole value otherwise."""
    for dimension in dimensions:
        try:
            value = parse_quantity(text, dimension)
        except UnitError:
            continue
        if dimension == "share" and not text.rstrip().endswith("%"):
            break
        return value, dimension
    allowed = f"a number with its unit: {'; or '.join(COMMON[dimension] for dimension in dimensions)}"
    raise refuse(whole, allowed, f'write it like "{example}"')


@dataclass(frozen=True, slots=True)
class QuantityOf(Text):
    """A quantity of one of the dimensions, between ``low`` and ``high`` of the first one's base unit."""

    dimensions: tuple[str, ...]
    low: str
    high: str
    tagged: bool = False  # give a Measured rather than the bare number

    def read(self, value: str) -> object:
        exact, dimension = _read(value, self.dimensions, value, EXAMPLES[self.dimensions[0]])
        self.bound(exact, dimension, value)
        return Measured(float(exact), dimension) if self.tagged else float(exact)

    def bound(self, exact: Fraction, dimension: str, whole: object) -> None:
        if dimension != self.dimensions[0]:
            if exact <= 0:
                raise refuse(whole, "more than nothing", f'write it like "{EXAMPLES[dimension]}"')
            return
        low, high = (parse_quantity(text, dimension) for text in (self.low, self.high))
        if not low <= exact <= high:
            raise refuse(whole, f"{self.low} to {self.high}", "check the number and its unit")

    def wanted(self) -> tuple[str, str]:
        example = EXAMPLES[self.dimensions[0]]
        return f"a number and its unit, in quotes, {self.low} to {self.high}", f'write it like "{example}"'

    def pattern(self) -> str:
        names = {unit for dimension in self.dimensions for unit in DIMENSIONS[dimension] if unit}
        units = "|".join(sorted(names))
        return rf"{_PLAIN}\s{{0,4}}({units})"

    def json(self) -> dict[str, Any]:
        return {
            "pattern": rf"^\s*{self.pattern()}\s*$",
            "examples": [EXAMPLES[dimension] for dimension in self.dimensions],
        }


@dataclass(frozen=True, slots=True)
class RangeOf(Text):
    """A range of one quantity: "0.9 kg to 1.2 kg", or "0.9 to 1.2 kg". Gives (low, high), low below high."""

    quantity: QuantityOf
    example: str

    def read(self, value: str) -> object:
        first, middle, second = value.partition(" to ")
        if not middle:
            raise refuse(value, *self.wanted())
        first = first.strip()
        if re.fullmatch(_NUMBER, first):  # the unit is written once
            first += " " + second.strip().lstrip("+-0123456789. ")
        ends = []
        for text in (first, second):
            exact, dimension = _read(text, self.quantity.dimensions, value, self.example)
            self.quantity.bound(exact, dimension, value)
            ends.append(float(exact))
        if ends[0] >= ends[1]:
            raise refuse(value, "the smaller figure first", "exchange the two, or give two that differ")
        return ends[0], ends[1]

    def wanted(self) -> tuple[str, str]:
        return 'two quantities with "to" between them', f'write it like "{self.example}"'

    def json(self) -> dict[str, Any]:
        end = self.quantity.pattern()
        unit = end.removeprefix(_PLAIN)
        return {"pattern": rf"^\s*{_PLAIN}({unit})? +to +{end}\s*$", "examples": [self.example]}


Mass: TypeAlias = Annotated[float, QuantityOf(("mass",), "1 mg", "100 t")]
Resolution: TypeAlias = Annotated[
    Measured, QuantityOf(("mass", "flow", "volume"), "1 mg", "100 kg", tagged=True)
]
Rate: TypeAlias = Annotated[float, QuantityOf(("rate",), "1 g/h", "100 t/h")]
Duration: TypeAlias = Annotated[float, QuantityOf(("time",), "0 s", "2 h")]
Interval: TypeAlias = Annotated[float, QuantityOf(("time",), "10 ms", "10 min")]
Density: TypeAlias = Annotated[float, QuantityOf(("density",), "0.2 g/cm3", "25 g/cm3")]
Share: TypeAlias = Annotated[float, QuantityOf(("share",), "0 %", "100 %")]
MassRange: TypeAlias = Annotated[
    tuple[float, float], RangeOf(QuantityOf(("mass",), "0 g", "100 t"), "0.9 kg to 1.2 kg")
]
Flow: TypeAlias = Annotated[float, QuantityOf(("flow",), "0.1 L/min", "10000 L/min")]
FlowRange: TypeAlias = Annotated[
    tuple[float, float], RangeOf(QuantityOf(("flow",), "0 L/min", "10000 L/min"), "14 L/min to 20 L/min")
]
