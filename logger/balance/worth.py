"""What a lot is worth: its products, what was lost, its costs, and whether another pass pays.

Every amount is a function of the balance's own masses and grades, so what they share (a scale, a tare, the
balance itself) is in its interval. Prices and costs are a person's and taken as exact. The buyer's contract
wins over all of it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from logger.balance.inputs import Array
from logger.balance.joint import Function, Joint
from logger.balance.result import Estimate, plain
from logger.balance.selling import PassCost, Price, Prices

CONTRACT = "Prices and costs are as they were typed in; the buyer's contract and local rules win."


@dataclass(frozen=True, slots=True)
class Amount:
    """An amount of money, or what it would take to know it. ``estimate`` in the currency, not a share."""

    of: str
    estimate: Estimate | None
    missing: tuple[str, ...]
    says: str


@dataclass(frozen=True, slots=True)
class Worth:
    """The worth of a lot. ``total``: all products with a price, less the passes' costs."""

    currency: str
    products: dict[str, Amount]
    lost: dict[str, Amount]  # in each of these, at the price of the product it should have gone to
    costs: dict[str, Amount]
    total: Amount
    notes: tuple[str, ...]

    def to_json(self) -> dict[str, Any]:
        """Plain JSON values; amounts in ``currency``."""
        told: dict[str, Any] = plain(self)
        return told | {"level": 0.95}


def positive(x: Array) -> Array:
    """x where it is above 0, else 0; also of complex x, by its real part."""
    return np.where(np.real(x) > 0.0, x, 0.0 * x)


def per_kg(price: Price, grade: Function | None) -> Function:
    """What one kg brings (dry mass, or wet where the price says so), as a function of the variables."""
    if price.component is None:
        return lambda x: (price.per_kg - price.treatment) + 0.0 * x[..., 0]
    assert grade is not None  # noqa: S101 - for the types
    of = grade
    return lambda x: price.per_kg * price.payable * positive(of(x) - price.deduction) - price.treatment


def product_worth(stream: str, price: Price, joint: Joint) -> tuple[Function | None, tuple[str, ...]]:
    """The worth of a stream at a price, or what is missing for it."""
    mass = ("wet", stream) if price.by_wet_mass else ("mass", stream)
    missing = [] if joint.has(*mass) else [f"the {'wet' if price.by_wet_mass else 'dry'} mass of {stream}"]
    if price.component is not None and not joint.has("grade", stream, price.component):
        missing.append(f"how much {price.component} there is in {stream}")
    if missing:
        return None, tuple(missing)
    grade = None if price.component is None else joint.get("grade", stream, price.component)
    kilos, each = joint.get(*mass), per_kg(price, grade)
    return (lambda x: kilos(x) * each(x)), ()


def pass_cost(
    name: str, cost: PassCost, feed: tuple[str, ...], joint: Joint
) -> tuple[Function | None, tuple[str, ...]]:
    """What a pass costs, or what is missing for it. ``feed``: its feed streams."""
    if cost.per_hour and cost.hours is None:
        return None, (f"how many hours {name} takes",)
    fixed = cost.per_hour * (cost.hours or 0.0)
    if not cost.per_kg:
        return (lambda x: fixed + 0.0 * x[..., 0]), ()
    missing = [f"the dry mass of {stream}, fed to {name}" for stream in feed if not joint.has("mass", stream)]
    if missing or not feed:
        return None, tuple(missing) or (f"which streams were fed to {name}",)
    masses = [joint.get("mass", stream) for stream in feed]
    return (lambda x: fixed + cost.per_kg * np.asarray(sum(mass(x) for mass in masses))), ()


