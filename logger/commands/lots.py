"""`tallydeck lot`: lots, and what is weighed of them."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from logger.commands.saying import Say, photographs, says
from logger.commands.shared import USAGE, ConfigOption, JsonOption, ask, fail, here, print_json
from logger.commands.show import table
from logger.commands.weighing import (
    GrossOption,
    ScaleOption,
    TareOption,
    WaitOption,
    weigh,
)
from logger.core.actions import OpenLot, WeighLot

lot_app = typer.Typer(
    no_args_is_help=True, rich_markup_mode=None, help="Lots: list them, book one in, weigh its containers."
)


@lot_app.command("list")
def lot_list(config: ConfigOption = None, as_json: JsonOption = False) -> None:
    """List the lots, newest first."""
    lots = ask(config, "lots")
    if as_json:
        print_json(lots)
        return
    bay = here(config)
    for lot in lots:
        lot["net"] = bay.mass(lot["net_kg"], 1)
        lot["opened"] = bay.clock(lot["opened"])
        lot["weighed"] = "; ".join(_container(each, bay.mass) for each in lot.get("containers", []))
    columns = {"lot": "lot", "owner": "owner", "material": "material", "net": f"net ({bay.unit})"}
    columns |= {"opened": f"opened ({bay.zone_name})", "weighed": "containers, gross and tare"}
    table("lots", lots, columns)


def _container(each: dict[str, Any], mass: Any) -> str:
    gross, tare = (mass(each[key]) or "?" for key in ("gross_kg", "tare_kg"))
    return f"{each['container']}: {gross} / {tare}"


@says(lot_app, "open", OpenLot)
def lot_open(
    say: Say,
    lot: Annotated[str, typer.Argument(help="The lot's name.")],
    owner: Annotated[str, typer.Option(help="The owner's reference.")] = "",
    material: Annotated[str, typer.Option(help="What it is.")] = "",
    gross: Annotated[str | None, typer.Option(help='With its container, e.g. "412.5 kg".')] = None,
    tare: Annotated[str | None, typer.Option(help='The empty container, e.g. "14.2 kg".')] = None,
    container: Annotated[
        list[str] | None,
        typer.Option(
            metavar="NAME=GROSS/TARE",
            help='One of several containers: 1=212.5kg/14.2kg, or "drum 2=198 kg". Repeat it for each. '
            "Instead of a mass: weigh.",
        ),
    ] = None,
    scale: ScaleOption = None,
    moisture: Annotated[str | None, typer.Option(help='Declared, wet basis, e.g. "6 %".')] = None,
    note: Annotated[str, typer.Option(help="Whatever is worth remembering of it.")] = "",
    photo: Annotated[list[Path] | None, typer.Option(help="A picture's file. Repeat it for more.")] = None,
    wait: WaitOption = True,
) -> None:
    """Book a lot in: with one gross and tare, or container by container.

    What is to be weighed is weighed one after the other, when the lot is open.
    """
    containers = [_read_container(text) for text in container or []]
    to_weigh = [
        {"container": each["container"], what: "weigh"}
        for what in ("gross", "tare")
        for each in containers
        if each.get(what) == "weigh"
    ]
    if to_weigh and scale is None:
        fail(USAGE, "name the scale that weighs the containers: --scale NAME")
    typed = [{key: value for key, value in each.items() if value != "weigh"} for each in containers]
    say(
        lot=lot,
        owner=owner,
        material=material,
        gross=gross,
        tare=tare,
        moisture=moisture,
        note=note,
        containers=typed,
        photographs=photographs(photo),
    )
    who = say.common["who"]
    for each in to_weigh:
        weigh(say, "weigh-lot", {"lot": lot, **each, "scale": scale, "who": who}, wait=wait)


def _read_container(text: str) -> dict[str, str]:
    """``1=212.5kg/14.2kg`` in parts; a mass may be left out on either side."""
    name, equals, masses = text.partition("=")
    gross, _, tare = masses.partition("/")
    found = {"container": name.strip(), "gross": gross.strip(), "tare": tare.strip()}
    if not (equals and found["container"] and (found["gross"] or found["tare"])):
        fail(USAGE, f'--container is written NAME=GROSS/TARE, such as 1=212.5kg/14.2kg; found "{text}"')
    return {key: value for key, value in found.items() if value}


@says(lot_app, "weigh", WeighLot)
def lot_weigh(
    say: Say,
    lot: Annotated[str, typer.Argument(help="The lot's name.")],
    container: Annotated[str, typer.Argument(help="The container's name or number.")],
    gross: GrossOption = None,
    tare: TareOption = None,
    scale: ScaleOption = None,
    wait: WaitOption = True,
) -> None:
    """Gross or tare of a container of a lot: a mass, or "weigh" for the next stable weight of --scale."""
    fields = {"lot": lot, "container": container, "gross": gross, "tare": tare, "scale": scale}
    weigh(say, say.action, fields | say.common, wait=wait)
