"""`tallydeck balance`: a weigh-up as the person sees it."""

from __future__ import annotations

import json
import os
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal, cast

import typer
from rich.table import Table
from rich.text import Text

from logger.commands.shared import (
    DATA,
    NO_INPUT,
    USAGE,
    ConfigOption,
    JsonOption,
    ask,
    err,
    fail,
    figure,
    out,
    print_json,
)
from logger.core.units import kg_to
from logger.settings.shipped import shipped

if TYPE_CHECKING:
    from logger.balance.document import WeighUp
    from logger.balance.grades import Grade
    from logger.balance.result import Estimate, PassOf, Result, StreamOf

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

    try:
        return read(_parsed(path))
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
    try:
        data = json.loads(text) if path.suffix == ".json" else tomllib.loads(text)
    except ValueError as error:  # both readers' errors are of this kind, and say line and column
        fail(DATA, f"{path}: {error}")
    if not isinstance(data, dict):
        fail(DATA, f"{path}: it holds no object with fields")
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


# ---------------------------------------------------------------------- the page


def show_balance(result: Result) -> None:
    """The balance in the unit people read: a table for the component that matters, then all the rest."""
    head = ", ".join(filter(None, (result.lot, result.material)))
    passes = ", ".join(result.passes)
    out.print(f"{head or 'weigh-up'}: balance of {passes}\n", markup=False)
    out.print(_masses(result))
    rest = [name for name in _components(result) if name != result.wanted]
    if rest:
        out.print(_grades(result, rest))
    for each in result.passes.values():
        for line in _pass_lines(each, result):
            out.print(line, markup=False)
    if result.tests is not None:
        out.print(result.tests.says, markup=False)
    for note in result.notes:
        out.print(f"- {note}", markup=False)
    for name, budget in result.budgets.items():
        parts = ", ".join(
            f"{each.input} {100 * each.share:.0f} %" for each in budget[:3] if each.share >= 0.01
        )
        if parts:
            out.print(f"uncertainty of the {name}: {parts}", markup=False)
    out.print(f"{result.why}\n", markup=False)
    for line in _sale_lines(result):
        out.print(line, markup=False)
    err.print(
        "± is a standard uncertainty, brackets hold 95 %; masses are dry; yield is mass of product / mass of "
        "feed, recovery is the component in the product / in the feed",
        markup=False,
    )


def _sale_lines(result: Result) -> Iterator[str]:
    """Verdicts, worth and passes that were asked about, each with its reasons below it."""
    sale = result.sale
    if sale is None:
        return
    for judged in sale.verdicts.values():
        yield judged.says
        yield from (f"  {limit.says}" for limit in judged.limits)
        yield from (f"  - {note}" for note in judged.notes)
    if sale.worth is not None:
        worth = sale.worth
        for amount in (*worth.products.values(), *worth.lost.values(), *worth.costs.values(), worth.total):
            yield amount.says
        yield from (f"- {note}" for note in worth.notes)
    for another in sale.again.values():
        yield another.says
        yield from (f"  - {note}" for note in another.notes)
    yield from (f"- {note}" for note in sale.notes)


def _components(result: Result) -> list[str]:
    first = next(iter(result.streams.values()), None)
    return [] if first is None else list(first.components)


def _masses(result: Result) -> Table:
    unit, wanted = result.units, result.wanted
    made = Table(box=None, pad_edge=False, header_style="bold")
    made.add_column("")
    for head in (f"weighed ({unit})", f"dry mass ({unit})", "yield (%)"):
        made.add_column(head, justify="right")
    if wanted is not None:
        made.add_column(f"{wanted} (%)", justify="right")
        made.add_column("")
        made.add_column(f"recovery of {wanted} (%)", justify="right")
    for stream in result.streams.values():
        made.add_row(*_mass_row(stream, unit, wanted))
    return made


def _mass_row(stream: StreamOf, unit: str, wanted: str | None) -> list[Any]:
    row: list[Any] = [Text(stream.name), _mass(stream.wet, unit), _mass(stream.dry, unit)]
    row.append("" if _whole(stream) else _share(stream.share))
    return row + ([] if wanted is None else _of_component(stream, wanted))


def _whole(stream: StreamOf) -> bool:
    """Whether it is what all others are parts of: 100 % by definition, which needs no saying."""
    return stream.share is not None and abs(stream.share.value - 1.0) < 1e-9 and stream.share.u < 1e-9


def _of_component(stream: StreamOf, name: str) -> list[str]:
    mine = stream.components[name]
    return [_share(mine.grade), _how(mine.grade), "" if _whole(stream) else with_interval(mine.recovery)]


def _grades(result: Result, names: list[str]) -> Table:
    made = Table(box=None, pad_edge=False, header_style="bold")
    made.add_column("\n")
    for name in names:
        made.add_column(f"\n{name} (%)", justify="right")
        made.add_column("\n")
        made.add_column("\nrecovery (%)", justify="right")
    for stream in result.streams.values():
        row: list[Any] = [Text(stream.name)]
        for name in names:
            row += _of_component(stream, name)
        made.add_row(*row)
    return made


def _pass_lines(one: PassOf, result: Result) -> list[str]:
    """What a pass says as a whole: closure, the head two ways, separation efficiency."""
    lines: list[str] = []
    if len(one.products) == 1 and one.closure is not None:  # nothing was separated: two weights of one thing
        return [f"\n{one.name}: out / in, as measured: mass {with_interval(one.closure)} %"]
    if one.closure is not None:
        parts = [f"mass {with_interval(one.closure)} %"]
        parts += [f"{name} {with_interval(c)} %" for name, c in one.closures.items() if c is not None]
        lines.append(f"\n{one.name}: out / in, as measured: {', '.join(parts)}")
    for name, back in one.head.items():
        assayed = one.assayed_head.get(name)
        if back is not None and name == result.wanted:
            told = "" if assayed is None else f", measured {_share(assayed)} %"
            lines.append(f"{one.name}: {name} in the feed, calculated back {_share(back)} %{told}")
    best = {name: e for name, e in one.efficiency.items() if e is not None}
    if best:
        name = max(best, key=lambda each: best[each].value)
        lines.append(f"{one.name}: separation efficiency of {name} {with_interval(best[name])} %")
    return lines


def _mass(known: Estimate | None, unit: str) -> str:
    return "not known" if known is None else figure(kg_to(known.value, unit), kg_to(known.u, unit))


def _share(known: Estimate | None) -> str:
    return "not known" if known is None else figure(100 * known.value, 100 * known.u)


def _how(known: Estimate | None) -> str:
    return "" if known is None else str(known.how)


def with_interval(known: Estimate | None) -> str:
    """Value and 95 % interval, as percentages, to two significant digits of half the interval."""
    if known is None:
        return "not known"
    digits = _digits(50 * (known.high - known.low))
    low, value, high = (f"{100 * v:.{digits}f}" for v in (known.low, known.value, known.high))
    return f"{value} ({low} to {high})"


def _digits(half: float) -> int:
    return len(figure(0.0, half).split(" ± ")[0].partition(".")[2]) if half > 0 else 3
