"""The result of a run in words and rows: what was recovered, how clean it is, and how it is known."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from logger.report import figures
from logger.report.record import Record
from logger.settings.shipped import shipped

if TYPE_CHECKING:
    from logger.balance.result import Estimate, PassOf, Result, StreamOf

ESTIMATED = "estimated"


@dataclass(frozen=True, slots=True)
class Outcome:
    """``balance``: None where there is none, and ``why`` says why, in sentences."""

    balance: Result | None
    why: tuple[str, ...] = ()


def balanced(record: Record) -> Outcome:
    """The balance of a run, with verdicts where it was said what a product is sold as."""
    from logger.balance import WeighUpError, weigh_up
    from logger.balance.grades import read_grades

    try:
        document = record.weigh_up()
        if document is None:
            return Outcome(None, ("Nothing was weighed or booked that a balance could be made from.",))
        grades = read_grades(tomllib.loads(shipped("grades.toml").read_text("utf-8")))
        return Outcome(weigh_up(document, grades=grades))
    except WeighUpError as error:
        return Outcome(None, tuple(error.faults))


def headline(record: Record, outcome: Outcome) -> str:
    """The result in one sentence, with its uncertainty; what is only estimated says so."""
    unit, tally = record.bay.units, record.tally()
    so_far = " so far" if record.open else ""
    best = _best(outcome.balance)
    if best is not None and outcome.balance is not None and outcome.balance.wanted is not None:
        return _of_component(best, outcome.balance.wanted, unit, so_far)
    weighed = [each for each in tally["outlets"].values() if each["delivered_kg"] is not None]
    if not weighed:
        return f"Nothing was weighed in this run{so_far}, so there is no result."
    first = weighed[0]
    mass = figures.mass(first["delivered_kg"], first["u_kg"], unit)
    share = first.get("yield")
    of_feed = (
        "" if share is None else f", a yield of {figures.percent(share, first['u_yield'])} of what was fed"
    )
    return (
        f"{_capital(first['name'])}: {mass}{_basis(first['says'])}{of_feed}{so_far}. "
        "No recovery is told, since no grade is known."
    )


def _of_component(stream: StreamOf, wanted: str, unit: str, so_far: str) -> str:
    mine = stream.components[wanted]
    parts = [f"{_capital(stream.name)}{so_far}: {figures.estimate_mass(_as_map(stream.dry), unit)} dry"]
    if mine.grade is not None:
        parts.append(f"of which {figures.estimate_share(_as_map(mine.grade))} is {wanted}")
    sentence = ", ".join(parts)
    if mine.recovery is None:
        return f"{sentence}. How much of the {wanted} was recovered can't be told."
    estimated = (
        "; estimated, since not every grade behind it was measured" if mine.recovery.how == ESTIMATED else ""
    )
    share = figures.interval(_as_map(mine.recovery))
    return f"{sentence}. It holds {share} of the {wanted} that was fed{estimated}."


def _best(result: Result | None) -> StreamOf | None:
    """The product that is richest in what matters."""
    if result is None or result.wanted is None:
        return None
    rich = [
        (grade.value, stream)
        for stream in result.streams.values()
        if stream.role == "product" and (grade := stream.components[result.wanted].grade) is not None
    ]
    return max(rich, key=lambda each: each[0])[1] if rich else None


def product_rows(record: Record, outcome: Outcome) -> list[dict[str, str]]:
    """A row each: ``name``, ``weighed``, ``basis``, ``dry``, ``yield``, ``grade``, ``how``, ``recovery``."""
    if outcome.balance is None:
        return _rows_of_tally(record)
    result, unit = outcome.balance, record.bay.units
    says = {name: each["says"] for name, each in record.tally()["outlets"].items()}
    rows = []
    for stream in result.streams.values():
        mine = stream.components.get(result.wanted) if result.wanted is not None else None
        feed = stream.role == "feed"
        row = {
            "name": stream.name,
            "weighed": figures.estimate_mass(_as_map(stream.wet), unit),
            "basis": says.get(stream.name, ""),
            "dry": figures.estimate_mass(_as_map(stream.dry), unit),
            "dry_how": "" if stream.dry is None else str(stream.dry.how),
            "yield": "" if feed else figures.estimate_share(_as_map(stream.share)),
            "grade": figures.NOT_KNOWN if mine is None else figures.estimate_share(_as_map(mine.grade)),
            "how": "" if mine is None or mine.grade is None else str(mine.grade.how),
            "recovery": "" if feed else figures.interval(_as_map(None if mine is None else mine.recovery)),
        }
        rows.append(row)
    return rows


def _rows_of_tally(record: Record) -> list[dict[str, str]]:
    tally, unit = record.tally(), record.bay.units
    unknown = dict.fromkeys(("dry", "grade", "recovery"), figures.NOT_KNOWN) | {"how": "", "dry_how": ""}
    feed = unknown | {
        "name": "feed", "basis": "", "yield": "", "recovery": "",
        "weighed": figures.mass(tally["feed_kg"], tally.get("feed_u_kg"), unit),
    }  # fmt: skip
    return [feed] + [
        unknown
        | {
            "name": each["name"],
            "weighed": figures.mass(each["delivered_kg"], each["u_kg"], unit),
            "basis": each["says"],
            "yield": figures.percent(each.get("yield"), each.get("u_yield")),
        }
        for each in tally["outlets"].values()
    ]


def balance_lines(outcome: Outcome) -> list[str]:
    """Closure of each pass, and whether the figures agree."""
    result = outcome.balance
    if result is None:
        return [*outcome.why]
    lines = [line for each in result.passes.values() for line in _pass_lines(each, result)]
    return lines + ([result.tests.says] if result.tests is not None else [])


def _pass_lines(one: PassOf, result: Result) -> list[str]:
    lines = []
    if one.closure is not None:
        of = [f"mass {figures.interval(_as_map(one.closure))}"]
        of += [
            f"{n} {figures.interval(_as_map(each))}" for n, each in one.closures.items() if each is not None
        ]
        lines.append(f"What came out of what went in, as measured: {', '.join(of)}.")
    wanted = result.wanted
    back = one.head.get(wanted) if wanted is not None else None
    if back is not None:
        measured = one.assayed_head.get(wanted or "")
        beside = "" if measured is None else f"; measured {figures.estimate_share(_as_map(measured))}"
        lines.append(
            f"{_capital(wanted or '')} in the feed, calculated back from the products: "
            f"{figures.estimate_share(_as_map(back))}{beside}."
        )
    return lines


def sale_lines(outcome: Outcome) -> list[dict[str, Any]]:
    """Verdicts against grades and what the lot is worth: ``says`` and the ``reasons`` below it."""
    sale = None if outcome.balance is None else outcome.balance.sale
    if sale is None:
        return []
    told: list[dict[str, Any]] = [
        {"says": judged.says, "reasons": [*(limit.says for limit in judged.limits), *judged.notes]}
        for judged in sale.verdicts.values()
    ]
    if sale.worth is not None:
        worth = sale.worth
        amounts = (*worth.products.values(), *worth.lost.values(), *worth.costs.values())
        told.append({"says": worth.total.says, "reasons": [*(each.says for each in amounts), *worth.notes]})
    told += [{"says": again.says, "reasons": [*again.notes]} for again in sale.again.values()]
    return told + [{"says": note, "reasons": []} for note in sale.notes]


def budget_lines(outcome: Outcome, most: int = 3) -> list[str]:
    """Where the uncertainty comes from, the largest parts of each budget."""
    if outcome.balance is None:
        return []
    told = []
    for name, budget in outcome.balance.budgets.items():
        parts = [f"{each.input} {100 * each.share:.0f} %" for each in budget[:most] if each.share >= 0.01]
        if parts:
            told.append(f"{_capital(name)}: {', '.join(parts)}.")
    return told


def measured_lines(record: Record, outcome: Outcome) -> list[str]:
    """What was and what was not measured, and how, a sentence each."""
    unit, tally, station = record.bay.units, record.tally(), record.station
    lines = []
    if tally["feed_kg"] is None:
        lines.append("The feed was not weighed.")
    else:
        lines.append(f"The feed was weighed at a {station.feed.kind.value}.")
    for each in tally["outlets"].values():
        lines.append(_how_weighed(each, unit))
    lines += [
        f"{_capital(name)} water: {each['litres']:.1f} ± {each['u_l']:.1f} L measured"
        + (f", {each['unknown_s']:.0f} s of it not measured" if each["unknown_s"] else "")
        + (f"; {each['l_per_kg']:.2f} L for each kg of feed" if each["l_per_kg"] is not None else "")
        + f"; the meter's own error is {each['meter_error']}."
        for name, each in tally["water"].items()
        if each["litres"] is not None
    ]
    if tally["hold_up_kg"] is not None:
        u = None if tally["hold_up"] is None else tally["hold_up"]["u_kg"]
        held = figures.mass(tally["hold_up_kg"], u, unit)
        lines.append(
            f"Still on the deck{' now' if record.open else ' at the end'}: {held} ({tally['hold_up_how']})."
        )
    return lines + ([] if outcome.balance is None else list(outcome.balance.notes))


def _how_weighed(each: dict[str, Any], unit: str) -> str:
    name = _capital(each["name"])
    if each["delivered_kg"] is None:
        return f"{name} was not weighed."
    if each["by_difference"]:
        return f"{name} was not weighed; its mass is what is missing between feed and all other products."
    line = f"{name} was weighed{_basis(each['says'])}"
    if each["estimated_kg"]:
        line += f"; {figures.mass(each['estimated_kg'], None, unit)} of it passed unweighed and is estimated"
    if each["not_caught_kg"]:
        line += f"; {figures.mass(each['not_caught_kg'], None, unit)} of it was not caught in a container"
    return line + "."


def _basis(says: str) -> str:
    return {
        "wet": ", wet as it drained",
        "solids": " as solids, by what they displace in a container full of water",
        "with water": " with all its water",
        "by difference": " by difference",
    }.get(says, f" ({says})" if says else "")


def _as_map(known: Estimate | None) -> dict[str, Any] | None:
    if known is None:
        return None
    return {"value": known.value, "u": known.u, "low": known.low, "high": known.high}


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
