"""What is put into a weigh-up: one document, as TOML, as JSON or as these models in Python.

Masses are quantities with a unit ("12.4 kg", "27 lb") or plain numbers in kg; shares "6 %" or 0.06. Whatever
contradicts itself within one part is refused here, with where and what was expected; what only makes sense
together (a stream no pass knows, components that don't sum to one) is looked at in `weighup`.
"""

from __future__ import annotations

from typing import Annotated, Literal, TypeAlias

from pydantic import BaseModel, ConfigDict, Field, model_validator

from logger.balance.selling import Contents, Prices, Sale
from logger.core.actions.base import DensityGCm3, LengthM, MassKg, Moment, Name, Share, Short, Text, quantity

Shares: TypeAlias = dict[Name, Share]
Basis: TypeAlias = Literal["dry", "wet"]
DryShare = Annotated[float, quantity("share"), Field(ge=0, le=100, allow_inf_nan=False)]
"""Of a dry mass: more than one where there is more water than solids."""


class Part(BaseModel):
    """What all parts of the document share."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class CheckWeight(Part):
    """A known weight was put on a scale: what it should have shown, and what it did."""

    nominal: MassKg
    shown: MassKg
    u_nominal: MassKg = 0.0
    at: Moment | None = None


class Scale(Part):
    """A scale. Whatever is not known is left out; the balance then says what it assumed instead."""

    resolution: MassKg = Field(description="the smallest step it shows, d")
    verification_interval: MassKg | None = Field(None, description="e, of its plate; d if left out")
    accuracy_class: Literal["I", "II", "III", "IIII"] | None = Field(None, description="OIML R 76")
    repeatability: MassKg | None = Field(None, description="standard deviation of one load put on repeatedly")
    tolerance: MassKg | None = Field(None, description="the bay's own limit for a check weight")
    checks: tuple[CheckWeight, ...] = ()


class Tare(Part):
    """A kind of container whose tare was weighed once: all that use it share its uncertainty."""

    mass: MassKg
    u: MassKg | None = Field(None, description="how much single ones of it vary (standard deviation)")


class Container(Part):
    """One container of product, full and empty. ``tare`` is a mass, or the name of a kind of container."""

    container: Name | None = None
    gross: MassKg
    tare: MassKg | Name
    scale: Name | None = Field(None, description="it was weighed on; nothing is known of it if left out")


class Moisture(Part):
    """Water in a material: as a share, or weighed (a pan, with the wet and with the dried sample)."""

    share: DryShare | None = None
    basis: Basis = Field("wet", description='"wet": water / wet mass; "dry": water / dry mass')
    u: Share | None = Field(None, description="standard uncertainty of the share")
    pan: MassKg | None = None
    pan_wet: MassKg | None = Field(None, description="pan and wet sample")
    pan_dry: MassKg | None = Field(None, description="pan and dried sample")
    scale: Name | None = None

    @model_validator(mode="after")
    def _one_way(self) -> Moisture:
        weighed = (self.pan_wet, self.pan_dry)
        if (self.share is None) == (None in weighed):
            raise ValueError('give "share", or "pan", "pan_wet" and "pan_dry"')
        if self.share is not None:
            if self.basis == "wet" and self.share >= 1.0:
                meant = f', or was "{self.share:g} %" meant' if self.share > 1.0 else ""
                raise ValueError(
                    f"a moisture of {100 * self.share:.6g} % of the wet mass leaves no solids; "
                    f"is it on a dry basis{meant}?"
                )
            return self
        assert self.pan_wet is not None and self.pan_dry is not None  # noqa: S101, PT018 - for the types
        if not (self.pan or 0.0) < self.pan_dry <= self.pan_wet:
            raise ValueError(
                f"pan {self.pan or 0.0:g} kg, with wet sample {self.pan_wet:g} kg, with dried "
                f"{self.pan_dry:g} kg: it must hold that pan < dried <= wet; check which is which"
            )
        return self


class Composition(Part):
    """What a material consists of, in exactly one of four ways.

    ``assay``: mass fractions, with ``u`` (one for all, or one each). ``sorted``: masses picked out of a
    sample by hand. ``counted``: pieces. ``expected``: from earlier lots or an estimate; never a measurement.
    """

    sample: Name | None = Field(None, description="its number, as on the bag")
    assay: Shares | None = None
    sorted: dict[Name, MassKg] | None = None
    counted: dict[Name, Annotated[int, Field(ge=0, le=10**9)]] | None = None
    expected: Shares | None = None
    u: Share | Shares | None = Field(None, description="standard uncertainty of an assay or an expectation")
    basis: Basis = Field("dry", description="of an assay: per dry or per wet mass")
    pieces: Annotated[int, Field(ge=1, le=10**9)] | None = Field(
        None, description="how many grains a sorted sample had, about"
    )
    size: LengthM | None = Field(None, description="of the largest grains (95 % are smaller)")
    density: DensityGCm3 | dict[Name, DensityGCm3] | None = Field(None, description="of the grains")
    cv: Annotated[float, Field(ge=0, le=10)] = Field(
        1.0, description="of the masses of single grains: standard deviation / mean"
    )
    scale: Name | None = None

    @model_validator(mode="after")
    def _one_way(self) -> Composition:
        ways = [w for w in ("assay", "sorted", "counted", "expected") if getattr(self, w) is not None]
        if len(ways) != 1:
            raise ValueError('give exactly one of "assay", "sorted", "counted" and "expected"')
        said = getattr(self, ways[0])
        if not said:
            raise ValueError(f'"{ways[0]}" names no component')
        if ways[0] in ("sorted", "counted") and sum(said.values()) <= 0:
            raise ValueError(f'"{ways[0]}": nothing was found at all; leave it out')
        if ways[0] in ("assay", "expected") and sum(said.values()) > 1.0 + 1e-9:
            spread = self.u if isinstance(self.u, float) else max((self.u or {"": 0.0}).values())
            if sum(said.values()) > 1.0 + 4 * spread * len(said) ** 0.5:
                raise ValueError(
                    f"the components sum to {100 * sum(said.values()):.4g} %, more than everything; "
                    "is one of them part of another, or mistyped?"
                )
        return self

    @property
    def way(self) -> Literal["assay", "sorted", "counted", "expected"]:
        if self.assay is not None:
            return "assay"
        if self.sorted is not None:
            return "sorted"
        return "expected" if self.expected is not None else "counted"


class Stream(Part):
    """A material that was weighed, or should have been: the feed, a product, what stayed on the deck."""

    net: MassKg | None = Field(None, description="net mass, where it is known as a whole")
    u: MassKg | None = Field(None, description="standard uncertainty of the net")
    scale: Name | None = Field(None, description="the scale the net comes from, whose errors it shares")
    containers: tuple[Container, ...] = ()
    dry: bool = Field(False, description="it was weighed dry; its moisture is then 0")
    moisture: Moisture | None = None
    compositions: tuple[Composition, ...] = ()
    note: Text = ""

    @model_validator(mode="after")
    def _sound(self) -> Stream:
        if self.net is not None and self.containers:
            raise ValueError('give "net" or "containers", not both')
        if self.dry and self.moisture is not None:
            raise ValueError('it was weighed "dry" and has a "moisture"; give one of them')
        return self


class Pass(Part):
    """One pass over the table: which streams went in, and which came out."""

    feed: Annotated[tuple[Name, ...], Field(min_length=1)]
    products: Annotated[tuple[Name, ...], Field(min_length=1)]


class WeighUp(Part):
    """A whole weigh-up. ``passes`` may be left out: the stream "feed" then gave all the others."""

    lot: Short = ""
    material: Short = ""
    units: Literal["kg", "lb"] = "kg"
    components: Annotated[tuple[Name, ...], Field(max_length=50)] = ()
    complete: bool = Field(True, description="the components are everything: they sum to one")
    wanted: Name | None = Field(None, description="the component that matters; the first, if left out")
    scales: dict[Name, Scale] = {}
    tares: dict[Name, Tare] = {}
    streams: Annotated[dict[Name, Stream], Field(min_length=1, max_length=200)] = Field(
        description="all that was weighed or assayed, by name: the feed and each product"
    )
    passes: dict[Name, Pass] = {}
    at: Moment | None = Field(None, description="when it was weighed: tells how old the scales' checks were")
    settings: dict[Name, Short] = Field({}, description="of the station, for comparing runs")
    most_moisture: Share = Field(
        0.15, description="where a moisture is not known: it lies somewhere between 0 and this"
    )
    contents: Contents = Field({}, description='what components consist of: "bronze" -> "Cu" -> "88 %"')
    sales: dict[Name, Sale] = Field({}, description="the grade that each product is sold as")
    prices: Prices | None = None
