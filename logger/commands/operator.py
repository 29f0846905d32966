"""What an operator says and asks from a second process while the daemon runs."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.table import Table
from rich.text import Text

from logger.commands.shared import (
    DATA,
    USAGE,
    ConfigOption,
    IdOption,
    JsonOption,
    StationOption,
    TimeOption,
    WhoOption,
    ask,
    err,
    fail,
    figure,
    out,
    print_json,
)
from logger.core.units import kg_to

lot_app = typer.Typer(no_args_is_help=True, rich_markup_mode=None, help="Lots: list them, book one in.")
run_app = typer.Typer(no_args_is_help=True, rich_markup_mode=None, help="Runs: list, start, end.")
say_app = typer.Typer(
    no_args_is_help=True,
    rich_markup_mode=None,
    help="Say what you did: settings, a note, a container, a correction.",
)


def _submit(config: Path | None, as_json: bool, action: dict[str, Any]) -> dict[str, Any]:
    """Submit an action and say what became of it."""
    wanted = {key: value for key, value in action.items() if value not in (None, "")}
    answer: dict[str, Any] = asdict(ask(config, "submit", wanted))
    if not answer["accepted"]:
        fail(DATA, f"{action['action']} was refused: {answer['reason']}")
    if as_json:
        print_json(answer)
    elif answer.get("repeated"):
        err.print("taken before; nothing was done", markup=False)
    elif not answer.get("recorded", True):
        err.print("taken, but NOT RECORDED yet: the journal can't write", markup=False)
    return answer


def _table(title: str, rows: list[dict[str, Any]], columns: dict[str, str]) -> None:
    if not rows:
        err.print(f"no {title} yet")
        return
    table = Table(box=None, pad_edge=False, header_style="bold")
    for head in columns.values():
        table.add_column(head, justify="right" if "(" in head else "left")
    for row in rows:
        table.add_row(*(Text("" if row.get(key) is None else str(row[key])) for key in columns))
    out.print(table)


# ---------------------------------------------------------------------- lots, runs, what is said


@lot_app.command("list")
def lot_list(config: ConfigOption = None, as_json: JsonOption = False) -> None:
    """List the lots, newest first."""
    lots = ask(config, "lots")
    if as_json:
        print_json(lots)
        return
    unit = _unit(config)
    for lot in lots:
        lot["net"] = None if lot["net_kg"] is None else f"{kg_to(lot['net_kg'], unit):.1f}"
    columns = {
        "lot": "lot",
        "owner": "owner",
        "material": "material",
        "net": f"net ({unit})",
        "opened": "opened",
    }
    _table("lots", lots, columns)


@lot_app.command("open")
def lot_open(
    lot: Annotated[str, typer.Argument(help="The lot's name.")],
    owner: Annotated[str, typer.Option(help="The owner's reference.")] = "",
    material: Annotated[str, typer.Option(help="What it is.")] = "",
    gross: Annotated[str | None, typer.Option(help='With its container, e.g. "412.5 kg".')] = None,
    tare: Annotated[str | None, typer.Option(help='The empty container, e.g. "14.2 kg".')] = None,
    moisture: Annotated[str | None, typer.Option(help='Declared, wet basis, e.g. "6 %".')] = None,
    time: TimeOption = None,
    who: WhoOption = "",
    action_id: IdOption = "",
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Book a lot in."""
    said = {
        "lot": lot,
        "owner": owner,
        "material": material,
        "gross": gross,
        "tare": tare,
        "moisture": moisture,
    }
    _submit(config, as_json, {"action": "open-lot", **said, "time": time, "who": who, "id": action_id})


@run_app.command("list")
def run_list(config: ConfigOption = None, as_json: JsonOption = False) -> None:
    """List the runs, newest first."""
    runs = ask(config, "runs")
    if as_json:
        print_json(runs)
        return
    _table("runs", runs, {"run": "run", "station": "station", "lot": "lot", "start": "start", "end": "end"})


