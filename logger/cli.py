"""The command line. Data on stdout, messages on stderr, exit codes by sysexits."""

from __future__ import annotations

import json
import logging
import os
import sys
from dataclasses import asdict
from pathlib import Path
from typing import Annotated, Any, NoReturn

import typer
from rich.console import Console
from rich.table import Table

from logger import __version__

USAGE, DATA, NO_INPUT, UNAVAILABLE, CANT_CREATE, NO_PERMISSION, CONFIG = 64, 65, 66, 69, 73, 77, 78

EXIT_BY_STATUS = {401: NO_PERMISSION, 403: NO_PERMISSION, 404: DATA, 409: DATA, 413: DATA, 422: DATA}

out = Console(highlight=False, soft_wrap=True)
err = Console(stderr=True, highlight=False, soft_wrap=True)

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
    "        tallydeck serve -c FILE    record, watch, show the board\n\n"
    "        tallydeck lot open ... ; tallydeck run start ... ; tallydeck run end",
)
lot_app = typer.Typer(no_args_is_help=True, rich_markup_mode=None, help="Lots: list them, book one in.")
run_app = typer.Typer(no_args_is_help=True, rich_markup_mode=None, help="Runs: list, start, end.")
say_app = typer.Typer(
    no_args_is_help=True,
    rich_markup_mode=None,
    help="Say what you did: settings, a note, a container, a correction.",
)
app.add_typer(lot_app, name="lot")
app.add_typer(run_app, name="run")
app.add_typer(say_app, name="say")

ConfigOption = Annotated[
    Path | None,
    typer.Option(
        "--config", "-c", envvar="TALLYDECK_CONFIG", metavar="FILE", help="The bay's configuration (TOML)."
    ),
]
JsonOption = Annotated[bool, typer.Option("--json", help="Print JSON for a machine to read.")]
TimeOption = Annotated[
    str | None,
    typer.Option(
        "--time", metavar="RFC3339", help="When it took effect, if not now: 2026-03-02T06:10:00+01:00."
    ),
]
WhoOption = Annotated[str, typer.Option("--who", envvar="TALLYDECK_WHO", help="Who says so.")]
StationOption = Annotated[
    str | None, typer.Option("--station", "-s", help="Which station; not needed where there is one.")
]
IdOption = Annotated[str, typer.Option("--id", help="Makes it idempotent: the same id is taken once.")]


def fail(code: int, message: str) -> NoReturn:
    """Say what is wrong and leave with a sysexits code."""
    err.print(f"tallydeck: {message}", markup=False)
    raise typer.Exit(code)


def load(path: Path | None) -> Any:
    """The configuration, or a clear end: 66 where there is no file, 78 where it is wrong."""
    from logger.settings import SettingsError
    from logger.settings import load as load_settings

    if path is None:
        fail(USAGE, "name the bay's configuration with --config FILE or TALLYDECK_CONFIG")
    if not path.is_file():
        fail(NO_INPUT, f"{path}: there is no such file")
    try:
        return load_settings(path)
    except SettingsError as error:
        fail(CONFIG, f"{path} can't be used:\n{error}")


def _client(config: Path | None) -> Any:
    from logger.app import StartError, read_address
    from logger.board.client import DaemonClient
    from logger.settings import default_journal_directory

    directory = default_journal_directory() if config is None else load(config).journal_directory
    if directory is None:
        fail(USAGE, "name the bay's configuration with --config FILE or TALLYDECK_CONFIG")
    try:
        address = read_address(directory)
    except StartError as error:
        fail(UNAVAILABLE, str(error))
    return DaemonClient(address.url, address.token)


def _ask(config: Path | None, question: str, *arguments: Any) -> Any:
    """Ask the running daemon; 69 where it can't be reached, 65 where it refuses."""
    from logger.board.client import ClientError

    try:
        return getattr(_client(config), question)(*arguments)
    except ClientError as error:
        fail(EXIT_BY_STATUS.get(error.status, UNAVAILABLE), str(error))


def _submit(config: Path | None, as_json: bool, action: dict[str, Any]) -> dict[str, Any]:
    """Submit an action and say what became of it."""
    wanted = {key: value for key, value in action.items() if value not in (None, "")}
    answer: dict[str, Any] = asdict(_ask(config, "submit", wanted))
    if not answer["accepted"]:
        fail(DATA, f"{action['action']} was refused: {answer['reason']}")
    if as_json:
        print_json(answer)
    elif answer.get("repeated"):
        err.print("taken before; nothing was done", markup=False)
    elif not answer.get("recorded", True):
        err.print("taken, but NOT RECORDED yet: the journal can't write", markup=False)
    return answer


