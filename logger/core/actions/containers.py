"""What a person does with the containers at the outlets, and corrections of what the weight showed."""

from __future__ import annotations

from typing import Literal

from pydantic import Field, model_validator

from logger.core.actions.base import AtStation, MassKg, Name, Said, Text


class ContainerSet(AtStation):
    """A fresh container stands at an outlet: what the scale shows now is its tare.

    Said where the weight alone did not show it; ``tare`` is told where the container was not empty.
    """

    action: Literal["container-set"] = "container-set"
    outlet: Name = Field(description="as in the configuration")
    tare: MassKg | None = Field(None, description="its tare; what the scale shows now, if left out")


class ContainerChanged(AtStation):
    """The container was changed just now: the last step of the weight was that, whatever it looked like."""

    action: Literal["container-changed"] = "container-changed"
    outlet: Name = Field(description="as in the configuration")


class ContainerAway(AtStation):
    """The container was taken away and none put in its place: what comes now is not caught."""

    action: Literal["container-away"] = "container-away"
    outlet: Name = Field(description="as in the configuration")


class Decanted(AtStation):
    """Water was poured off the container at an outlet: the last step down was water, not product."""

    action: Literal["decanted"] = "decanted"
    outlet: Name = Field(description="as in the configuration")


class SampleTaken(AtStation):
    """A sample of a product was taken out of its container; it belongs to what was delivered.

    Without a mass the last step down of the scale is taken for it.
    """

    action: Literal["sample-taken"] = "sample-taken"
    outlet: Name = Field(description="as in the configuration")
    sample: Name = Field(description="its number or name, as on the bag")
    mass: MassKg | None = Field(None, description="its wet mass; the last step down, if left out")


class Correct(Said):
    """Correct something recognised from the weight. Nothing is overwritten; a later one wins.

    ``recognised`` is the id shown with it, e.g. ``concentrate#3``. ``credit`` is the product that
    passed meanwhile (kg); or ``was`` says what it really was: ``product`` (the step was product),
    ``nothing`` (the step was no product), ``change`` (a fresh container).
    """

    action: Literal["correct"] = "correct"
    recognised: Name = Field(description="the id shown with it, such as concentrate#3")
    credit: MassKg | None = Field(None, description="the product that passed meanwhile")
    was: Literal["product", "nothing", "change"] | None = Field(None, description="what it really was")
    why: Text = Field("", description="the reason")

    @model_validator(mode="after")
    def _one_of(self) -> Correct:
        if (self.credit is None) == (self.was is None):
            raise ValueError('give exactly one of "credit" and "was"')
        return self
