"""Looking: the bay now, a tally, what was said; and how tables are printed."""

from __future__ import annotations

from typing import Annotated, Any

import typer
from rich.table import Table
from rich.text import Text

from logger.commands.shared import (
    DATA,
    ConfigOption,
    Here,
    JsonOption,
    ask,
    err,
    fail,
    figure,
    here,
    out,
    print_json,
)
from logger.core.rhythm_words import cost
from logger.core.units import WATER_UNIT, kg_to, litres_to

RIGHT = frozenset({"net", "entry", "seq", "lag", "backlog", "delivered", "pending", "aside"})
"""Columns of numbers."""


def table(title: str, rows: list[dict[str, Any]], columns: dict[str, str]) -> None:
    """Print rows; ``columns`` maps keys to heads. Names are printed as they are, whatever they hold."""
    if not rows:
        err.print(f"no {title} yet", markup=False)
        return
    made = Table(box=None, pad_edge=False, header_style="bold")
    for key, head in columns.items():
        made.add_column(head, justify="right" if key in RIGHT else "left")
    for row in rows:
        made.add_row(*(Text("" if row.get(key) is None else str(row[key])) for key in columns))
    out.print(made)


def now(config: ConfigOption = None) -> None:
    """Print the bay as it stands (JSON, as the board gets it)."""
    print_json(ask(config, "state"))


def tally(
    run: Annotated[str | None, typer.Argument(help="Which run; the newest if left out.")] = None,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Print the tally of a run: feed used, mass and yield of each outlet, water."""
    if run is None:
        runs = ask(config, "runs")
        if not runs:
            fail(DATA, "there is no run yet")
        run = runs[0]["run"]
    data = ask(config, "tally", run)
    if as_json:
        print_json(data)
    else:
        show_tally(data, here(config))


def show_tally(data: dict[str, Any], bay: Here) -> None:
    """A tally in the unit people read: mass with its standard uncertainty, what the mass says, yield.

    Below it what lies on the deck still, what was weighed by hand, water, and each stretch of settings.
    """
    start, end = bay.clock(data.get("start")), bay.clock(data.get("end"))
    out.print(f"run {data.get('run')}  {start} to {end} ({bay.zone_name})", markup=False)
    out.print(_masses(data, bay.unit))
    out.print(_on_the_deck(data, bay.unit), markup=False)
    for outlet, rhythm in data.get("rhythm", {}).items():
        if rhythm["stops"]:
            out.print(f"{outlet} {rhythm['sentence']}. {cost(rhythm, bay.unit)}.", markup=False)
        lot = rhythm.get("lot")
        if lot is not None and lot["stops"]:
            out.print(f"{outlet}, over all runs of the lot: {lot['sentence']}.", markup=False)
    for outlet, mass in data.get("by_hand", {}).items():
        weighed = figure(kg_to(mass["net_kg"], bay.unit), kg_to(mass["u_kg"], bay.unit))
        out.print(f"weighed by hand, {outlet}: {weighed} {bay.unit}", markup=False)
    if data.get("water"):
        out.print(_water(data["water"], bay.unit))
    for stretch in data.get("by_settings", []):
        values = ", ".join(f"{name} {value}" for name, value in stretch["values"].items()) or "none told"
        start, end = bay.clock(stretch["start"]), bay.clock(stretch["end"])
        out.print(f"\n{start} to {end} with {values}", markup=False)
        out.print(_masses(stretch, bay.unit))
    err.print(
        "± is a standard uncertainty; yield is mass of product / mass of feed, not recovery", markup=False
    )


HOW = {
    "declared": "as it was declared",
    "emptied": "nothing: the run ended when nothing came any more",
    "not-emptied": "still something: a quarter of an hour was waited in vain",
    "from the lag": "by the feed of the last lag, an estimate",
}


def _on_the_deck(data: dict[str, Any], unit: str) -> str:
    """What the tally does not hold because it lies on the deck."""
    how, kg = data.get("hold_up_how", ""), data.get("hold_up_kg")
    told = HOW.get(how, "not known")
    if kg is None or how == "emptied":
        return f"on the deck: {told}"
    sure = data.get("hold_up")
    between = (
        ""
        if sure is None
        else f" ({kg_to(sure['low_kg'], unit):.2f} to {kg_to(sure['high_kg'], unit):.2f}, 95 %)"
    )
    return f"on the deck: {kg_to(kg, unit):.2f} {unit}{between}, {told}"


def _masses(data: dict[str, Any], unit: str) -> Table:
    """Outlets and feed with mass and yield."""

    def mass(value_kg: float | None, u_kg: float | None) -> str:
        if value_kg is None:
            return "not known"
        return figure(kg_to(value_kg, unit), kg_to(u_kg or 0.0, unit))

    made = Table(box=None, pad_edge=False, header_style="bold")
    made.add_column("outlet")
    made.add_column(f"mass ({unit})", justify="right")
    made.add_column("")
    made.add_column("yield (%)", justify="right")
    for channel, outlet in data["outlets"].items():
        share, u_share = outlet.get("yield"), outlet.get("u_yield") or 0.0
        made.add_row(
            Text(str(outlet.get("name", channel))),
            mass(outlet["delivered_kg"], outlet["u_kg"]),
            outlet.get("says", ""),
            "" if share is None else figure(100 * share, 100 * u_share),
        )
    made.add_row("feed used", mass(data.get("feed_kg"), data.get("feed_u_kg")), "", "")
    return made


def _water(lines: dict[str, dict[str, Any]], unit: str) -> Table:
    """The water of a run, line by line, in the unit people read water in."""
    volume = WATER_UNIT[unit]
    made = Table(box=None, pad_edge=False, header_style="bold")
    made.add_column("water")
    made.add_column(f"measured ({volume})", justify="right")
    made.add_column(f"{volume}/{unit} of feed", justify="right")
    made.add_column("")
    for name, line in lines.items():
        measured, per_feed = "not known", ""
        if line["litres"] is not None:
            measured = figure(litres_to(line["litres"], volume), litres_to(line["u_l"], volume))
        if line["l_per_kg"] is not None:
            per_unit = kg_to(1.0, unit)  # how many units of mass a kilogram is
            ratio, u = (litres_to(line[key], volume) / per_unit for key in ("l_per_kg", "u_l_per_kg"))
            per_feed = figure(ratio, u)
        made.add_row(Text(name), measured, per_feed, "; ".join(_remarks(line, volume)))
    return made


def _remarks(line: dict[str, Any], volume: str) -> list[str]:
    """What a reader of the figures must know."""
    remarks = ["comes with the feed"] if line["to"] == "feed" else []
    if line["unknown_s"]:
        guess = figure(litres_to(line["unknown_l"], volume), litres_to(line["u_unknown_l"], volume))
        remarks.append(f"and about {guess} {volume} in {line['unknown_s']:.0f} s not measured")
    if line["litres"] is not None and line["meter_error"] != "included":
        remarks.append("meter's own error not included")
    return remarks
