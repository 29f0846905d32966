"""What `tallydeck say` tells of selling: grades and their conditions, prices, costs."""

from __future__ import annotations

from typing import Annotated

import typer

from logger.commands.saying import Say, pairs
from logger.commands.shared import USAGE, fail

OutletArgument = Annotated[str, typer.Argument(help="As in the configuration.")]
RunOption = Annotated[str | None, typer.Option("--run", help="Of which run; the open or last if left out.")]
LotOption = Annotated[str | None, typer.Option("--lot", "-l", help="Of all runs of this lot.")]
CurrencyOption = Annotated[str, typer.Option(help="Its name, e.g. EUR.")]
ANSWERS = {"yes": True, "no": False}


def sell_as(
    say: Say,
    outlet: OutletArgument,
    grade: Annotated[str, typer.Argument(help="The name of the grade.")],
    answer: Annotated[
        list[str] | None,
        typer.Option(metavar="CONDITION=yes|no", help="Does a condition of the grade hold? Repeat it."),
    ] = None,
    run: RunOption = None,
    lot: LotOption = None,
) -> None:
    """The grade a product is sold as, and whether its conditions hold; answers said later are joined."""
    told = pairs(answer or [], "answers are")
    for condition, text in told.items():
        if text not in ANSWERS:
            fail(USAGE, f'an answer is yes or no: --answer "{condition}=yes"; found "{text}"')
    answers = {condition: ANSWERS[text] for condition, text in told.items()}
    say(outlet=outlet, grade=grade, answers=answers, run=run, lot=lot)


def price(
    say: Say,
    outlet: OutletArgument,
    per_kg: Annotated[float, typer.Option(help="Per kg; negative where it costs to be rid of it.")],
    currency: CurrencyOption,
    basis: Annotated[str | None, typer.Option(help="Of a price of the product: wet or dry mass.")] = None,
    component: Annotated[
        str | None, typer.Option(help="What is paid for, where it is a component, e.g. bronze.")
    ] = None,
    payable: Annotated[
        str | None, typer.Option(help='The share of it that is paid for, e.g. "96 %".')
    ] = None,
    deduction: Annotated[
        str | None, typer.Option(help='Points of grade that are taken off first, e.g. "1 %".')
    ] = None,
    treatment: Annotated[float | None, typer.Option(help="Taken off per kg of product.")] = None,
    run: RunOption = None,
    lot: LotOption = None,
) -> None:
    """What a product brings, per kg of it or of a component in it."""
    fields = {"basis": basis, "component": component, "payable": payable, "deduction": deduction}
    say(outlet=outlet, per_kg=per_kg, currency=currency, treatment=treatment, run=run, lot=lot, **fields)


def pass_cost(
    say: Say,
    currency: CurrencyOption,
    per_hour: Annotated[float | None, typer.Option(help="Per hour of the run.")] = None,
    hours: Annotated[float | None, typer.Option(help="How many; the run's own if left out.")] = None,
    per_kg: Annotated[float | None, typer.Option(help="Per kg of dry feed.")] = None,
    run: RunOption = None,
    lot: LotOption = None,
) -> None:
    """What a run costs."""
    say(currency=currency, per_hour=per_hour, hours=hours, per_kg=per_kg, run=run, lot=lot)


def consists_of(
    say: Say,
    component: Annotated[str, typer.Argument(help="As in the samples' results, e.g. bronze.")],
    shares: Annotated[list[str], typer.Argument(metavar="NAME=SHARE...", help='E.g. "Cu=88 %" "Sn=10 %".')],
    u: Annotated[str | None, typer.Option(help="Standard uncertainty of each share.")] = None,
    run: RunOption = None,
    lot: LotOption = None,
) -> None:
    """What a component consists of, where a grade or a price asks for that."""
    say(component=component, shares=pairs(shares, "shares are"), u=u, run=run, lot=lot)
