"""Bare numbers, and what one count of a register is, as pydantic types that say what they allow."""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Decimal
from typing import Annotated, Any, NamedTuple, TypeAlias

from pydantic import GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic_core import CoreSchema, core_schema

from logger.core.units import DIMENSIONS
from logger.settings.quantities import COMMON
from logger.settings.texts import Text, refuse

_STEP = re.compile(r"(\d{1,9}(?:\.\d{1,9})?)\s{0,4}([A-Za-z][A-Za-z0-9/]{0,7})")


class Step(NamedTuple):
    """What one count is: ``number * 10**exp`` in ``unit``."""

    number: int
    exp: int
    unit: str


@dataclass(frozen=True, slots=True)
class StepOf(Text):
    """One count of a register: "0.01 L/min", "0.1 L", "1 g"."""

    def read(self, value: str) -> object:
        match = _STEP.fullmatch(value.strip())
        if match is None or not any(
            match.group(2) in DIMENSIONS[each] for each in ("mass", "flow", "volume")
        ):
            raise refuse(value, *self.wanted())
        parts = Decimal(match.group(1)).normalize().as_tuple()
        number = int("".join(map(str, parts.digits)))
        if number == 0:
            raise refuse(value, "more than nothing", 'write it like "0.01 L/min"')
        return Step(number, int(parts.exponent), match.group(2))

    def wanted(self) -> tuple[str, str]:
        allowed = f"a number with its unit, in quotes: {COMMON['mass']}; {COMMON['flow']}; L, m3 or gal"
        return allowed, 'see the device\'s manual for what one count is, e.g. "0.01 L/min", "0.1 L" or "1 g"'

    def json(self) -> dict[str, Any]:
        return {"pattern": rf"^\s*{_STEP.pattern}\s*$", "examples": ["0.01 L/min", "0.1 L", "1 g"]}


@dataclass(frozen=True, slots=True)
class WholeOf:
    """A bare whole number from ``low`` to ``high``."""

    low: int
    high: int
    remedy: str

    def check(self, value: object) -> object:
        if not isinstance(value, int) or isinstance(value, bool) or not self.low <= value <= self.high:
            raise refuse(value, f"a whole number without quotes, {self.low} to {self.high}", self.remedy)
        return value

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        return core_schema.no_info_plain_validator_function(self.check)

    def __get_pydantic_json_schema__(
        self, schema: CoreSchema, handler: GetJsonSchemaHandler
    ) -> dict[str, Any]:
        return {"type": "integer", "minimum": self.low, "maximum": self.high}


ScaleStep: TypeAlias = Annotated[Step, StepOf()]
DeviceNumber: TypeAlias = Annotated[int, WholeOf(0, 255, "see the device's own menu or its switches")]
Register: TypeAlias = Annotated[
    int,
    WholeOf(
        0,
        65535,
        "count from 0, as on the wire; where the manual prints 40001 or 30001 for the first, write 0",
    ),
]
