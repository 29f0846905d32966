"""What all commands share: options, consoles, exit codes, and the way to a running daemon."""

from __future__ import annotations

import json
import sys
from dataclasses import dataclass
from datetime import UTC, tzinfo
from math import floor, log10
from pathlib import Path
from typing import Annotated, Any, NoReturn
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import typer
from rich.console import Console

from logger.core.actions.faults import sentence
from logger.core.localtime import say_time
from logger.core.units import kg_to
from logger.core.walltime import parse_rfc3339

USAGE, DATA, NO_INPUT, UNAVAILABLE, CANT_CREATE, NO_PERMISSION, CONFIG = 64, 65, 66, 69, 73, 77, 78

EXIT_BY_STATUS = {401: NO_PERMISSION, 403: NO_PERMISSION, 404: DATA, 409: DATA, 413: DATA, 422: DATA}

WIDE = 240


def _width() -> int | None:
    """A pipe has no width: a table is not broken for it. None: the terminal's own."""
    return None if sys.stdout.isatty() else WIDE


out = Console(highlight=False, soft_wrap=True, width=_width())
err = Console(stderr=True, highlight=False, soft_wrap=True)

ConfigOption = Annotated[
    Path | None,
    typer.Option(
        "--config", "-c", envvar="TALLYDECK_CONFIG", metavar="FILE", help="The bay's configuration (TOML)."
    ),
]
ReadingsOption = Annotated[
    Path | None, typer.Option(metavar="FILE.csv", help="A CSV: time,channel,value,unit,stable.")
]
ActionsOption = Annotated[
    Path | None, typer.Option(metavar="FILE.jsonl", help="With a CSV: one action a line, each with a time.")
]
JsonOption = Annotated[bool, typer.Option("--json", help="Print JSON for a machine to read.")]
TimeOption = Annotated[
    str | None,
    typer.Option(
        "--time", metavar="TIME", help='When it took effect, if not now: 06:10, or "2026-03-02 06:10".'
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
    return DaemonClient(address.url, address.token, certificate=address.certificate)


def ask(config: Path | None, question: str, *arguments: Any) -> Any:
    """Ask the running daemon; 69 where it can't be reached, 65 where it refuses."""
    from logger.board.client import ClientError

    try:
        return getattr(_client(config), question)(*arguments)
    except ClientError as error:
        code = EXIT_BY_STATUS.get(error.status, UNAVAILABLE)
        if error.errors:
            lines = [sentence(fault) for fault in error.errors]
            fail(code, "\n  ".join(["nothing was changed; put this right and say it again:", *lines]))
        fail(code, str(error))


@dataclass(frozen=True, slots=True)
class Here:
    """What a person takes for granted in the bay: its clock and the unit masses are read in."""

    unit: str
    zone: tzinfo
    zone_name: str
    now_ns: int

    def clock(self, rfc3339_text: str | None) -> str:
        """A time of the API by the bay's clock; empty where there is none."""
        return "" if rfc3339_text is None else say_time(parse_rfc3339(rfc3339_text), self.zone)

    def mass(self, value_kg: float | None, digits: int = 3) -> str:
        """A mass in the person's unit, without the unit's name; empty where it is not known."""
        return "" if value_kg is None else f"{kg_to(value_kg, self.unit):.{digits}f}"


def here(config: Path | None) -> Here:
    """The running daemon's clock, zone and unit."""
    state = ask(config, "state")
    name = str(state.get("time_zone") or "UTC")
    zone: tzinfo
    try:
        zone = ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError):
        name, zone = "UTC", UTC
    return Here(str(state["units"]), zone, name, parse_rfc3339(state["at"]))


def print_json(data: Any) -> None:
    """One JSON document on stdout."""
    sys.stdout.write(json.dumps(data, ensure_ascii=False, indent=2) + "\n")


def figure(value: float, u: float) -> str:
    """A value with its standard uncertainty, both to two significant digits of the uncertainty."""
    digits = decimals(u)
    return f"{fixed(value, digits)} ± {u:.{digits}f}"


def decimals(u: float) -> int:
    """How many decimals show two significant digits of an uncertainty: 0.0234 -> 3; six at most."""
    return 3 if u <= 0 else min(6, max(0, 1 - floor(log10(float(f"{u:.1e}")))))


def fixed(value: float, digits: int) -> str:
    """With so many decimals; what rounds to zero has no sign."""
    text = f"{value:.{digits}f}"
    return text.lstrip("-") if float(text) == 0.0 else text
