"""The page of a balance: tables, tests, verdicts and worth, as a person reads them."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from rich.table import Table
from rich.text import Text

from logger.commands.shared import decimals, err, figure, fixed, out
from logger.core.units import kg_to

if TYPE_CHECKING:
    from logger.balance.result import Estimate, PassOf, Result, StreamOf

ENDLESS = 100_000
EXACT = 1e-12
"""Relative uncertainties below this are rounding."""


def show_balance(result: Result) -> None:
    """The balance in the unit people read: a table for the component that matters, then all the rest."""
    head = ", ".join(filter(None, (result.lot, result.material)))
    passes = ", ".join(result.passes)
    out.print(f"{head or 'weigh-up'}: balance of {passes}\n", markup=False)
    for table in _tables(result):
        out.print(table)
        out.print()
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


def _tables(result: Result) -> Iterator[Table]:
    """Masses beside the component that matters, then the others: as many side by side as the screen holds."""
    rest = [name for name in _components(result) if name != result.wanted]
    first = _masses(result, result.wanted)
    if result.wanted is not None and not _fits(first):
        first, rest = _masses(result, None), [result.wanted, *rest]
    yield first
    while rest:
        many = next((n for n in range(len(rest), 1, -1) if _fits(_grades(result, rest[:n]))), 1)
        yield _grades(result, rest[:many])
        rest = rest[many:]


def _fits(table: Table) -> bool:
    wanted = out.measure(table, options=out.options.update(max_width=ENDLESS))
    return wanted.maximum <= out.width


def _table(*heads: str) -> Table:
    """Columns of figures; one without a head holds words. Names are no markup."""
    made = Table(box=None, pad_edge=False, header_style="bold")
    for head in heads:
        made.add_column(Text(head), justify="right" if head else "left", no_wrap=True)
    return made


def _masses(result: Result, wanted: str | None) -> Table:
    unit = result.units
    about = () if wanted is None else (f"{wanted} (%)", "", f"recovery of {wanted} (%)")
    made = _table("", f"weighed ({unit})", f"dry mass ({unit})", "yield (%)", *about)
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
    made = _table("", *(head for name in names for head in (f"{name} (%)", "", "recovery (%)")))
    for stream in result.streams.values():
        made.add_row(Text(stream.name), *(cell for name in names for cell in _of_component(stream, name)))
    return made


def _pass_lines(one: PassOf, result: Result) -> list[str]:
    """What a pass says as a whole: closure, the head two ways, separation efficiency."""
    lines: list[str] = []
    if len(one.products) == 1 and one.closure is not None:  # nothing was separated: two weights of one thing
        return [f"{one.name}: out / in, as measured: mass {with_interval(one.closure)} %"]
    if one.closure is not None:
        parts = [f"mass {with_interval(one.closure)} %"]
        parts += [f"{name} {with_interval(c)} %" for name, c in one.closures.items() if c is not None]
        lines.append(f"{one.name}: out / in, as measured: {', '.join(parts)}")
    for name, back in one.head.items():
        assayed = one.assayed_head.get(name)
        if back is not None and name == result.wanted:
            told = "" if assayed is None else f", measured {_share(assayed)} %"
            lines.append(f"{one.name}: {name} in the feed, calculated back {_share(back)} %{told}")
    best = {name: e for name, e in one.efficiency.items() if e is not None}
    if len(one.products) > 1 and best:  # with one product alone nothing is parted
        name = max(best, key=lambda each: best[each].value)
        lines.append(f"{one.name}: separation efficiency of {name} {with_interval(best[name])} %")
    return lines


def _mass(known: Estimate | None, unit: str) -> str:
    return "not known" if known is None else _figure(kg_to(known.value, unit), kg_to(known.u, unit))


def _share(known: Estimate | None) -> str:
    return "not known" if known is None else _figure(100 * known.value, 100 * known.u)


def _figure(value: float, u: float) -> str:
    """With its standard uncertainty; one without any (but for rounding) is exact."""
    return figure(value, u) if u > EXACT * max(abs(value), EXACT) else f"{_plain(value, 6)} exact"


def _how(known: Estimate | None) -> str:
    return "" if known is None else str(known.how)


def with_interval(known: Estimate | None) -> str:
    """Value and 95 % interval, as percentages, to two significant digits of half the interval."""
    if known is None:
        return "not known"
    half = 50 * (known.high - known.low)
    if half <= 100 * EXACT * max(abs(known.value), 1.0):
        return f"{_plain(100 * known.value, 6)} exact"
    digits = decimals(half)
    low, value, high = (fixed(100 * v, digits) for v in (known.low, known.value, known.high))
    return f"{value} ({low} to {high})"


def _plain(value: float, most: int) -> str:
    return fixed(value, most).rstrip("0").rstrip(".")
