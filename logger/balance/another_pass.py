"""Would another pass over a stream pay? The gain with its interval, and the recovery at which it breaks even.

Gain = what the new concentrate brings - what the stream brings as it is - what the pass costs. The new
concentrate holds the expected recovery of the wanted component, at the expected grade; both are typed in, or
taken from this lot's own pass. What is left of the stream is taken to be worth nothing; where it costs to be
rid of the stream, what is left costs as much per kg.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from logger.balance.conformity import SURE, above_zero
from logger.balance.inputs import Array, Input
from logger.balance.joint import Function, Joint, Key, Told
from logger.balance.result import Estimate, plain
from logger.balance.selling import Again, Price, Prices
from logger.balance.worth import money, pass_cost, per_kg, product_worth


class Pays(StrEnum):
    YES = "pays"
    NO = "does not pay"
    OPEN = "can't tell"


@dataclass(frozen=True, slots=True)
class AnotherPass:
    """Whether another pass over ``stream`` pays. ``break_even``: the recovery at which it neither does."""

    stream: str
    verdict: Pays
    chance: float | None
    gain: Estimate | None  # in the currency
    break_even: Estimate | None
    recovery: Estimate | None  # as expected
    grade: Estimate | None
    missing: tuple[str, ...]
    notes: tuple[str, ...]
    says: str

    def to_json(self) -> dict[str, Any]:
        """Plain JSON values; money in the currency of the prices, shares as fractions of 1."""
        told: dict[str, Any] = plain(self)
        return told | {"level": SURE}


@dataclass(frozen=True, slots=True)
class PassShape:
    """A pass of the lot: which streams went in, and which came out."""

    feed: tuple[str, ...]
    products: tuple[str, ...]


def another_pass(
    stream: str,
    again: Again,
    prices: Prices,
    joint: Joint,
    *,
    wanted: str,
    passes: Mapping[str, PassShape],
) -> AnotherPass:
    """Judge another pass over ``stream``, as ``again`` describes it.

    The component that counts is that of the product's price, or ``wanted`` where it is priced as a whole.
    """
    price = prices.products.get(again.sold_as)
    if price is None:
        return _open(stream, (f"a price of {again.sold_as}",), ())
    component = price.component or wanted
    joint, recovery, grade, missing, notes = _expected(stream, again, component, joint, passes)
    missing += [
        words
        for key, words in (
            (("mass", stream), f"the dry mass of {stream}"),
            (("grade", stream, component), f"how much {component} there is in {stream}"),
        )
        if not joint.has(*key)
    ]
    now, lacks = _now(stream, prices, joint)
    each, lacks_too = _new_per_kg(again.sold_as, price, grade, joint)
    cost, lacks_hours = pass_cost(f"another pass over {stream}", again.cost, (stream,), joint)
    missing += [*lacks, *lacks_too, *lacks_hours]
    if missing or recovery is None or grade is None or now is None or each is None or cost is None:
        return _open(stream, tuple(dict.fromkeys(missing)), tuple(notes))
    mass = joint.get("mass", stream)
    held = _product(mass, joint.get("grade", stream, component))
    known = _Known(recovery, grade, held, mass, now, each, cost, _is_burden(stream, prices))
    told, made = joint.tell(known.gain), joint.tell(known.made)
    if told is None or made is None:
        return _open(stream, ("figures that the balance can determine",), tuple(notes))
    if made.value > 1.0:
        return _open(
            stream,
            ("a recovery and a grade that fit together",),
            (*notes, f"The new concentrate would weigh more than the {stream} that it is made of."),
        )
    even = joint.tell(lambda x: known.base(x) / known.slope(x))
    base, slope = joint.tell(known.base), joint.tell(known.slope)
    ends = [0.0, 0.0] if base is None or slope is None else [-base.value, slope.value - base.value]
    return _told(
        stream,
        gain=told,
        even=even,
        ends=ends,
        recovery=joint.tell(recovery),
        grade=joint.tell(grade),
        notes=tuple(notes),
        currency=prices.currency,
    )


def _told(
    stream: str,
    *,
    gain: Told,
    even: Told | None,
    ends: list[float],
    recovery: Told | None,
    grade: Told | None,
    notes: tuple[str, ...],
    currency: str,
) -> AnotherPass:
    chance = above_zero(gain.value, gain.u, gain.drawn)
    verdict = Pays.YES if chance >= SURE else Pays.NO if chance <= 1.0 - SURE else Pays.OPEN
    one = gain.estimate()
    words = {
        Pays.YES: f"Another pass over {stream} pays",
        Pays.NO: f"Another pass over {stream} does not pay",
        Pays.OPEN: f"Whether another pass over {stream} pays can't be told",
    }[verdict]
    says = f"{words}: the gain is {money(one, currency)}. {_even_words(even, ends)}"
    return AnotherPass(
        stream,
        verdict,
        chance,
        one,
        break_even=None if even is None else even.estimate(),
        recovery=None if recovery is None else recovery.estimate(share=True),
        grade=None if grade is None else grade.estimate(share=True),
        missing=(),
        notes=notes,
        says=says,
    )


def _even_words(even: Told | None, ends: list[float]) -> str:
    """``ends``: the gain at no recovery at all, and at a full one."""
    if max(ends) <= 0.0:
        return "Not even a recovery of 100 % would pay."
    if min(ends) > 0.0 or even is None:
        return "It pays at any recovery."
    return f"It breaks even at a recovery of {100 * even.value:.3g} %."


@dataclass(frozen=True, slots=True)
class _Known:
    """What the gain is made of: gain = recovery · slope - base."""

    recovery: Function
    grade: Function  # of the new concentrate
    held: Function  # kg of the component in the stream
    mass: Function  # kg, dry
    now: Function  # what the stream brings as it is
    each: Function  # what one dry kg of the new concentrate brings
    cost: Function
    burden: bool  # it costs to be rid of the stream, and will of what is left of it

    def slope(self, x: Array) -> Array:
        kg = self.held(x) / self.grade(x)
        return kg * self.each(x) - (kg / self.mass(x) * self.now(x) if self.burden else 0.0)

    def base(self, x: Array) -> Array:
        return self.cost(x) + (0.0 if self.burden else self.now(x))

    def gain(self, x: Array) -> Array:
        return self.recovery(x) * self.slope(x) - self.base(x)

    def made(self, x: Array) -> Array:
        """Mass of the new concentrate / of the stream."""
        return self.recovery(x) * self.held(x) / self.grade(x) / self.mass(x)


def _is_burden(stream: str, prices: Prices) -> bool:
    price = prices.products.get(stream)
    return price is not None and price.component is None and price.per_kg - price.treatment < 0.0


def _expected(
    stream: str, again: Again, component: str, joint: Joint, passes: Mapping[str, PassShape]
) -> tuple[Joint, Function | None, Function | None, list[str], list[str]]:
    """Recovery and grade of the pass to come: as typed in, or as in this lot's own pass."""
    typed: dict[Key, Input] = {}
    for word, said in (("recovery", again.recovery), ("grade", again.grade)):
        if said is not None:
            typed[("expected", word, stream)] = Input(f"expected {word} of {stream}", said.share, said.u)
    joint = joint.plus(typed, seed=3)
    get = {word: joint.get("expected", word, stream) for _, word, _ in typed}
    missing: list[str] = []
    notes: list[str] = []
    if len(get) < 2:
        found, missing = _of_own_pass(stream, again, component, joint, passes)
        get = found | get
        if not missing:
            notes.append(
                f"It is taken that the pass does for {stream} what it did for its first feed; what did not "
                "separate once often separates worse again. A trial, or a recovery typed in, is better."
            )
    return joint, get.get("recovery"), get.get("grade"), missing, notes


