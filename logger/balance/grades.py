"""Product grades as data: what a buyer, or a published specification, asks of a product.

A grade speaks of chemical elements ("Cu") or of components as the lot names them ("bronze"). Limits are
shares of the dry product, or of the wet one where ``basis`` says so. The buyer's contract and local rules win
over anything that is written here.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from logger.core.actions.base import Name, Share, Text
from logger.core.actions.faults import faults, sentence

CONTRACT = "The buyer's contract and local rules win over this verdict."


class GradeError(ValueError):
    """A grade that can't be used. ``faults``: one sentence each, with its place."""

    def __init__(self, found: tuple[str, ...]) -> None:
        self.faults = found
        super().__init__("\n".join(found))


class Grade(BaseModel):
    """A product grade. At least one limit or condition; what is left out is not asked for."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    title: Text = ""
    source: Annotated[Text, Field(min_length=1, description="who asks this, and where it is written")]
    seen: Annotated[
        Text,
        Field(min_length=1, description="how the figures got here: read, at second hand, invented"),
    ]
    minimum: dict[Name, Share] = {}
    maximum: dict[Name, Share] = {}
    each_other: Share | None = Field(None, description="the most of any single one that is not named")
    others: Share | None = Field(None, description="the most of all together that are not named")
    aside: tuple[Name, ...] = Field((), description="named without a limit: not counted among the others")
    moisture: Share | None = Field(None, description="the most water, of the wet mass")
    basis: Annotated[str, Field(pattern="^(dry|wet)$")] = "dry"
    conditions: dict[Name, Text] = Field({}, description="questions to a person; yes is what is asked for")
    note: Text = ""

    @model_validator(mode="after")
    def _sound(self) -> Grade:
        limits = (self.each_other, self.others, self.moisture)
        if not (self.minimum or self.maximum or self.conditions or limits != (None, None, None)):
            raise ValueError(
                'a grade asks for nothing; give it a "minimum", "maximum", "each_other", "others", '
                '"moisture" or "conditions"'
            )
        for name, least in self.minimum.items():
            if least > self.maximum.get(name, 1.0):
                raise ValueError(
                    f"{name}: a minimum of {percent(least)} and a maximum of {percent(self.maximum[name])} "
                    "can't both be kept"
                )
        if sum(self.minimum.values()) > 1.0 + 1e-9:
            raise ValueError(f"the minimums sum to {sum(self.minimum.values()):.1%}, more than everything")
        twice = set(self.aside) & (set(self.minimum) | set(self.maximum))
        if twice:
            raise ValueError(f'{", ".join(sorted(twice))}: has a limit and stands "aside"; choose one')
        return self

    @property
    def named(self) -> frozenset[str]:
        """All that does not count as "other"."""
        return frozenset((*self.minimum, *self.maximum, *self.aside))


def read_grades(data: Mapping[str, Any]) -> dict[str, Grade]:
    """Grades by name, from what a TOML or JSON file holds (a table each). GradeError with every fault."""
    found: dict[str, Grade] = {}
    wrong: list[str] = []
    for name, table in data.items():
        if not isinstance(table, Mapping):
            wrong.append(f"{name}: a grade is a table, such as [{name}]; found {table!r}")
            continue
        try:
            found[name] = Grade.model_validate(dict(table))
        except ValidationError as error:
            wrong += [f"{name}.{each}" for each in _told(error)]
    if wrong:
        raise GradeError(tuple(wrong))
    return found


def _told(error: ValidationError) -> list[str]:
    told = []
    for raw, fault in zip(error.errors(include_url=False), faults(error), strict=False):
        if raw["type"] == "extra_forbidden":
            names = ", ".join(Grade.model_fields)
            told.append(f"{fault['place']}: a grade has no such field; it may have {names}")
        else:
            told.append(sentence(fault))
    return told


def percent(share: float) -> str:
    """A share as a limit is written: 0.97 -> "97 %", 0.0075 -> "0.75 %"."""
    return f"{100.0 * share:.10g} %"
