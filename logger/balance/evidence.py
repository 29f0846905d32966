"""What each stream is known by, the measured figures that follow, and their balance."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt

import numpy as np

from logger.balance.composition import composition
from logger.balance.document import WeighUp
from logger.balance.faults import WeighUpError, check
from logger.balance.inputs import Array, Inputs, Term, covariance, evaluate
from logger.balance.masses import Measured, wet_mass
from logger.balance.moisture import moisture
from logger.balance.network import Network, NetworkError, network
from logger.balance.reconcile import Contradiction, Reconciled, reconcile
from logger.balance.result import How
from logger.balance.suspects import Given

NOTHING_KNOWN = 1.0 / sqrt(12.0)
"""Standard uncertainty of a grade of which nothing is known: rectangular from 0 to 1."""


@dataclass(frozen=True, slots=True)
class Evidence:
    """What is known of a stream by itself. ``dry``: the term of its dry mass."""

    wet: Measured | None
    moisture: Measured
    dry: Term | None
    grades: dict[str, Measured]


@dataclass(frozen=True, slots=True)
class Figures:
    """The measured figures of a balance: which variables they are, and their terms in that order."""

    measured: Array
    terms: list[Term]


@dataclass(frozen=True, slots=True)
class Assembled:
    """A weigh-up put together: what it was made of, and its balance."""

    document: WeighUp
    net: Network
    inputs: Inputs
    evidence: dict[str, Evidence]
    figures: Figures
    given: Given
    found: Reconciled


def assemble(document: WeighUp) -> Assembled:
    """Evidence, measured figures and balance of a document. WeighUpError, with every fault."""
    check(document)
    inputs = Inputs()
    try:
        net = network(document)
        evidence = gather_evidence(document, net, inputs)
        figures, given, found = balanced(document, net, evidence, inputs)
    except (NetworkError, Contradiction) as error:
        raise WeighUpError([str(error)]) from None
    return Assembled(document, net, inputs, evidence, figures, given, found)


def gather_evidence(document: WeighUp, net: Network, inputs: Inputs) -> dict[str, Evidence]:
    """Every stream's evidence; all faults at once."""
    found: dict[str, Evidence] = {}
    faults: list[str] = []
    for name in net.streams:
        stream = document.streams.get(name)
        if stream is None:
            continue
        try:
            wet = wet_mass(name, stream, document, inputs)
            water = moisture(name, stream, document, inputs)
            grades = composition(name, stream, document, inputs)
        except WeighUpError as error:
            faults += error.faults
            continue
        found[name] = Evidence(wet, water, None if wet is None else _dry(wet.term, water.term), grades)
    if faults:
        raise WeighUpError(faults)
    return found


def _dry(wet: Term, water: Term) -> Term:
    return lambda z: wet(z) * (1.0 - water(z))


def balanced(
    document: WeighUp, net: Network, evidence: dict[str, Evidence], inputs: Inputs
) -> tuple[Figures, Given, Reconciled]:
    """Balance what was measured; take an expectation only where a figure would be left open without it.

    Open is what is not determinable, and what follows less surely than if nothing were known of it. Products
    come first: what the feed held then follows, and is expected only where it still does not.
    """
    expected: frozenset[tuple[int, str]] = frozenset()
    figures = _figures(document, net, evidence, expected)
    given = _given(document, net, figures, inputs)
    found = _reconcile(given)
    for streams in ([s for s in range(len(net.streams)) if s not in net.sources], net.sources):
        more = _open(document, net, evidence, found, streams) - expected
        if more:
            expected |= more
            figures = _figures(document, net, evidence, expected)
            given = _given(document, net, figures, inputs)
            found = _reconcile(given)
    return figures, given, found


def _open(
    document: WeighUp, net: Network, evidence: dict[str, Evidence], found: Reconciled, streams: Sequence[int]
) -> frozenset[tuple[int, str]]:
    """Grades of these streams that are open, and of which something is expected."""
    return frozenset(
        (s, c)
        for s in streams
        for k, c in enumerate(document.components)
        if net.streams[s] in evidence
        and c in evidence[net.streams[s]].grades
        and _is_open(found, net.column(s, k, len(document.components)))
    )


def _is_open(found: Reconciled, column: int) -> bool:
    """Whether a grade is not determinable, or known less than if nothing was: anything from 0 to 1."""
    return not found.known[column] or float(found.cov[column, column]) > NOTHING_KNOWN**2


def _figures(
    document: WeighUp, net: Network, evidence: dict[str, Evidence], expected: frozenset[tuple[int, str]]
) -> Figures:
    """Masses, then grades stream by stream; of expectations only those that are ``expected``."""
    count = len(document.components)
    measured = np.zeros(len(net.streams) * (1 + count), dtype=bool)
    terms: list[Term] = []
    for s, name in enumerate(net.streams):
        dry = evidence[name].dry if name in evidence else None
        if dry is not None:
            measured[s] = True
            terms.append(dry)
    for s, name in enumerate(net.streams):
        grades = evidence[name].grades if name in evidence else {}
        for k, component in enumerate(document.components):
            one = grades.get(component)
            if one is None or (one.how is How.ESTIMATED and (s, component) not in expected):
                continue
            measured[net.column(s, k, count)] = True
            terms.append(one.term)
    return Figures(measured, terms)


def _given(document: WeighUp, net: Network, figures: Figures, inputs: Inputs) -> Given:
    return Given(
        evaluate(figures.terms, inputs.values),
        covariance(figures.terms, inputs),
        figures.measured,
        net,
        document.components,
        document.complete and bool(document.components),
    )


def _reconcile(given: Given) -> Reconciled:
    return reconcile(
        given.y,
        given.v,
        given.measured,
        given.network,
        len(given.components),
        complete=given.complete,
        names=given.components,
    )
