"""`tallydeck run`: list, start and end runs."""

from __future__ import annotations

from typing import Annotated

import typer

from logger.commands.saying import Say, says
from logger.commands.shared import ConfigOption, JsonOption, ask, err, here, out, print_json
from logger.commands.show import show_tally, table
from logger.core.actions import EndRun, StartRun

run_app = typer.Typer(no_args_is_help=True, rich_markup_mode=None, help="Runs: list, start, end.")


@run_app.command("list")
def run_list(config: ConfigOption = None, as_json: JsonOption = False) -> None:
    """List the runs, newest first."""
    runs = ask(config, "runs")
    if as_json:
        print_json(runs)
        return
    bay = here(config)
    for run in runs:
        run["start"], run["end"] = bay.clock(run["start"]), bay.clock(run["end"])
    columns = {"run": "run", "station": "station", "lot": "lot"}
    table("runs", runs, columns | {"start": f"start ({bay.zone_name})", "end": "end"})


@says(run_app, "start", StartRun)
def run_start(
    say: Say,
    lot: Annotated[str | None, typer.Option("--lot", "-l", help="Of which lot; a trial without one.")] = None,
    run: Annotated[str | None, typer.Option("--run", help="A name of your own; made up otherwise.")] = None,
    until: Annotated[
        str | None,
        typer.Option(metavar="TIME", help="When it ended: with --time, for a run that is said afterwards."),
    ] = None,
    feed_from: Annotated[
        list[str] | None,
        typer.Option(
            metavar="RUN/OUTLET",
            help="Fed with a product of an earlier run: run-1/middlings. Repeat it for several.",
        ),
    ] = None,
) -> None:
    """Start a run: one pass of a lot over a station. A forgotten start can be said with --time."""
    fed = feed_from[0] if feed_from is not None and len(feed_from) == 1 else feed_from
    answer = say(lot=lot, run=run, until=until, feed_from=fed)
    opened = answer.get("data", {}).get("run-opened")
    if not say.as_json and opened is not None:
        out.print(opened["run"], markup=False)


@says(run_app, "end", EndRun)
def run_end(
    say: Say,
    run: Annotated[str | None, typer.Option("--run", help="Which; the open one if left out.")] = None,
    hold_up: Annotated[
        str | None,
        typer.Option(
            metavar="MASS|wait",
            help='What still lies on the deck, e.g. "0.4 kg"; or wait: it ends when the deck has run empty.',
        ),
    ] = None,
) -> None:
    """End the run that is open, and print its tally."""
    answer = say(run=run, hold_up=hold_up)
    if say.as_json:
        return
    closed = answer.get("data", {}).get("run-closed")
    if closed is not None:
        show_tally(closed["tally"], say.here)
    elif hold_up == "wait" and not answer.get("repeated"):
        err.print("it ends when the deck has run empty; then: tallydeck tally", markup=False)
