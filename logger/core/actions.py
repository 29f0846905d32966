"""What an operator can do or say, one model an action: the one schema of CLI, API and replay.

On the wire an action is one JSON object, e.g.::

    {"action": "open-lot", "lot": "L-0412", "owner": "PO 7781", "material": "floor sweepings",
     "gross": "412.5 kg", "tare": "14.2 kg", "moisture": "6 %"}

``time`` (RFC 3339 with an offset) says when it took effect, if not now; ``id`` makes it idempotent;
``who`` says who said it. Masses and shares are quantities with a unit, or plain numbers in kg or 1.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated, Any, Literal, TypeAlias

from pydantic import (
    AwareDatetime,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    TypeAdapter,
    model_validator,
)

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


MassKg = Annotated[float, _quantity("mass"), Field(ge=0, le=100_000, allow_inf_nan=False)]
Share = Annotated[float, _quantity("share"), Field(ge=0, le=1, allow_inf_nan=False)]
Name = Annotated[str, Field(min_length=1, max_length=80, pattern=r"^[^\x00-\x1f\x7f]+$")]
Text = Annotated[str, Field(max_length=2000)]


class Said(BaseModel):
    """What every action may carry."""

    model_config = ConfigDict(extra="forbid", frozen=True)
    time: AwareDatetime | None = Field(None, description="when it took effect; now, if left out")
    id: Annotated[str, Field(max_length=80)] = Field("", description="makes it idempotent")
    who: Annotated[str, Field(max_length=80)] = ""

    @property
    def time_ns(self) -> int | None:
        return None if self.time is None else to_ns(self.time)


class OpenLot(Said):
    """Book a customer's lot in."""

    action: Literal["open-lot"] = "open-lot"
    lot: Name
    owner: Annotated[str, Field(max_length=80)] = Field("", description="the owner's reference")
    material: Annotated[str, Field(max_length=80)] = ""
    gross: MassKg | None = None
    tare: MassKg | None = None
    moisture: Share | None = Field(None, description="declared, wet basis")

    @model_validator(mode="after")
    def _tare_below_gross(self) -> OpenLot:
        if self.gross is not None and self.tare is not None and self.tare > self.gross:
            raise ValueError(f"tare {self.tare:g} kg is above gross {self.gross:g} kg; check which is which")
        return self

    @property
    def net_kg(self) -> float | None:
        return None if self.gross is None else self.gross - (self.tare or 0.0)


class StartRun(Said):
    """Begin a run: one pass of a lot over a station. Without a lot it is a trial."""

    action: Literal["start-run"] = "start-run"
    station: Name | None = Field(None, description="may be left out where there is only one")
    lot: Name | None = None
    run: Name | None = Field(None, description="made up where it is left out")


class EndRun(Said):
    """End the run of a station."""

    action: Literal["end-run"] = "end-run"
    station: Name | None = None


class Settings(Said):
    """Write the settings of a station down (tilt, stroke, speed, wash water, …)."""

    action: Literal["settings"] = "settings"
    station: Name | None = None
    values: Annotated[dict[Name, Annotated[str, Field(max_length=80)]], Field(max_length=40)]


class Note(Said):
    """A remark with a time."""

    action: Literal["note"] = "note"
    station: Name | None = None
    text: Text


class ContainerSet(Said):
    """A fresh container stands at an outlet: what the scale shows now is its tare.

    Said where the weight alone did not show it; ``tare`` is told where the container was not empty.
    """

    action: Literal["container-set"] = "container-set"
    station: Name | None = None
    outlet: Name
    tare: MassKg | None = None


class Correct(Said):
    """Correct something recognised from the weight. Nothing is overwritten; a later one wins.

    ``recognised`` is the id shown with it, e.g. ``concentrate#3``. ``credit`` is the product that
    passed meanwhile (kg); or ``was`` says what it really was: ``product`` (the step was product),
    ``nothing`` (the step was no product), ``change`` (a fresh container).
    """

    action: Literal["correct"] = "correct"
    recognised: Name
    credit: MassKg | None = None
    was: Literal["product", "nothing", "change"] | None = None
    why: Text = ""

    @model_validator(mode="after")
    def _one_of(self) -> Correct:
        if (self.credit is None) == (self.was is None):
            raise ValueError('give exactly one of "credit" and "was"')
        return self


class Acknowledge(Said):
    """Say that an alarm has been seen."""

    action: Literal["acknowledge"] = "acknowledge"
    alarm: Name = Field(description='the alarm\'s id, or "all"')


class Shelve(Said):
    """Silence an alarm for a limited time."""

    action: Literal["shelve"] = "shelve"
    alarm: Name
    minutes: Annotated[float, Field(gt=0, le=480)]
    why: Text = ""


Body: TypeAlias = Annotated[
    OpenLot | StartRun | EndRun | Settings | Note | ContainerSet | Correct | Acknowledge | Shelve,
    Field(discriminator="action"),
]
BODY: TypeAdapter[Any] = TypeAdapter(Body)


def body_json(body: BaseModel) -> dict[str, Any]:
    """The action as plain JSON values; reading it again with `BODY` gives an equal model."""
    return body.model_dump(mode="json", exclude_defaults=False, exclude_none=True)
