"""What the weigh-up has to be told: samples by their number, their results, moistures, check weights."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import Field, model_validator

from logger.core.actions.base import (
    AtStation,
    DensityGCm3,
    LengthM,
    MassKg,
    MassOrWeigh,
    Name,
    Said,
    Share,
    Short,
    Text,
)

PAN = ("pan", "pan_wet", "pan_dry")


class Of(AtStation):
    """An action about a material: the feed of a lot or of a run, or the product of an outlet."""

    lot: Name | None = Field(None, description="the feed of this lot")
    run: Name | None = Field(
        None, description="with an outlet: of this run, the open one or else the last; alone: its feed"
    )
    outlet: Name | None = Field(None, description="the product of this outlet; as in the configuration")

    @model_validator(mode="after")
    def _one_material(self) -> Of:
        if self.lot is not None and (self.run is not None or self.outlet is not None):
            raise ValueError('"lot" is the feed of a lot; "run" and "outlet" are of a run: give one of them')
        return self

    @property
    def names_a_material(self) -> bool:
        return (self.lot, self.run, self.outlet) != (None, None, None)


class RegisterSample(Of):
    """Write a sample down by its number, so that its results find what it is of, however late they come.

    For feed, and for what was sampled afterwards; a sample that leaves the container on a scale is said with
    ``sample-taken``, which counts its mass to what was delivered.
    """

    action: Literal["register-sample"] = "register-sample"
    sample: Name = Field(description="its number or name, as on the bag")
    mass: MassKg | None = Field(None, description="its wet mass")
    note: Text = Field("", description="how it was taken, and whatever else is worth remembering")

    @model_validator(mode="after")
    def _of_something(self) -> RegisterSample:
        if not self.names_a_material:
            raise ValueError('say what the sample is of: give "lot" (its feed), "outlet" or "run"')
        return self


class SampleResult(Of):
    """What was found in a sample. Several results of one sample stand beside each other.

    ``lot``, ``run`` and ``outlet`` are only needed where several samples have the same number.
    """

    action: Literal["sample-result"] = "sample-result"
    sample: Name = Field(description="its number or name, as on the bag")
    assay: dict[Name, Share] | None = Field(
        None, description='a laboratory\'s shares by mass, such as {"bronze": "12.5 %"}'
    )
    sorted: dict[Name, MassKg] | None = Field(
        None, description='masses picked out of the dried sample by hand, such as {"bronze": "4.2 g"}'
    )
    counted: dict[Name, Annotated[int, Field(ge=0, le=10**9)]] | None = Field(
        None, description='pieces of each kind, such as {"bronze": 412}'
    )
    u: Share | dict[Name, Share] | None = Field(
        None, description="standard uncertainty of an assay: one for all, or one each"
    )
    basis: Literal["dry", "wet"] = Field("dry", description="of an assay: per dry or per wet mass")
    reference: Short = Field("", description="the laboratory's own number")
    pieces: Annotated[int, Field(ge=1, le=10**9)] | None = Field(
        None, description="how many grains a sorted sample had, about"
    )
    size: LengthM | None = Field(None, description="of the largest grains (95 % are smaller)")
    density: DensityGCm3 | dict[Name, DensityGCm3] | None = Field(
        None, description="of the grains: one for all, or one each"
    )
    cv: Annotated[float, Field(ge=0, le=10)] = Field(
        1.0, description="of the masses of single grains: standard deviation / mean"
    )
    scale: Name | None = Field(None, description="the instrument a sorted sample was weighed on")

    @model_validator(mode="after")
    def _sound(self) -> SampleResult:
        said = {way: getattr(self, way) for way in ("assay", "sorted", "counted")}
        given = {way: values for way, values in said.items() if values is not None}
        if len(given) != 1:
            raise ValueError('give exactly one of "assay", "sorted" and "counted"')
        ((way, values),) = given.items()
        if not values:
            raise ValueError(f'"{way}" names no component')
        if way == "assay":
            sums_to_a_whole(values, self.u)
            return self
        if sum(values.values()) <= 0:
            raise ValueError(f'"{way}": nothing was found at all; leave it out')
        if self.u is not None:
            raise ValueError(f'"u" goes with an assay; the uncertainty of "{way}" follows from the sample')
        return self


def sums_to_a_whole(shares: dict[str, float], u: float | dict[str, float] | None) -> None:
    """ValueError where shares sum to more than one by more than four of their uncertainties."""
    most_u = max(u.values(), default=0.0) if isinstance(u, dict) else (u or 0.0)
    total = sum(shares.values())
    if total > 1.0 + 1e-9 + 4 * most_u * len(shares) ** 0.5:
        raise ValueError(f"the components sum to {total:.1%}, more than everything; check the figures")


class Moisture(Of):
    """Water in a material or in a numbered sample: a share, or a pan, the pan with it wet, and dried.

    The weights of a pan may be said one by one (``weigh`` takes the next stable weight of ``scale``); those
    of the same ``container`` are joined.
    """

    action: Literal["moisture"] = "moisture"
    sample: Name | None = Field(None, description="of this sample; else of the material that is named")
    share: Share | None = Field(None, description="as a share")
    basis: Literal["wet", "dry"] = Field(
        "wet", description='of the share: "wet": water / wet mass; "dry": water / dry mass'
    )
    u: Share | None = Field(None, description="standard uncertainty of the share")
    container: Name = Field("pan", description="the pan's name or number, where there are several")
    pan: MassOrWeigh | None = Field(None, description="the empty pan")
    pan_wet: MassOrWeigh | None = Field(None, description="pan and wet sample")
    pan_dry: MassOrWeigh | None = Field(None, description="pan and dried sample")
    scale: Name | None = Field(None, description="the instrument that weighs, where something is weighed")

    @model_validator(mode="after")
    def _sound(self) -> Moisture:
        if self.sample is None and not self.names_a_material:
            raise ValueError('say what it is of: give "sample", "lot" (its feed), "outlet" or "run"')
        weights = [getattr(self, each) for each in PAN]
        said = [each for each in weights if each is not None]
        if (self.share is None) == (not said):
            raise ValueError('give "share", or weights: "pan", "pan_wet" and "pan_dry"')
        if self.share is not None and self.basis == "wet" and self.share >= 1.0:
            raise ValueError("a moisture of 100 % of the wet mass leaves no solids; is it on a dry basis?")
        if said and (self.u is not None or self.basis == "dry"):
            raise ValueError('"u" and "basis" go with a "share"; of weights both follow')
        if said.count("weigh") > 1:
            raise ValueError("only one weight can be taken at a time; say the others afterwards")
        if "weigh" in said and self.scale is None:
            raise ValueError('"weigh" needs the scale it is weighed on: give "scale"')
        pan_in_order(*weights)
        return self


def pan_in_order(pan: Any, wet: Any, dry: Any) -> None:
    """ValueError where the masses among them contradict: it must hold that pan < dried <= wet."""
    known = [each if isinstance(each, float | int) else None for each in (pan, dry, wet)]
    empty, dried, full = known
    wrong = (
        (empty is not None and dried is not None and empty >= dried)
        or (empty is not None and full is not None and empty >= full)
        or (dried is not None and full is not None and dried > full)
    )
    if wrong:
        told = ", ".join(
            f"{what} {kg:g} kg"
            for what, kg in zip(("pan", "with dried", "with wet"), known, strict=True)
            if kg is not None
        )
        raise ValueError(f"{told}: it must hold that pan < dried <= wet; check which is which")


class CheckWeight(Said):
    """Put a known weight on a scale; the program reads by itself what it shows.

    It takes the next stable weight that is near the nominal one, or that is as much more than what stood on
    the scale before.
    """

    action: Literal["check-weight"] = "check-weight"
    scale: Name = Field(description="the instrument that is checked")
    nominal: MassKg = Field(gt=0, description="what stands on the weight")
    u: MassKg | None = Field(None, description="standard uncertainty of the weight itself")
    shown: MassOrWeigh = Field("weigh", description="what the scale showed, where it is typed in")
    note: Text = Field("", description="whatever is worth remembering of it")
