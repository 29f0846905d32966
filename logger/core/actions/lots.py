"""Lots, and everything that is weighed by hand: the lot's containers and the products' containers."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, model_validator

from logger.core.actions.base import (
    AtStation,
    MassKg,
    MassOrWeigh,
    Name,
    Photographs,
    Said,
    Share,
    Short,
    Text,
)


def tare_below_gross(gross: Any, tare: Any, name: str = "") -> None:
    """ValueError where both are masses and the tare is the greater."""
    if isinstance(gross, float | int) and isinstance(tare, float | int) and tare > gross:
        of = f" of {name}" if name else ""
        raise ValueError(f"tare {tare:g} kg is above gross {gross:g} kg{of}; check which is which")


class LotContainer(BaseModel):
    """One container of a lot. ``weigh`` takes the next stable weight of ``scale``."""

    model_config = ConfigDict(extra="forbid", frozen=True)
    container: Name = Field(description="its name or number")
    gross: MassOrWeigh | None = Field(None, description="full")
    tare: MassOrWeigh | None = Field(None, description="empty")
    scale: Name | None = Field(None, description="the instrument that weighs, where something is weighed")

    @model_validator(mode="after")
    def _sound(self) -> LotContainer:
        sound(self)
        return self


def sound(said: Any) -> None:
    """ValueError where gross and tare contradict, or ``weigh`` names no scale."""
    tare_below_gross(said.gross, said.tare, said.container)
    if "weigh" in (said.gross, said.tare) and said.scale is None:
        raise ValueError('"weigh" needs the scale it is weighed on: give "scale"')
    if said.gross == "weigh" and said.tare == "weigh":
        raise ValueError('only one of "gross" and "tare" can be weighed at a time; say the other afterwards')


class OpenLot(Said):
    """Book a customer's lot in: with one gross and tare, or with several containers."""

    action: Literal["open-lot"] = "open-lot"
    lot: Name = Field(description="the lot's name")
    owner: Short = Field("", description="the owner's reference")
    material: Short = Field("", description="what it is")
    gross: MassKg | None = Field(None, description="of the whole lot with what it came in")
    tare: MassKg | None = Field(None, description="what it came in, empty")
    containers: Annotated[
        tuple[LotContainer, ...], Field(max_length=200, description="instead of gross and tare of the whole")
    ] = ()
    moisture: Share | None = Field(None, description="declared, wet basis")
    note: Text = Field("", description="whatever is worth remembering of it")
    photographs: Photographs = Field([], description="paths of files")

    @model_validator(mode="after")
    def _sound(self) -> OpenLot:
        tare_below_gross(self.gross, self.tare)
        if self.containers and (self.gross is not None or self.tare is not None):
            raise ValueError('give "gross" and "tare" of the whole lot or its "containers", not both')
        names = [each.container for each in self.containers]
        if len(set(names)) < len(names):
            raise ValueError("two containers have the same name; number them")
        return self

    @property
    def net_kg(self) -> float | None:
        return None if self.gross is None else self.gross - (self.tare or 0.0)


class WeighLot(Said):
    """Gross or tare of a container of a lot, typed in or weighed now; said twice, the two are joined."""

    action: Literal["weigh-lot"] = "weigh-lot"
    lot: Name = Field(description="the lot's name")
    container: Name = Field(description="its name or number")
    gross: MassOrWeigh | None = Field(None, description="full")
    tare: MassOrWeigh | None = Field(None, description="empty")
    scale: Name | None = Field(None, description="the instrument that weighs, where something is weighed")

    @model_validator(mode="after")
    def _sound(self) -> WeighLot:
        sound(self)
        if self.gross is None and self.tare is None:
            raise ValueError('give "gross" or "tare", or both')
        return self


class WeighProduct(AtStation):
    """Gross or tare of a container of product that is carried to a scale; for outlets without one.

    What all containers of an outlet held counts for the run that is open, or the one named.
    """

    action: Literal["weigh-product"] = "weigh-product"
    outlet: Name = Field(description="as in the configuration")
    container: Name = Field(description="its name or number")
    run: Name | None = Field(None, description="the open run, or else the last, if left out")
    gross: MassOrWeigh | None = Field(None, description="full")
    tare: MassOrWeigh | None = Field(None, description="empty")
    scale: Name | None = Field(None, description="the instrument that weighs, where something is weighed")

    @model_validator(mode="after")
    def _sound(self) -> WeighProduct:
        sound(self)
        if self.gross is None and self.tare is None:
            raise ValueError('give "gross" or "tare", or both')
        return self


class SweptUp(AtStation):
    """Gross or tare of a container of what was spilt in a run and swept up: a product that no outlet gave."""

    action: Literal["swept-up"] = "swept-up"
    container: Name = Field("1", description="its name or number, where there are several")
    run: Name | None = Field(None, description="the open run, or else the last, if left out")
    gross: MassOrWeigh | None = Field(None, description="full")
    tare: MassOrWeigh | None = Field(None, description="empty")
    scale: Name | None = Field(None, description="the instrument that weighs, where something is weighed")

    @model_validator(mode="after")
    def _sound(self) -> SweptUp:
        sound(self)
        if self.gross is None and self.tare is None:
            raise ValueError('give "gross" or "tare", or both')
        return self


class CancelWeighing(Said):
    """Do not wait any longer for the next stable weight of a scale."""

    action: Literal["cancel-weighing"] = "cancel-weighing"
    scale: Name = Field(description="the instrument that was to weigh")
