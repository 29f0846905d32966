"""`tallydeck compare`: two or more runs side by side."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
from rich.table import Table
from rich.text import Text

from logger.commands.balance import document_of, listed
from logger.commands.balance_page import with_interval
from logger.commands.shared import DATA, USAGE, ConfigOption, JsonOption, err, fail, out, print_json

if TYPE_CHECKING:
    from logger.balance.compare import Comparison, Run


def compare(
    runs: Annotated[list[str], typer.Argument(help="Two or more: names of runs, or weigh-ups as files.")],
    every: Annotated[
        bool, typer.Option("--all", help="Also the differences that do not exceed their uncertainty.")
    ] = False,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Compare runs: which differences exceed their uncertainty, and which settings differed."""
    from logger.balance.compare import compare as compared

    if len(set(runs)) < 2:
        fail(USAGE, "name at least two different runs, or files")
    made = [_run(name, config) for name in dict.fromkeys(runs)]
    found = compared(made)
    if as_json:
        print_json(found.to_json())
    else:
        show_comparison(found, every=every)


def _run(name: str, config: Path | None) -> Run:
    """A run of the bay, or a file where there is one of that name."""
    from logger.balance import WeighUpError
    from logger.balance.compare import Run
    from logger.balance.weighup import weigh

    file = Path(name)
    here = file.suffix in (".toml", ".json") or file.is_file()
    document = document_of(file if here else None, config, run=None if here else name, lot=None)
    try:
        weighed = weigh(document, draws=20_000)
    except WeighUpError as error:
        fail(DATA, listed(name, "balanced", error.faults))
    return Run(name, weighed.result, dict(document.settings), weighed.joint)


def show_comparison(found: Comparison, *, every: bool) -> None:
    """Each pair: a sentence, the settings that differed, and a line for each difference."""
    for pair in found.pairs:
        out.print(f"{pair.says}\n", markup=False)
        rows = [each for each in pair.differences if each.significant or every]
        if rows:
            made = Table(box=None, pad_edge=False, header_style="bold")
            made.add_column("")
            for head in (f"{pair.first} (%)", f"{pair.second} (%)", "difference (points)"):
                made.add_column(Text(head), justify="right")
            made.add_column("")
            for each in rows:
                told = (with_interval(one) for one in (each.first, each.second, each.difference))
                made.add_row(Text(each.figure), *told, "differs" if each.significant else "")
            out.print(made)
        for run, names in pair.only_in.items():
            if names and every:
                out.print(f"only in {run}: {', '.join(names)}", markup=False)
    for note in found.notes:
        out.print(f"- {note}", markup=False)
    err.print("brackets hold 95 %; a difference is the second less the first", markup=False)
