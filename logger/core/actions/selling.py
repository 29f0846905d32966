"""What is said of selling: grades, the answers to their conditions, prices, costs, what components are of."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator

from logger.core.actions.base import AtStation, Name, Share

Money = Annotated[float, Field(ge=-1e9, le=1e9, allow_inf_nan=False)]
Cost = Annotated[float, Field(ge=0, le=1e9, allow_inf_nan=False)]
Currency = Annotated[str, Field(min_length=1, max_length=20)]


class ForSale(AtStation):
    """An action about a run, or about all runs of a lot; said again, the later word counts."""

    lot: Name | None = Field(None, description="all runs of this lot")
    run: Name | None = Field(None, description="this run; the open one, or else the last, if left out")

    @model_validator(mode="after")
    def _one_of(self) -> ForSale:
        if self.lot is not None and self.run is not None:
            raise ValueError('give "run", or "lot" for all of its runs, not both')
        return self


class SellAs(ForSale):
    """The grade that an outlet's product is sold as, and a person's answers to its conditions.

    Answers that are said one after the other are joined; another grade begins anew.
    """

    action: Literal["sell-as"] = "sell-as"
    outlet: Name = Field(description="as in the configuration")
    grade: Name = Field(description="the name of the grade")
    answers: Annotated[dict[Name, bool], Field(max_length=50)] = Field(
        {}, description='conditions of the grade and whether they hold, such as {"dry": true}'
    )


class Price(ForSale):
    """What an outlet's product brings: per kg of it, or per kg of a component that it contains."""

    action: Literal["price"] = "price"
    outlet: Name = Field(description="as in the configuration")
    per_kg: Money = Field(description="per kg; negative where it costs to be rid of it")
    currency: Currency = Field(description="its name, such as EUR")
    basis: Literal["wet", "dry"] | None = Field(
        None, description="of a price of the product: its mass with its water, or dry"
    )
    component: Name | None = Field(None, description="what is paid for, where it is a component")
    payable: Share = Field(1.0, description="the share of the component that is paid for")
    deduction: Share = Field(0.0, description="points of grade that are taken off first")
    treatment: Cost = Field(0.0, description="taken off per kg of product")

    @model_validator(mode="after")
    def _one_way(self) -> Price:
        if self.component is None and (self.payable != 1.0 or self.deduction != 0.0):
            raise ValueError('"payable" and "deduction" need the "component" that is paid for')
        if self.component is not None and self.basis == "wet":
            raise ValueError("a contained component is paid by the dry mass; leave the basis out")
        return self


class PassCost(ForSale):
    """What a run costs: per hour, per kg of its dry feed, or both. Hours are the run's own if left out."""

    action: Literal["pass-cost"] = "pass-cost"
    currency: Currency = Field(description="its name, such as EUR")
    per_hour: Cost = Field(0.0, description="per hour of the run")
    hours: Annotated[float, Field(gt=0, le=1e5, allow_inf_nan=False)] | None = Field(
        None, description="how many; the run's own, if left out"
    )
    per_kg: Cost = Field(0.0, description="per kg of dry feed")

    @model_validator(mode="after")
    def _something(self) -> PassCost:
        if not (self.per_hour or self.per_kg):
            raise ValueError('give "per_hour" or "per_kg", or both')
        return self


class ConsistsOf(ForSale):
    """What a component consists of, where a grade or a price asks for that: bronze of copper and tin."""

    action: Literal["consists-of"] = "consists-of"
    component: Name = Field(description="as in the samples' results")
    shares: Annotated[
        dict[Name, Share],
        Field(min_length=1, max_length=50, description='of its dry mass, such as {"Cu": "88 %"}'),
    ]
    u: Share = Field(0.0, description="standard uncertainty of each share")

    @model_validator(mode="after")
    def _no_more_than_all(self) -> ConsistsOf:
        if sum(self.shares.values()) > 1.0 + 1e-9 + 4 * self.u * len(self.shares) ** 0.5:
            raise ValueError(f"the shares sum to {sum(self.shares.values()):.1%}, more than everything")
        return self