@run_app.command("start")
def run_start(
    lot: Annotated[str | None, typer.Option("--lot", "-l", help="Of which lot; a trial without one.")] = None,
    run: Annotated[str | None, typer.Option("--run", help="A name of your own; made up otherwise.")] = None,
    station: StationOption = None,
    time: TimeOption = None,
    who: WhoOption = "",
    action_id: IdOption = "",
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Start a run: one pass of a lot over a station. A forgotten start can be said with --time."""
    said = {"action": "start-run", "lot": lot, "run": run, "station": station}
    answer = _submit(config, as_json, {**said, "time": time, "who": who, "id": action_id})
    if not as_json and "run-opened" in answer.get("data", {}):
        out.print(answer["data"]["run-opened"]["run"], markup=False)


@run_app.command("end")
def run_end(
    station: StationOption = None,
    time: TimeOption = None,
    who: WhoOption = "",
    action_id: IdOption = "",
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """End the run that is open, and print its tally."""
    said = {"action": "end-run", "station": station, "time": time, "who": who, "id": action_id}
    answer = _submit(config, as_json, said)
    closed = answer.get("data", {}).get("run-closed")
    if not as_json and closed is not None:
        show_tally(closed["tally"], _unit(config))


@say_app.command("settings")
def say_settings(
    values: Annotated[
        list[str], typer.Argument(metavar="NAME=VALUE...", help='E.g. tilt=4° stroke="15 mm".')
    ],
    station: StationOption = None,
    time: TimeOption = None,
    who: WhoOption = "",
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Write settings down: tilt, stroke, speed, wash water, whatever you set."""
    pairs = [value.partition("=") for value in values]
    bad = [value for value, (name, equals, _) in zip(values, pairs, strict=True) if not (name and equals)]
    if bad:
        fail(USAGE, f'settings are written name=value; found "{bad[0]}"')
    said = {name: value for name, _, value in pairs}
    _submit(
        config, as_json, {"action": "settings", "values": said, "station": station, "time": time, "who": who}
    )


@say_app.command("note")
def say_note(
    text: str,
    station: StationOption = None,
    time: TimeOption = None,
    who: WhoOption = "",
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Write a remark down, with its time."""
    _submit(config, as_json, {"action": "note", "text": text, "station": station, "time": time, "who": who})


@say_app.command("container-set")
def say_container_set(
    outlet: str,
    tare: Annotated[str | None, typer.Option(help="Its tare, where it was not empty.")] = None,
    station: StationOption = None,
    who: WhoOption = "",
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """A fresh container stands at an outlet (only needed where the weight did not show it)."""
    said = {"action": "container-set", "outlet": outlet, "tare": tare, "station": station, "who": who}
    _submit(config, as_json, said)


@say_app.command("correct")
def say_correct(
    recognised: Annotated[str, typer.Argument(help="What was recognised, e.g. concentrate#3.")],
    was: Annotated[str | None, typer.Option(help="product, nothing or change.")] = None,
    credit: Annotated[str | None, typer.Option(help='Product that passed meanwhile, e.g. "120 g".')] = None,
    why: str = "",
    who: WhoOption = "",
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Correct something recognised from the weight. The old figure stays in the record."""
    said = {
        "action": "correct",
        "recognised": recognised,
        "was": was,
        "credit": credit,
        "why": why,
        "who": who,
    }
    answer = _submit(config, as_json, said)
    corrected = answer.get("data", {}).get("corrected")
    if not as_json and corrected is not None:
        unit = _unit(config)
        out.print(f"delivered changes by {kg_to(corrected['change_kg'], unit):+.3f} {unit}", markup=False)


@say_app.command("acknowledge")
def say_acknowledge(
    alarm: Annotated[str, typer.Argument(help='The alarm\'s id, or "all".')] = "all",
    who: WhoOption = "",
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Say that an alarm has been seen."""
    _submit(config, as_json, {"action": "acknowledge", "alarm": alarm, "who": who})


@say_app.command("shelve")
def say_shelve(
    alarm: str,
    minutes: Annotated[float, typer.Option(help="For how long.")] = 15.0,
    why: str = "",
    who: WhoOption = "",
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Silence an alarm for a limited time."""
    said = {"action": "shelve", "alarm": alarm, "minutes": minutes, "why": why, "who": who}
    _submit(config, as_json, said)


# ---------------------------------------------------------------------- looking


def now(config: ConfigOption = None) -> None:
    """Print the bay as it stands (JSON, as the board gets it)."""
    print_json(ask(config, "state"))


def tally(
    run: Annotated[str | None, typer.Argument(help="Which run; the newest if left out.")] = None,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Print the tally of a run: feed used, mass and yield of each outlet."""
    if run is None:
        runs = ask(config, "runs")
        if not runs:
            fail(DATA, "there is no run yet")
        run = runs[0]["run"]
    data = ask(config, "tally", run)
    if as_json:
        print_json(data)
    else:
        show_tally(data, _unit(config))


def show_tally(data: dict[str, Any], unit: str) -> None:
    """A tally in the unit people read: mass with its standard uncertainty, what the mass says, yield."""

    def mass(value_kg: float | None, u_kg: float | None) -> str:
        if value_kg is None:
            return "not known"
        return figure(kg_to(value_kg, unit), kg_to(u_kg or 0.0, unit))

    table = Table(box=None, pad_edge=False, header_style="bold")
    table.add_column("outlet")
    table.add_column(f"mass ({unit})", justify="right")
    table.add_column("")
    table.add_column("yield (%)", justify="right")
    for channel, outlet in data["outlets"].items():
        share, u_share = outlet.get("yield"), outlet.get("u_yield") or 0.0
        table.add_row(
            Text(str(outlet.get("name", channel))),
            mass(outlet["delivered_kg"], outlet["u_kg"]),
            outlet.get("says", ""),
            "" if share is None else figure(100 * share, 100 * u_share),
        )
    table.add_row("feed used", mass(data.get("feed_kg"), data.get("feed_u_kg")), "", "")
    out.print(f"run {data.get('run')}  {data.get('start')} to {data.get('end')}", markup=False)
    out.print(table)
    err.print(
        "± is a standard uncertainty; yield is mass of product / mass of feed, not recovery", markup=False
    )


def _unit(config: Path | None) -> str:
    """The unit that people read masses in, as the running daemon has it."""
    return str(ask(config, "state")["units"])
