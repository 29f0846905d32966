"""What all actions share: the values they are made of and what each may carry."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated, Any, Literal, TypeAlias

from pydantic import AfterValidator, AwareDatetime, BaseModel, BeforeValidator, ConfigDict, Field

from logger.core.units import parse_quantity

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def to_ns(moment: datetime) -> int:
    """Exact nanoseconds since 1970 of an aware datetime."""
    delta = moment - EPOCH
    return ((delta.days * 86400 + delta.seconds) * 10**6 + delta.microseconds) * 1000


def _quantity(dimension: str) -> BeforeValidator:
    def read(value: Any) -> Any:
        return float(parse_quantity(value, dimension)) if isinstance(value, str) else value

    return BeforeValidator(read)


def _weigh_or_mass(value: Any) -> Any:
    if isinstance(value, str) and value != "weigh":
        return float(parse_quantity(value, "mass"))
    return value


_TURNS = frozenset("\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")


def _readable(name: str) -> str:
    if not name.strip():
        raise ValueError("a name needs more than blanks")
    if _TURNS & set(name):
        raise ValueError("a name can't hold marks that turn the direction of writing")
    return name


_Mass = Annotated[float, Field(ge=0, le=100_000, allow_inf_nan=False)]
MassKg = Annotated[_Mass, _quantity("mass")]
MassOrWeigh = Annotated[_Mass | Literal["weigh"], BeforeValidator(_weigh_or_mass)]
"""A mass, or ``weigh``: the next stable weight of the scale that is named beside it."""
Share = Annotated[float, _quantity("share"), Field(ge=0, le=1, allow_inf_nan=False)]
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
    time: AwareDatetime | None = Field(None, description="when it took effect; now, if left out")
    id: Short = Field("", description="makes it idempotent: the same id is taken once")
    who: Short = ""

    @property
    def time_ns(self) -> int | None:
        return None if self.time is None else to_ns(self.time)


class AtStation(Said):
    """An action about one station."""

    station: Name | None = Field(None, description="may be left out where there is only one")
