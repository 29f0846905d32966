"""What the books know of selling, as the parts of a weigh-up that speak of it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import datetime
from typing import Any

from logger.balance.faults import WeighUpError
from logger.balance.run_read import RunRead

_PRICE = ("per_kg", "basis", "component", "payable", "deduction", "treatment")


def for_sale(runs: Mapping[str, RunRead], components: Iterable[str]) -> dict[str, Any]:
    """Grades, prices, costs and contents of ``runs`` (by their passes); what was not said is left out.

    A product that was fed again is not sold. WeighUpError where prices are told in two currencies.
    """
    fed = {source for run in runs.values() for source in run.sources}
    sales, products, passes, contents = {}, {}, {}, {}
    currencies: dict[str, list[int]] = {}
    for name, run in runs.items():
        said = run.run["selling"]
        for each in said["sales"]:
            stream = run.of_outlet.get(each["outlet"])
            if stream is not None and stream not in fed:
                sales[stream] = {"grade": each["grade"], "answers": each["answers"]}
        for each in said["prices"]:
            stream = run.of_outlet.get(each["outlet"])
            if stream is not None and stream not in fed:
                products[stream] = {key: each[key] for key in _PRICE if key in each}
                currencies.setdefault(each["currency"], []).append(each["entry"])
        for each in said["costs"]:
            cost = {"per_hour": each["per_hour"], "per_kg": each["per_kg"]}
            hours = each.get("hours") or _hours(run)
            passes[name] = cost | ({"hours": hours} if hours and each["per_hour"] else {"per_hour": 0.0})
            currencies.setdefault(each["currency"], []).append(each["entry"])
        for each in said["contents"]:
            if each["component"] in components:
                shares = {of: {"share": share, "u": each["u"]} for of, share in each["shares"].items()}
                contents[each["component"]] = shares
    if len(currencies) > 1:
        told = "; ".join(f"{currency} (entry {entries[0]})" for currency, entries in currencies.items())
        raise WeighUpError([f"prices: they are told in several currencies: {told}; amend them to one"])
    found: dict[str, Any] = {"sales": sales, "contents": contents}
    if products or passes:
        found["prices"] = {"currency": next(iter(currencies)), "products": products, "passes": passes}
    return {key: value for key, value in found.items() if value}


def _hours(run: RunRead) -> float | None:
    """How long a run took, up to now where it is open."""
    took = datetime.fromisoformat(run.until) - datetime.fromisoformat(run.run["start"])
    return took.total_seconds() / 3600.0 or None
