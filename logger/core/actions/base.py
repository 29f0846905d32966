"""What all actions share: the values they are made of and what each may carry."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from typing import Annotated, Any, Literal, TypeAlias

from pydantic import (
    AfterValidator,
    AwareDatetime,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    WithJsonSchema,
)
from pydantic_core import PydanticCustomError

from logger.core.units import DIMENSIONS, EXAMPLES, parse_quantity

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def to_ns(moment: datetime) -> int:
    """Exact nanoseconds since 1970 of an aware datetime."""
    delta = moment - EPOCH
    return ((delta.days * 86400 + delta.seconds) * 10**6 + delta.microseconds) * 1000


def _read(value: Any, dimension: str) -> Any:
    if isinstance(value, bool):
        raise PydanticCustomError("float_type", "a truth value is no quantity")
    return float(parse_quantity(value, dimension)) if isinstance(value, str) else value


def quantity(dimension: str, *words: str) -> BeforeValidator:
    """Reads a quantity in text, such as "5 g", where it is none of the words."""
    return BeforeValidator(lambda value: value if value in words else _read(value, dimension))


def described(dimension: str, about: str, *words: str) -> WithJsonSchema:
    units = "|".join(sorted(unit for unit in DIMENSIONS[dimension] if unit))
    optional = "?" if "" in DIMENSIONS[dimension] else ""
    limits = {"minimum": 0, "maximum": _MOST.get(dimension, MOST_KG)}
    text = {
        "type": "string",
        "pattern": rf"^\s*\+?[0-9]{{1,12}}(\.[0-9]{{1,12}})?\s{{0,4}}({units}){optional}\s*$",
        "examples": [EXAMPLES[dimension]],
    }
    spoken = [{"const": word} for word in words]
    return WithJsonSchema({"anyOf": [text, {"type": "number", **limits}, *spoken], "description": about})


def _dated(value: Any) -> Any:
    """A bare number would be read as seconds since 1970, which nobody means."""
    if isinstance(value, datetime) or (isinstance(value, str) and _DATE.match(value)):
        return value
    raise PydanticCustomError("datetime_type", "not a time")


_DATE = re.compile(r"\d{4}-\d{2}-\d{2}[Tt ]\d{2}:")
Moment = Annotated[AwareDatetime, BeforeValidator(_dated)]
"""A time by RFC 3339, with its offset."""


_TURNS = frozenset("\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")


def _readable(name: str) -> str:
    if not name.strip():
        raise ValueError("a name needs more than blanks")
    if _TURNS & set(name):
        raise ValueError("a name can't hold marks that turn the direction of writing")
    return name


MOST_KG = 100_000
_MOST = {"share": 1, "length": 1, "density": 25}
_IN_KG = 'a quantity with its unit ("12.5 kg"), or a number of kg'
_Mass = Annotated[float, Field(ge=0, le=MOST_KG, allow_inf_nan=False)]
MassKg = Annotated[_Mass, quantity("mass"), described("mass", _IN_KG)]
MassOrWeigh = Annotated[
    _Mass | Literal["weigh"],
    quantity("mass", "weigh"),
    described("mass", _IN_KG + '; or "weigh": the next stable weight of the scale named beside it', "weigh"),
]
"""A mass, or ``weigh``: the next stable weight of the scale that is named beside it."""
MassOrWait = Annotated[
    _Mass | Literal["wait"],
    quantity("mass", "wait"),
    described("mass", _IN_KG + '; or "wait": until the deck has run empty', "wait"),
]
"""A mass, or ``wait``: until nothing comes any more."""
Share = Annotated[
    float,
    quantity("share"),
    Field(ge=0, le=1, allow_inf_nan=False),
    described("share", 'a percentage ("6 %"), or a number from 0 to 1'),
]
LengthM = Annotated[
    float,
    quantity("length"),
    Field(gt=0, le=1, allow_inf_nan=False),
    described("length", 'a length with its unit ("4 mm"), or a number of m'),
]
DensityGCm3 = Annotated[
    float,
    quantity("density"),
    Field(gt=0, le=25, allow_inf_nan=False),
    described("density", 'a density with its unit ("8.8 g/cm3"), or a number of g/cm3'),
]
Name = Annotated[
    str, Field(min_length=1, max_length=80, pattern=r"^[^\x00-\x1f\x7f]+$"), AfterValidator(_readable)
]
Short = Annotated[str, Field(max_length=80)]
Text = Annotated[str, Field(max_length=2000)]
Photographs: TypeAlias = Annotated[
    list[Annotated[str, Field(min_length=1, max_length=500)]], Field(max_length=50)
]


class Said(BaseModel):
    """What every action may carry."""

    model_config = ConfigDict(extra="forbid", frozen=True)
    time: Moment | None = Field(None, description="when it took effect; now, if left out")
    id: Short = Field("", description="makes it idempotent: the same id is taken once")
    who: Short = Field("", description="who says it")

    @property
    def time_ns(self) -> int | None:
        return None if self.time is None else to_ns(self.time)


class AtStation(Said):
    """An action about one station."""

    station: Name | None = Field(None, description="may be left out where there is only one")
