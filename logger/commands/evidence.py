"""What `tallydeck say` tells the weigh-up: samples, their results, moistures, check weights."""

from __future__ import annotations

from typing import Annotated

import typer

from logger.commands.saying import Say, pairs
from logger.commands.shared import USAGE, fail, out
from logger.commands.weighing import ScaleOption, WaitOption, weigh

SampleArgument = Annotated[str, typer.Argument(help="Its number or name, as on the bag.")]
LotOption = Annotated[str | None, typer.Option("--lot", "-l", help="The feed of this lot.")]
RunOption = Annotated[
    str | None, typer.Option("--run", help="Of which run; with no outlet, its feed. Left out: open or last.")
]
OutletOption = Annotated[
    str | None, typer.Option("--outlet", "-o", help="The product of this outlet; as in the configuration.")
]
PanOption = Annotated[str | None, typer.Option(metavar="MASS|weigh", help='E.g. "210.3 g"; or weigh.')]


def register_sample(
    say: Say,
    sample: SampleArgument,
    lot: LotOption = None,
    run: RunOption = None,
    outlet: OutletOption = None,
    mass: Annotated[str | None, typer.Option(help='Its wet mass, e.g. "85 g".')] = None,
    note: Annotated[str, typer.Option(help="How it was taken, or whatever is worth remembering.")] = "",
) -> None:
    """Write a sample down by its number, so that its results find what it is of.

    For feed, and for what was sampled afterwards. A sample out of a container on a scale is said with
    "sample" instead.
    """
    answer = say(sample=sample, lot=lot, run=run, outlet=outlet, mass=mass, note=note)
    _tell(say, answer, "sample-registered")


def result(
    say: Say,
    sample: SampleArgument,
    assay: Annotated[
        list[str] | None,
        typer.Option(metavar="NAME=SHARE", help='A laboratory\'s: "bronze=12.5 %". Repeat it for each.'),
    ] = None,
    sorted_: Annotated[
        list[str] | None,
        typer.Option("--sorted", metavar="NAME=MASS", help="Picked out by hand: bronze=4.2g. Repeat it."),
    ] = None,
    counted: Annotated[
        list[str] | None, typer.Option(metavar="NAME=PIECES", help="Counted: bronze=412. Repeat it for each.")
    ] = None,
    u: Annotated[
        list[str] | None,
        typer.Option(metavar="[NAME=]SHARE", help="Standard uncertainty of an assay, for all or one each."),
    ] = None,
    basis: Annotated[str | None, typer.Option(help="Of an assay: dry (as is usual) or wet.")] = None,
    reference: Annotated[str, typer.Option(help="The laboratory's own number.")] = "",
    pieces: Annotated[int | None, typer.Option(help="How many grains a sorted sample had, about.")] = None,
    size: Annotated[str | None, typer.Option(help='Of the largest grains, e.g. "4 mm".')] = None,
    density: Annotated[
        list[str] | None,
        typer.Option(metavar="[NAME=]DENSITY", help='Of the grains, e.g. "bronze=8.8 g/cm3".'),
    ] = None,
    cv: Annotated[float | None, typer.Option(help="Spread of single grains' masses: s / mean.")] = None,
    scale: Annotated[str | None, typer.Option(help="The instrument a sorted sample was weighed on.")] = None,
    lot: LotOption = None,
    run: RunOption = None,
    outlet: OutletOption = None,
) -> None:
    """What was found in a sample: an assay, a hand sort or a count; it finds its run by the number.

    --lot, --run and --outlet are only needed where several samples have the same number.
    """
    answer = say(
        sample=sample,
        assay=None if assay is None else pairs(assay, "shares are"),
        sorted=None if sorted_ is None else pairs(sorted_, "masses are"),
        counted=None if counted is None else _pieces(counted),
        u=_one_or_each(u, "--u"),
        basis=basis,
        reference=reference,
        pieces=pieces,
        size=size,
        density=_one_or_each(density, "--density"),
        cv=cv,
        scale=scale,
        lot=lot,
        run=run,
        outlet=outlet,
    )
    _tell(say, answer, "sample-result")


def moisture(
    say: Say,
    sample: Annotated[str | None, typer.Argument(help="Of this sample; or name lot, run or outlet.")] = None,
    lot: LotOption = None,
    run: RunOption = None,
    outlet: OutletOption = None,
    share: Annotated[str | None, typer.Option(help='As a share, e.g. "6 %".')] = None,
    basis: Annotated[
        str | None, typer.Option(help="Of the share: wet (water / wet mass) or dry (water / dry mass).")
    ] = None,
    u: Annotated[str | None, typer.Option(help="Standard uncertainty of the share.")] = None,
    pan: PanOption = None,
    pan_wet: PanOption = None,
    pan_dry: PanOption = None,
    container: Annotated[
        str, typer.Option(help="The pan's name or number, where there are several.")
    ] = "pan",
    scale: ScaleOption = None,
    wait: WaitOption = True,
) -> None:
    """Water in a sample, in a lot's feed or in a product: a share, or a pan weighed empty, wet and dried.

    The weights of a pan may be said one by one: --pan weigh --scale NAME, then --pan-wet, then --pan-dry.
    """
    fields = {"sample": sample, "lot": lot, "run": run, "outlet": outlet}
    fields |= {"share": share, "basis": basis, "u": u, "container": container, "scale": scale}
    weigh(
        say, say.action, fields | {"pan": pan, "pan_wet": pan_wet, "pan_dry": pan_dry} | say.common, wait=wait
    )


def check_weight(
    say: Say,
    scale: Annotated[str, typer.Argument(help="The instrument that is checked.")],
    nominal: Annotated[str, typer.Argument(help='What stands on the weight, e.g. "5 kg".')],
    u: Annotated[str | None, typer.Option(help="Standard uncertainty of the weight itself.")] = None,
    shown: Annotated[
        str, typer.Option(metavar="MASS|weigh", help="What the scale showed; weigh: it is read by itself.")
    ] = "weigh",
    note: Annotated[str, typer.Option(help="Whatever is worth remembering of it.")] = "",
    wait: WaitOption = True,
) -> None:
    """Put a known weight on a scale; what it shows is read by itself. tallydeck scales lists the checks."""
    fields = {"scale": scale, "nominal": nominal, "u": u, "shown": shown, "note": note}
    weigh(say, say.action, fields | say.common, wait=wait)


def _tell(say: Say, answer: dict[str, object], kind: str) -> None:
    """Which material it is of, as the books found it."""
    data = answer.get("data")
    told = data.get(kind) if isinstance(data, dict) else None
    if told is not None and not say.as_json:
        out.print(f"sample {told['sample']}: {told['of']}", markup=False)


def _pieces(values: list[str]) -> dict[str, int]:
    counts = pairs(values, "counts are")
    for name, text in counts.items():
        if not text.strip().isdecimal():
            fail(USAGE, f'a count is a whole number: --counted {name}=412; found "{text}"')
    return {name: int(text) for name, text in counts.items()}


def _one_or_each(values: list[str] | None, option: str) -> str | dict[str, str] | None:
    """A value for all, or ``name=value`` for each."""
    if not values:
        return None
    if len(values) == 1 and "=" not in values[0]:
        return values[0]
    return dict(pairs(values, f"several of {option} are"))
