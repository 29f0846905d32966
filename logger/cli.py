"""The command line. Data on stdout, messages on stderr, exit codes by sysexits."""

from __future__ import annotations

import logging
import os
import sys
from pathlib import Path
from typing import Annotated

import typer

from logger import __version__
from logger.commands import (
    alarms,
    balance,
    compare,
    explain,
    export,
    follower,
    lots,
    report,
    runs,
    said,
    say,
    scales,
    setup,
    show,
    what_if,
    wire,
    wire_find,
)
from logger.commands.shared import (
    CANT_CREATE,
    DATA,
    UNAVAILABLE,
    USAGE,
    ActionsOption,
    ConfigOption,
    JsonOption,
    ReadingsOption,
    err,
    fail,
    load,
    out,
    print_json,
)

app = typer.Typer(
    name="tallydeck",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    help="Record-keeper and lookout of a small wet gravity-separation bay.\n\n"
    "It reads the scales and flow meters, tags every reading with lot and outlet, keeps the record, "
    "and says when an outlet stops delivering. It watches; it never stops or starts a machine.\n\n"
    "First:  tallydeck demo             a simulated bay, to look around\n\n"
    "Then:   tallydeck check FILE       is my configuration right?\n\n"
    "        tallydeck prove FILE       are the instruments right? before the first lot\n\n"
    "        tallydeck serve -c FILE    record, watch, show the board\n\n"
    "        tallydeck lot open ... ; tallydeck run start ... ; tallydeck run end",
)
app.add_typer(lots.lot_app, name="lot")
app.add_typer(runs.run_app, name="run")
app.add_typer(say.say_app, name="say")
app.add_typer(alarms.alarm_app, name="alarm")
app.add_typer(follower.follower_app, name="follower")
wire.wire_app.command("find")(wire_find.find)
app.add_typer(wire.wire_app, name="wire")
app.command()(show.now)
app.command()(show.tally)
app.command()(balance.balance)
app.command()(compare.compare)
app.command()(setup.prove)
app.command()(said.said)
app.command()(scales.scales)
app.command()(explain.explain)
app.command()(report.report)
app.command()(export.export)
app.command("what-if")(what_if.what_if)


def _version(wanted: bool) -> None:
    if wanted:
        sys.stdout.write(f"tallydeck {__version__}\n")
        raise typer.Exit


@app.callback()
def _main(
    _: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version.")
    ] = False,
) -> None:
    pass


# ---------------------------------------------------------------------- check, serve, demo, replay


@app.command()
def check(
    file: Annotated[Path, typer.Argument(help="The configuration (TOML).")],
    probe: Annotated[
        bool, typer.Option("--probe", help="Also open each port and listen, and try store and broker.")
    ] = False,
    seconds: Annotated[float, typer.Option(help="How long to listen.")] = 3.0,
    as_json: JsonOption = False,
) -> None:
    """Check a configuration: every error at once, each with its place and a remedy."""
    from logger.commands.check import describe, probe_ports

    configuration = load(file)
    described = describe(configuration)
    probed = probe_ports(configuration, seconds) if probe else None
    if as_json:
        print_json(described | ({} if probed is None else {"probe": probed}))
    else:
        for line in described["lines"]:
            out.print(line, markup=False)
        for each in probed or []:
            out.print(f"{each['name']:<20} {each['says']}", markup=False)
    if probed is not None and any(not each["alive"] for each in probed):
        raise typer.Exit(UNAVAILABLE)


@app.command()
def serve(config: ConfigOption = None) -> None:
    """Record, watch and show the board, until stopped (Ctrl-C or SIGTERM)."""
    from logger.app import Daemon, StartError
    from logger.commands.serve import run_serve
    from logger.journal.journal import JournalError
    from logger.service.chronicle import tell_findings, tell_link

    configuration = load(config)
    _log()
    daemon = Daemon(configuration, told=tell_findings, heard=tell_link)
    try:
        run_serve(daemon, lambda: err.print(f"The board is at {daemon.board.url}", markup=False))
    except StartError as error:
        fail(UNAVAILABLE, str(error))
    except JournalError as error:
        fail(CANT_CREATE, str(error))


@app.command()
def demo(
    speed: Annotated[float, typer.Option(help="Times life.", min=0.1, max=20)] = 5.0,
    port: Annotated[int, typer.Option(help="The board's port on this machine.")] = 8787,
    seed: Annotated[int, typer.Option(help="Another seed, another day.")] = 1,
    directory: Annotated[
        Path | None, typer.Option(help="Keep the journal here; otherwise it goes when the demo ends.")
    ] = None,
    seconds: Annotated[float | None, typer.Option(help="End by itself after so long.")] = None,
) -> None:
    """Show the main job on a simulated bay: an invented foundry wins bronze back from floor sweepings."""
    from logger.app import StartError
    from logger.commands.demo import run_demo
    from logger.journal.journal import JournalError

    _log(logging.WARNING)
    try:
        run_demo(speed=speed, port=port, seed=seed, directory=directory, seconds=seconds, say=out.print)
    except StartError as error:
        fail(UNAVAILABLE, str(error))
    except JournalError as error:
        fail(CANT_CREATE, str(error))


@app.command()
def replay(
    config: ConfigOption = None,
    readings: ReadingsOption = None,
    actions: ActionsOption = None,
    journal: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Replay a journal instead of a CSV.")
    ] = None,
    run: Annotated[str | None, typer.Option(help="Of a journal, only this run's alarms and tally.")] = None,
    alarms: Annotated[
        Path | None, typer.Option(metavar="OUT.jsonl", help="Write alarms here, one JSON object a line.")
    ] = None,
    tally_file: Annotated[
        Path | None, typer.Option("--tally", metavar="OUT.json", help="Write the tally here.")
    ] = None,
) -> None:
    """Fold a record again: what would be judged now, from a CSV or a journal.

    Without --alarms and --tally the tally is printed.
    """
    from logger.commands.replay import Request, run_replay
    from logger.replay import ReplayError

    if (readings is None) == (journal is None):
        fail(USAGE, "give exactly one of --readings and --journal")
    request = Request(readings, actions, journal, run, alarms, tally_file)
    try:
        data, notes = run_replay(request, None if config is None else load(config), lambda: load(config))
    except ReplayError as error:
        fail(DATA, str(error))
    except OSError as error:
        fail(CANT_CREATE, f"can't write: {error}")
    for note in notes:
        err.print(f"tallydeck: {note}", markup=False)
    if alarms is None and tally_file is None:
        print_json(data)


def _log(level: int = logging.INFO) -> None:
    from logger.service.native import set_up

    set_up(level, os.environ)


def main() -> None:
    """The console script: usage errors leave with EX_USAGE, a reader that went away ends it quietly."""
    try:
        app()
    except SystemExit as leaving:
        sys.exit(USAGE if leaving.code == 2 else leaving.code)
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(0)
