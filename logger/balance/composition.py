"""The composition of a stream, dry, from all that was found of it; an expectation only where nothing was.

Several samples of a stream are combined, each with the weight of its variance; those that were sorted or
counted by the number of their grains, as if they were one. Where they disagree more than their uncertainties
allow (chi-square, 5 % for all components together) the combination is widened by the Birge ratio
√(χ²/degrees) (Birge 1932), and a note says so.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import sqrt

import numpy as np

from logger.balance.document import Stream, WeighUp
from logger.balance.faults import WeighUpError
from logger.balance.inputs import Array, Input, Inputs, Term
from logger.balance.masses import Measured
from logger.balance.result import How
from logger.balance.sample import Said, Where
from logger.balance.samples import said
from logger.balance.words import listed, percent
from logger.core.gamma import below

CHANCE = 0.05
AGREES = 2.0  # standard uncertainties of the difference


def composition(name: str, stream: Stream, document: WeighUp, inputs: Inputs) -> dict[str, Measured]:
    """What the stream holds of each component, as a fraction of its dry mass, as far as anything is known.

    Measured figures and expectations are never mixed: an expectation is given (as estimated) for components
    that nothing else tells of. WeighUpError, with every fault and its place, for unknown components, one
    portion alone, and grades that are more than everything.
    """
    faults: list[str] = []
    measured: list[Said] = []
    expected: list[Said] = []
    for k, one in enumerate(stream.compositions):
        try:
            (expected if one.way == "expected" else measured).append(
                said(one, Where(name, k, stream, document), inputs)
            )
        except WeighUpError as error:
            faults += error.faults
    if faults:
        raise WeighUpError(faults)
    found: dict[str, Measured] = {}
    beside = [*_same_sample(name, document), *_sources(measured)]
    for component in document.components:
        known = _of(name, component, measured, expected, document, inputs)
        if known is not None:
            found[component] = known
    if not found:
        return found
    first = next(iter(found))
    notes = tuple(dict.fromkeys([*beside, *found[first].notes]))
    return found | {first: Measured(found[first].term, found[first].how, notes)}


def _sources(measured: Sequence[Said]) -> list[str]:
    return [note for each in measured for note in each.notes]


def _of(  # noqa: PLR0917 - the two lists are what it chooses between
    name: str,
    component: str,
    measured: Sequence[Said],
    expected: Sequence[Said],
    document: WeighUp,
    inputs: Inputs,
) -> Measured | None:
    """One component: from what was measured of it, else from the last expectation."""
    seen = [each for each in measured if component in each.shares]
    hoped = [each for each in expected if component in each.shares]
    if not seen:
        if not hoped:
            return None
        last = hoped[-1]
        several = (
            (f"{component} in {name}: of {len(hoped)} expectations the last was taken",)
            if len(hoped) > 1
            else ()
        )
        return Measured(last.shares[component], How.ESTIMATED, (*last.notes, *several))
    term, value, u, notes = _combined(name, component, seen, len(document.components), inputs)
    heaviest = max(seen, key=lambda each: 1.0 / (each.variances[component] or 1e-300))
    if hoped:
        notes = [*notes, _against(name, component, value, u, hoped[-1])]
    return Measured(term, heaviest.how, tuple(notes))


def _combined(
    name: str, component: str, seen: Sequence[Said], tested: int, inputs: Inputs
) -> tuple[Term, float, float, list[str]]:
    """Weighted mean of several samples: term, value, standard uncertainty, notes."""
    if len(seen) == 1:
        only = seen[0]
        return only.shares[component], only.values[component], sqrt(only.variances[component]), []
    weights = _weights(component, seen)
    value = sum(w * each.values[component] for w, each in zip(weights, seen, strict=True))
    variances = [max(each.variance(component, value), 1e-300) for each in seen]
    own = sum(w * w * each.variances[component] for w, each in zip(weights, seen, strict=True))
    terms = [each.shares[component] for each in seen]

    def mean(z: Array) -> Array:
        return np.asarray(sum(w * term(z) for w, term in zip(weights, terms, strict=True)))

    statistic = sum(
        (each.values[component] - value) ** 2 / v for each, v in zip(seen, variances, strict=True)
    )
    degrees = len(seen) - 1
    if 1.0 - below(0.5 * degrees, 0.5 * statistic) >= CHANCE / max(tested, 1):
        return mean, value, sqrt(own), []
    birge = sqrt(statistic / degrees)
    widened, says = birge * sqrt(own), f"the combined uncertainty was made {birge:.2g} times as large"
    if own == 0.0:  # given as exact: a factor does nothing
        exact = [each.values[component] for each in seen if each.variances[component] == 0.0]
        widened = sqrt(sum((one - value) ** 2 for one in exact) / max(len(exact) - 1, 1))
        says = "of those given as exact the scatter was taken" if widened else "the one given as exact stands"
    extra = inputs.add(
        Input(f"between the samples of {name}: {component}", 0.0, sqrt(max(widened**2 - own, 0.0)))
    )
    figures = listed([f"{percent(each.values[component])} ({each.label})" for each in seen])
    note = (
        f"{component} in {name}: the samples disagree more than their uncertainties allow: {figures}; {says}"
    )
    return (lambda z: mean(z) + extra(z)), value, widened, [note]


def _weights(component: str, seen: Sequence[Said]) -> list[float]:
    """By inverse variance, at one share for all: to have found little must not give a sample weight."""
    exact = [each for each in seen if each.variances[component] == 0.0]
    if exact:
        return [(1.0 / len(exact) if each in exact else 0.0) for each in seen]
    lumped = [each for each in seen if each.each is not None]
    pooled = 0.0
    if lumped:
        sizes = [1.0 / (each.each or 1.0) for each in lumped]
        found = sum(n * each.values[component] for n, each in zip(sizes, lumped, strict=True))
        pooled = (found + 0.5) / (sum(sizes) + 1.0)
    precisions = [1.0 / each.variance(component, pooled) for each in seen]
    return [each / sum(precisions) for each in precisions]


def _against(name: str, component: str, value: float, u: float, hoped: Said) -> str:
    """What was expected of a figure that has been measured."""
    guess, guess_u = hoped.values[component], sqrt(hoped.variances[component])
    apart = abs(value - guess) / (sqrt(u**2 + guess_u**2) or 1e-300)
    agrees = "agrees with" if apart <= AGREES else "does not agree with"
    return (
        f"{component} in {name}: {percent(guess)} ± {percent(guess_u)} was expected; that {agrees} the "
        f"measured {percent(value)} ± {percent(u)}, which alone was used"
    )


def _same_sample(name: str, document: WeighUp) -> list[str]:
    """One number on two bags, or one sample twice."""
    notes = []
    own = [
        each.sample for each in document.streams[name].compositions if each.sample and each.way != "expected"
    ]
    for sample in dict.fromkeys(own):
        if own.count(sample) > 1:
            notes.append(
                f"{name}: sample {sample} was examined {own.count(sample)} times; what went wrong when it "
                "was taken is in all of them, so together they say less than it seems"
            )
        elsewhere = [
            other
            for other, stream in document.streams.items()
            if other != name and any(each.sample == sample for each in stream.compositions)
        ]
        if elsewhere:
            notes.append(f"sample {sample} is given for {name} and for {listed(elsewhere)}; which is it of?")
    return notes