def print_json(data: Any) -> None:
    """One JSON document on stdout."""
    sys.stdout.write(json.dumps(data, ensure_ascii=False, indent=2) + "\n")


def _table(title: str, rows: list[dict[str, Any]], columns: dict[str, str]) -> None:
    if not rows:
        err.print(f"no {title} yet")
        return
    table = Table(box=None, pad_edge=False, header_style="bold")
    for head in columns.values():
        table.add_column(head, justify="right" if "(" in head else "left")
    for row in rows:
        table.add_row(*("" if row.get(key) is None else str(row[key]) for key in columns))
    out.print(table)


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


# ---------------------------------------------------------------------- lots, runs, what is said


@lot_app.command("list")
def lot_list(config: ConfigOption = None, as_json: JsonOption = False) -> None:
    """List the lots, newest first."""
    lots = _ask(config, "lots")
    if as_json:
        print_json(lots)
        return
    columns = {
        "lot": "lot",
        "owner": "owner",
        "material": "material",
        "net_kg": "net (kg)",
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
    runs = _ask(config, "runs")
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
        show_tally(closed["tally"])


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
        out.print(f"delivered changes by {corrected['change_kg']:+.3f} kg", markup=False)


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


@app.command()
def now(config: ConfigOption = None) -> None:
    """Print the bay as it stands (JSON, as the board gets it)."""
    print_json(_ask(config, "state"))


@app.command()
def tally(
    run: Annotated[str | None, typer.Argument(help="Which run; the newest if left out.")] = None,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Print the tally of a run: feed used, mass and yield of each outlet."""
    if run is None:
        runs = _ask(config, "runs")
        if not runs:
            fail(DATA, "there is no run yet")
        run = runs[0]["run"]
    data = _ask(config, "tally", run)
    if as_json:
        print_json(data)
    else:
        show_tally(data)


def show_tally(data: dict[str, Any]) -> None:
    """A tally for a person: mass with its standard uncertainty, what the mass says, yield."""

    def mass(value: float | None, u: float | None) -> str:
        return "not known" if value is None else f"{value:.3f} ± {u or 0:.3f}"

    table = Table(box=None, pad_edge=False, header_style="bold")
    for head, justify in (("outlet", "left"), ("mass (kg)", "right"), ("", "left"), ("yield", "right")):
        table.add_column(head, justify=justify)  # type: ignore[arg-type]
    for channel, outlet in data["outlets"].items():
        share = outlet.get("yield")
        shown = "" if share is None else f"{share:.1%} ± {outlet.get('u_yield') or 0:.1%}"
        says = outlet.get("says", "")
        table.add_row(
            str(outlet.get("name", channel)), mass(outlet["delivered_kg"], outlet["u_kg"]), says, shown
        )
    table.add_row("feed used", mass(data.get("feed_kg"), data.get("feed_u_kg")), "", "")
    out.print(f"run {data.get('run')}  {data.get('start')} to {data.get('end')}", markup=False)
    out.print(table)
    err.print(
        "± is a standard uncertainty; yield is mass of product / mass of feed, not recovery", markup=False
    )


# ---------------------------------------------------------------------- check, serve, demo, replay


@app.command()
def check(
    file: Annotated[Path, typer.Argument(help="The configuration (TOML).")],
    probe: Annotated[bool, typer.Option("--probe", help="Also open each port and listen.")] = False,
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
    from logger.journal.journal import JournalError

    configuration = load(config)
    _log_to_stderr()
    daemon = Daemon(configuration)
    try:
        daemon.serve(lambda: err.print(f"The board is at {daemon.board.url}", markup=False))
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

    _log_to_stderr(logging.WARNING)
    try:
        run_demo(speed=speed, port=port, seed=seed, directory=directory, seconds=seconds, say=out.print)
    except StartError as error:
        fail(UNAVAILABLE, str(error))


@app.command()
def replay(
    config: ConfigOption = None,
    readings: Annotated[
        Path | None, typer.Option(metavar="FILE.csv", help="Columns time,channel,value,unit,stable.")
    ] = None,
    actions: Annotated[
        Path | None, typer.Option(metavar="FILE.jsonl", help="One action a line, each with a time.")
    ] = None,
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


def _log_to_stderr(level: int = logging.INFO) -> None:
    logging.basicConfig(
        level=level, format="%(asctime)s %(levelname)s %(name)s: %(message)s", stream=sys.stderr
    )


def main() -> None:
    """The console script: usage errors leave with EX_USAGE, a reader that went away ends it quietly."""
    try:
        app()
    except SystemExit as leaving:
        sys.exit(USAGE if leaving.code == 2 else leaving.code)
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(0)
