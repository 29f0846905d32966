"""Grades that were given as such, by a laboratory or as an expectation, per dry or per wet mass."""

from __future__ import annotations

from collections.abc import Mapping
from math import sqrt

from logger.balance.document import Composition
from logger.balance.faults import WeighUpError
from logger.balance.inputs import Input, Inputs, Term
from logger.balance.moisture import moisture
from logger.balance.result import How
from logger.balance.sample import Said, Where, unused, water_share
from logger.balance.words import listed, percent

ASSUMED_ASSAY = 0.05
ASSUMED_EXPECTED = 0.25
ASSUMED_LEAST = 0.001
"""Standard uncertainty of an assay, or an expectation, without one: this part of the share, or of what is
left to one if that is less, but at least 0.1 points. Assumed, no source."""


def assayed(one: Composition, where: Where, inputs: Inputs) -> Said:
    """What an assay or an expectation says; on the wet basis it is made dry by the stream's own moisture."""
    shares = one.assay if one.assay is not None else one.expected
    assert shares is not None  # noqa: S101 - for the types
    expected = one.way == "expected"
    label = where.label(one)
    us, notes = _uncertainties(one, shares, where)
    terms: dict[str, Term] = {
        name: inputs.add(Input(f"{label}: {name}", share, us[name], estimated=expected))
        for name, share in shares.items()
    }
    values, spread = dict(shares), dict(us)
    if one.basis == "wet":
        water = moisture(where.name, where.stream, where.document, inputs)
        wet = water_share(where)
        terms = {name: _per_dry(term, water.term) for name, term in terms.items()}
        values = {name: share / (1.0 - wet) for name, share in values.items()}
        spread = {name: u / (1.0 - wet) for name, u in spread.items()}
        if water.how is How.ESTIMATED:
            notes.append(
                f"{label}: it is per wet mass, and the moisture is not known: its grades rest on a guess"
            )
        _possible(one, values, spread, wet, where)
    notes += _sum_said(one, values, spread, where)
    notes += unused(one, ("pieces", "size", "density", "scale"), where)
    variances = {name: u**2 for name, u in spread.items()}
    how = How.ESTIMATED if expected else How.ASSAYED
    return Said(label, how, terms, values, variances, None, tuple(notes))


def _uncertainties(
    one: Composition, shares: Mapping[str, float], where: Where
) -> tuple[dict[str, float], list[str]]:
    """Standard uncertainty of each share; assumed where it wasn't given, exact where it was given as 0."""
    relative = ASSUMED_EXPECTED if one.way == "expected" else ASSUMED_ASSAY
    us, assumed, exact = {}, [], []
    for name, share in shares.items():
        u = one.u if isinstance(one.u, float) else (one.u or {}).get(name)
        if u is None:
            u = max(relative * min(share, 1.0 - share), ASSUMED_LEAST)
            assumed.append(f"{name} ± {percent(u)}")
        elif u == 0.0:
            exact.append(name)
        us[name] = u
    notes = []
    if assumed:
        notes.append(f"{where.label(one)}: it came without an uncertainty; assumed were {listed(assumed)}")
    if exact:
        notes.append(
            f"{where.label(one)}: {listed(exact)} was given with an uncertainty of 0 and is taken as exact"
        )
    return us, notes


def _per_dry(share: Term, water: Term) -> Term:
    return lambda z: share(z) / (1.0 - water(z))


def _possible(
    one: Composition, values: Mapping[str, float], spread: Mapping[str, float], wet: float, where: Where
) -> None:
    """A grade per wet mass can't be more than the solids in it."""
    faults = [
        f"{where.place}.{one.way}.{name}: {percent(share * (1.0 - wet))} of the wet mass is {percent(share)} "
        f"of the dry, at a moisture of {percent(wet)}; is it per dry mass, or the moisture less?"
        for name, share in values.items()
        if share > 1.0 + 4.0 * spread[name] + 1e-9
    ]
    if faults:
        raise WeighUpError(faults)


def _sum_said(
    one: Composition, values: Mapping[str, float], spread: Mapping[str, float], where: Where
) -> list[str]:
    """Where all components of a complete list are there and do not sum to one: what happens then."""
    document = where.document
    if not document.complete or set(values) < set(document.components):
        return []
    total, u = sum(values.values()), sqrt(sum(each**2 for each in spread.values()))
    if abs(total - 1.0) <= max(0.5e-3, 2.0 * u if u > 0.0 else 0.0):
        return []
    return [
        f"{where.label(one)}: its components sum to {percent(total)}, though they are said to be everything; "
        "what is off 100 % is spread over them by their uncertainties. Is one missing from the list?"
    ]
