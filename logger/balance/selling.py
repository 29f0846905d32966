"""What a weigh-up says of selling: the grade each product should be, what components consist of, prices.

All amounts of money are in one currency, whose name is a word of the person's own.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, model_validator

from logger.core.actions.base import Name, Share

Money = Annotated[float, Field(ge=-1e9, le=1e9, allow_inf_nan=False)]
Cost = Annotated[float, Field(ge=0, le=1e9, allow_inf_nan=False)]
Hours = Annotated[float, Field(gt=0, le=1e5, allow_inf_nan=False)]


class Part(BaseModel):
    """What all that is said of selling shares."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class Content(Part):
    """A share with its standard uncertainty. A bare share ("88 %") is one without uncertainty."""

    share: Share
    u: Share = 0.0

    @model_validator(mode="before")
    @classmethod
    def _bare(cls, said: Any) -> Any:
        return {"share": said} if isinstance(said, str | int | float) else said


class Sale(Part):
    """The grade a stream is sold as, and a person's answers to its conditions (true: yes)."""

    grade: Name
    answers: dict[Name, bool] = {}


class Price(Part):
    """What one kg of a product brings, or what a contained component does: one of the two.

    By product: ``per_kg``, of the mass as it is on the scale ("wet") or of its dry mass. By component:
    ``per_kg`` of ``component``, for the share ``payable`` of what is left of the grade after ``deduction``
    (points of grade); where the deduction is more than the grade, nothing is paid. ``treatment``: taken off
    per kg of product (dry, for a price by component). A negative price is what it costs to be rid of it.
    """

    per_kg: Money
    basis: Literal["wet", "dry"] | None = Field(None, description="of a price by product; wet, if left out")
    component: Name | None = None
    payable: Share = 1.0
    deduction: Share = 0.0
    treatment: Cost = 0.0

    @model_validator(mode="after")
    def _one_way(self) -> Price:
        if self.component is None and (self.payable != 1.0 or self.deduction != 0.0):
            raise ValueError('"payable" and "deduction" need the "component" that is paid for')
        if self.component is not None and self.basis == "wet":
            raise ValueError("a contained component is paid by the dry mass; leave the basis out")
        return self

    @property
    def by_wet_mass(self) -> bool:
        return self.component is None and self.basis != "dry"


class PassCost(Part):
    """What a pass costs: per hour (with its hours, if known), per kg of dry feed, or both."""

    per_hour: Cost = 0.0
    hours: Hours | None = None
    per_kg: Cost = 0.0


class Again(Part):
    """Would another pass over a stream pay? Its concentrate is sold as the product ``sold_as``.

    ``recovery`` of the component, and its ``grade`` in what that pass makes: typed in, or, where left out,
    what ``sold_as`` had in the pass ``like`` (in the pass that made this stream, if left out).
    """

    sold_as: Name
    recovery: Content | None = None
    grade: Content | None = None
    like: Name | None = None
    cost: PassCost = PassCost()


class Prices(Part):
    """Prices by product, costs by pass, and what to look at."""

    currency: Annotated[str, Field(min_length=1, max_length=20)]
    products: dict[Name, Price] = {}
    passes: dict[Name, PassCost] = {}
    lost_in: tuple[Name, ...] | None = Field(None, description="final products without a price, if left out")
    lost_from: Name | None = Field(
        None, description="the product that it should have gone to; the only one with a price above 0"
    )
    again: dict[Name, Again] = {}


Contents = dict[Name, dict[Name, Content]]
"""What components consist of: bronze -> {"Cu": 88 %, "Sn": 10 %}. Shares of the component's dry mass."""
ROUNDING = 1e-9
"""Contents that sum to one within this (beside their uncertainty) leave nothing open."""


def contents_faults(contents: Contents) -> list[str]:
    """What is wrong with contents; empty where nothing is."""
    found = []
    for component, of in contents.items():
        total = sum(one.share for one in of.values())
        if total > 1.0 + ROUNDING + 2.0 * sum(one.u**2 for one in of.values()) ** 0.5:
            found.append(
                f"contents.{component}: what it consists of sums to {100 * total:.4g} %, more than all of it"
            )
    return found