def worth(
    prices: Prices,
    joint: Joint,
    *,
    wanted: str | None,
    finals: tuple[str, ...],
    feeds: Mapping[str, tuple[str, ...]],
) -> Worth:
    """The worth of a lot.

    ``wanted``: the component whose loss counts. ``finals``: the final products. ``feeds``: each pass's feed
    streams. A price of a stream or a cost of a pass that the balance doesn't know is left out, with a note.
    """
    notes = [CONTRACT]
    known = {key[1] for key in joint.keys if key[0] == "mass"}
    for name in (*prices.products, *(prices.lost_in or ())):
        if name not in known:
            notes.append(f"There is no stream {name} in this balance; its price was not used.")
    for name in prices.passes:
        if name not in feeds:
            notes.append(f"There is no pass {name} in this balance; its cost was not used.")
    sold = {
        name: product_worth(name, price, joint) for name, price in prices.products.items() if name in known
    }
    between = [name for name in sold if name not in finals]
    if between:
        notes.append(
            f"{', '.join(between)} went over the table again: its worth is told, but not part of the total."
        )
    spent = {
        name: pass_cost(name, cost, feeds[name], joint)
        for name, cost in prices.passes.items()
        if name in feeds
    }
    products = {name: _amount(f"worth of {name}", *one, joint, prices.currency) for name, one in sold.items()}
    costs = {name: _amount(f"cost of {name}", *one, joint, prices.currency) for name, one in spent.items()}
    parts = [(1.0, *one) for name, one in sold.items() if name in finals]
    parts += [(-1.0, *one) for one in spent.values()]
    notes += _nothing_paid(prices, joint, known)
    return Worth(
        prices.currency,
        products,
        _lost(prices, joint, wanted, finals, notes),
        costs,
        _amount("worth of all products less the costs", *_total(parts), joint, prices.currency),
        tuple(notes),
    )


def _total(
    parts: list[tuple[float, Function | None, tuple[str, ...]]],
) -> tuple[Function | None, tuple[str, ...]]:
    missing = tuple(m for _, _, those in parts for m in those)
    if missing or not parts:
        return None, missing or ("a price or a cost",)
    return (lambda x: np.asarray(sum(sign * one(x) for sign, one, _ in parts if one is not None))), ()


def _nothing_paid(prices: Prices, joint: Joint, known: set[str]) -> list[str]:
    found = []
    for name, price in prices.products.items():
        if price.component is None or name not in known or not joint.has("grade", name, price.component):
            continue
        told = joint.tell(joint.get("grade", name, price.component))
        if told is not None and price.deduction > 0.0 and told.value <= price.deduction:
            found.append(f"The grade of {name} is no more than the deduction: nothing is paid for it.")
    return found


def _lost(
    prices: Prices, joint: Joint, wanted: str | None, finals: tuple[str, ...], notes: list[str]
) -> dict[str, Amount]:
    """The wanted component in what is not sold, as so much more of the product it should have gone to."""
    where = prices.lost_in
    if where is None:
        where = tuple(name for name in finals if name not in prices.products)
    paid = [name for name, price in prices.products.items() if price.per_kg > 0.0 and name in finals]
    to = prices.lost_from or (paid[0] if len(paid) == 1 else None)
    if not where or wanted is None:
        return {}
    if to is None or to not in prices.products:
        notes.append('What was lost has no price: say in "lost_from" which product it should have gone to.')
        return {}
    return {
        name: _amount(
            f"{wanted} lost in {name}",
            *_loss(name, to, prices.products[to], wanted, joint),
            joint,
            prices.currency,
        )
        for name in where
        if name != to
    }


def _loss(
    stream: str, to: str, price: Price, wanted: str, joint: Joint
) -> tuple[Function | None, tuple[str, ...]]:
    needed = [("mass", stream), ("grade", stream, wanted), ("mass", to), ("grade", to, wanted)]
    missing = tuple(
        f"the dry mass of {key[1]}" if key[0] == "mass" else f"how much {key[2]} there is in {key[1]}"
        for key in needed
        if not joint.has(*key)
    )
    whole, lacks = product_worth(to, price, joint)
    if whole is None or missing:
        return None, tuple(dict.fromkeys((*missing, *lacks)))
    lost_mass, lost_grade, mass, grade = (joint.get(*key) for key in needed)
    return (lambda x: whole(x) * lost_mass(x) * lost_grade(x) / (mass(x) * grade(x))), ()


def _amount(
    of: str, function: Function | None, missing: tuple[str, ...], joint: Joint, currency: str
) -> Amount:
    told = None if function is None else joint.tell(function)
    if told is None:
        missing = missing or ("figures that the balance can determine",)
        return Amount(of, None, missing, f"The {of} can't be told. What is missing: {', '.join(missing)}.")
    one = told.estimate()
    return Amount(of, one, (), f"The {of} is {money(one, currency)}{_guess(one)}.")


def money(one: Estimate, currency: str) -> str:
    """An amount with its 95 % interval: "123.40 EUR (119.00 to 128.00)"."""
    return f"{one.value:,.2f} {currency} ({one.low:,.2f} to {one.high:,.2f})"


def _guess(one: Estimate) -> str:
    return ", an estimate" if one.how == "estimated" else ""
