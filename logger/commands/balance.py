"""`tallydeck balance`: a weigh-up as the person sees it."""

from __future__ import annotations

import json
import os
import tomllib
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal, cast

import typer

from logger.commands.shared import (
    DATA,
    NO_INPUT,
    USAGE,
    ConfigOption,
    JsonOption,
    ask,
    fail,
    print_json,
)
from logger.core.actions.faults import show
from logger.settings.shipped import shipped

if TYPE_CHECKING:
    from logger.balance.document import WeighUp
    from logger.balance.grades import Grade

Method = Literal["auto", "linear", "monte-carlo"]
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # matrices are small: threads only wait for each other


def balance(
    file: Annotated[
        Path | None, typer.Argument(help="A weigh-up (TOML or JSON), instead of a run of the bay.")
    ] = None,
    run: Annotated[str | None, typer.Option(help="Which run; the newest if left out.")] = None,
    lot: Annotated[str | None, typer.Option(help="A whole lot, over all its runs.")] = None,
    method: Annotated[
        str, typer.Option(help="How uncertainty is propagated: auto, linear or monte-carlo.")
    ] = "auto",
    draws: Annotated[
        int, typer.Option(help="How many draws, for monte-carlo.", min=1000, max=10**6)
    ] = 100_000,
    grades: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Product grades (TOML), instead of those that come along."),
    ] = None,
    document: Annotated[
        bool, typer.Option("--document", help="Print what the balance is made from (JSON), and end.")
    ] = False,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Print the balance: yields, grades and recoveries with uncertainties, and whether the figures agree."""
    if method not in ("auto", "linear", "monte-carlo"):
        fail(USAGE, f'--method {method}: there is "auto", "linear" and "monte-carlo"')
    if file is not None and (run is not None or lot is not None):
        fail(USAGE, "give a file, or --run or --lot of the bay, not both")
    made = document_of(file, config, run=run, lot=lot)
    if document:
        print_json(made.model_dump(mode="json", exclude_defaults=True))
        return
    from logger.balance import WeighUpError, weigh_up

    try:
        result = weigh_up(made, grades=_grades_of(grades), method=cast("Method", method), draws=draws)
    except WeighUpError as error:
        fail(DATA, listed(str(file or run or lot or "the run"), "balanced", error.faults))
    if as_json:
        print_json(result.to_json())
    else:
        from logger.commands.balance_page import show_balance

        show_balance(result)


def document_of(file: Path | None, config: Path | None, *, run: str | None, lot: str | None) -> WeighUp:
    """The weigh-up of a file, or of a run or lot of the bay; a clear end where there is none."""
    return _from_file(file) if file is not None else _from_bay(config, run, lot)


def _grades_of(path: Path | None) -> dict[str, Grade]:
    """The grades of a file, or those that come along; 65 where they can't be used."""
    from logger.balance.grades import GradeError, read_grades

    file = path or shipped("grades.toml")
    try:
        return read_grades(_parsed(file))
    except GradeError as error:
        fail(DATA, listed(f"{file}", "used", error.faults))


def _from_file(path: Path) -> WeighUp:
    """A weigh-up from a file; 65 where it can't be used."""
    from logger.balance import WeighUpError, read
    from logger.balance.faults import bare_masses

    data = _parsed(path)
    bare = bare_masses(data) if path.suffix != ".json" else []
    if bare:
        fail(DATA, listed(str(path), "used", tuple(bare)))
    try:
        return read(data)
    except WeighUpError as error:
        fail(DATA, listed(str(path), "used", error.faults))


def _parsed(path: Path) -> dict[str, Any]:
    """What a TOML or JSON file holds; 66 where there is none, 65 where it is neither."""
    try:
        text = path.read_text(encoding="utf-8")
    except OSError as error:
        fail(NO_INPUT, f"can't read {path}: {error.strerror}")
    except UnicodeDecodeError as error:
        fail(DATA, f"{path}: byte {error.start} is no UTF-8; save the file as UTF-8")
    kind = "JSON" if path.suffix == ".json" else "TOML"
    if not text.strip():
        fail(DATA, f"{path}: it is empty")
    try:
        data = json.loads(text) if kind == "JSON" else tomllib.loads(text)
    except (ValueError, RecursionError) as error:  # both readers' errors say line and column
        fail(DATA, f"{path} can't be read as {kind}: {error}")
    if not isinstance(data, dict):
        fail(DATA, f'{path}: found {show(data)}; expected an object with named fields, such as "streams"')
    return data


def _from_bay(config: Path | None, run: str | None, lot: str | None) -> WeighUp:
    from logger.balance import read

    if run is not None and lot is not None:
        fail(USAGE, "give --run or --lot, not both")
    if lot is not None:
        return read(ask(config, "lot_weigh_up", lot))
    if run is None:
        runs = ask(config, "runs")
        if not runs:
            fail(DATA, "there is no run yet; a weigh-up can also be a file")
        run = runs[0]["run"]
    return read(ask(config, "weigh_up", run))


def listed(what: str, done: str, faults: tuple[str, ...]) -> str:
    """All faults, below what they are about and what can't be done with it."""
    return "\n  ".join([f"{what} can't be {done}:", *faults])