def _of_own_pass(
    stream: str, again: Again, component: str, joint: Joint, passes: Mapping[str, PassShape]
) -> tuple[dict[str, Function], list[str]]:
    name = again.like or next((name for name, one in passes.items() if stream in one.products), None)
    shape = None if name is None else passes.get(name)
    if shape is None or again.sold_as not in shape.products:
        return {}, [f"the expected recovery and grade of {component} in {again.sold_as}"]
    streams = (*shape.feed, again.sold_as)
    lacks = [
        f"{component} and mass of {each}"
        for each in streams
        if not (joint.has("mass", each) and joint.has("grade", each, component))
    ]
    if lacks:
        return {}, lacks
    held = {s: _product(joint.get("mass", s), joint.get("grade", s, component)) for s in streams}

    def recovery(x: Array) -> Array:
        return held[again.sold_as](x) / sum(held[s](x) for s in shape.feed)

    return {"recovery": recovery, "grade": joint.get("grade", again.sold_as, component)}, []


def _new_per_kg(
    sold_as: str, price: Price, grade: Function | None, joint: Joint
) -> tuple[Function | None, list[str]]:
    """What one dry kg of the new concentrate brings; as wet as the product it is sold as."""
    if grade is None:
        return None, []
    each = per_kg(price, grade)
    if not price.by_wet_mass:
        return each, []
    if not joint.has("moisture", sold_as):
        return None, [f"the moisture of {sold_as}"]
    moisture = joint.get("moisture", sold_as)
    return (lambda x: each(x) / (1.0 - moisture(x))), []


def _now(stream: str, prices: Prices, joint: Joint) -> tuple[Function | None, tuple[str, ...]]:
    if stream not in prices.products:
        return (lambda x: 0.0 * x[..., 0]), ()
    return product_worth(stream, prices.products[stream], joint)


def _product(a: Function, b: Function) -> Function:
    return lambda x: a(x) * b(x)


def _open(stream: str, missing: tuple[str, ...], notes: tuple[str, ...]) -> AnotherPass:
    says = f"Whether another pass over {stream} pays can't be told. What is missing: {', '.join(missing)}."
    return AnotherPass(stream, Pays.OPEN, None, None, None, None, None, missing, notes, says)
