"""The wet net mass of a stream: as a whole, or of its containers, each with gross and tare.

Everything read off on one scale shares its calibration error; containers of a kind whose tare was weighed
once share that tare. What can't be (a tare above the gross) is refused, with its place.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

import numpy as np

from logger.balance.document import Container, Stream, Tare, WeighUp
from logger.balance.faults import WeighUpError
from logger.balance.inputs import Array, Input, Inputs, Term
from logger.balance.result import How
from logger.balance.scales import calibrated, reading, reading_u_kg, scale_of
from logger.balance.tares import questions, tare_kg
from logger.balance.words import mass, percent

ASSUMED_MASS = 0.005
"""Relative standard uncertainty of a mass of which neither it nor the scale is known. Assumed, no source."""


_NOTHING: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Measured:
    """A figure of a stream before the balance: its term, how it is known, and what must be said of it."""

    term: Term
    how: How
    notes: tuple[str, ...] = ()


def wet_mass(name: str, stream: Stream, document: WeighUp, inputs: Inputs) -> Measured | None:
    """The wet net mass of the stream in kg; None where it wasn't weighed.

    WeighUpError, with every fault and its place, for a tare above the gross, or a scale or kind of container
    that nothing is known of.
    """
    if stream.containers:
        return _of_containers(name, stream, document, inputs)
    if stream.net is None:
        return None
    term, notes = _of_net(name, stream, stream.net, document, inputs)
    return Measured(term, How.WEIGHED, notes)


def _of_net(
    name: str, stream: Stream, net: float, document: WeighUp, inputs: Inputs
) -> tuple[Term, tuple[str, ...]]:
    label = f"net of {name}"
    if stream.scale is None:
        u, notes = stream.u, _NOTHING
        if u is None:
            u, notes = ASSUMED_MASS * net, (_assumed(f"the net of {name}"),)
        elif u == 0.0 and net > 0.0:
            notes = (f"the net of {name} was given with an uncertainty of 0 and is taken as exact",)
        return inputs.add(Input(label, net, u)), notes
    place = f"streams.{name}.scale"
    factor, notes = calibrated(stream.scale, place, document, inputs)
    u = stream.u
    if u is None:  # a difference of two readings
        u = sqrt(2.0) * reading_u_kg(scale_of(stream.scale, place, document))
    load = inputs.add(Input(label, net, u))
    return lambda z: load(z) * factor(z), notes


def _of_containers(name: str, stream: Stream, document: WeighUp, inputs: Inputs) -> Measured:
    faults: list[str] = []
    nets: list[Term] = []
    notes: list[str] = []
    for k, each in enumerate(stream.containers):
        try:
            term, said = _of_container(name, k, each, stream, document, inputs)
        except WeighUpError as error:
            faults += error.faults
            continue
        nets.append(term)
        notes += said
    if faults:
        raise WeighUpError(faults)

    def total(z: Array) -> Array:
        return np.asarray(sum(net(z) for net in nets))

    if stream.u is not None:
        notes.append(
            f"{name}: its uncertainty follows from its containers; the one that was given is left aside"
        )
    notes += questions(name, stream, document)
    return Measured(total, How.WEIGHED, tuple(dict.fromkeys(notes)))


def _of_container(  # noqa: PLR0917
    name: str, k: int, each: Container, stream: Stream, document: WeighUp, inputs: Inputs
) -> tuple[Term, list[str]]:
    """Net of one container: (gross - tare) of one scale, times its calibration."""
    place = f"streams.{name}.containers.{k}"
    tare = tare_kg(each, place, document)
    if tare > each.gross:
        raise WeighUpError([_above(place, each, tare, document.units)])
    label = f"container {k + 1} of {name}" + (f" ({each.container})" if each.container else "")
    scale_name = each.scale or stream.scale
    if scale_name is None:
        gross: Term = _constant(each.gross)
        factor: Term = _shared_assumption(name, inputs)
        notes = [_assumed(f"what was weighed of {name}")]
    else:
        at = f"{place}.scale" if each.scale else f"streams.{name}.scale"
        gross = reading(f"gross of {label}", each.gross, scale_of(scale_name, at, document), inputs)
        factor, said = calibrated(scale_name, at, document, inputs)
        notes = list(said)
    empty, said = _tare_term(label, each, tare, scale_name, document, inputs)
    return (lambda z: (gross(z) - empty(z)) * factor(z)), [*notes, *said]


def _tare_term(  # noqa: PLR0917
    label: str, each: Container, tare: float, scale_name: str | None, document: WeighUp, inputs: Inputs
) -> tuple[Term, tuple[str, ...]]:
    """The container's own mass: read off for itself, or of a kind that was weighed once."""
    if isinstance(each.tare, str):
        return _of_kind(label, each.tare, document.tares[each.tare], document, inputs)
    if scale_name is None:
        return _constant(tare), ()
    return reading(f"tare of {label}", tare, document.scales[scale_name], inputs), ()


def _of_kind(
    label: str, kind: str, tare: Tare, document: WeighUp, inputs: Inputs
) -> tuple[Term, tuple[str, ...]]:
    """One of a kind. The one that was weighed deviates from the kind's mean as each of them does: that
    deviation is shared by all, and each has its own besides."""
    steps = [reading_u_kg(document.scales[each]) for each in _scales_with(kind, document)]
    by_reading = max(steps) if steps else ASSUMED_MASS * tare.mass
    spread = tare.u or 0.0
    shared = inputs.add(Input(f'tare of "{kind}"', tare.mass, sqrt(by_reading**2 + spread**2)))
    notes: tuple[str, ...] = ()
    if tare.u is None:
        notes = (
            f'how much single containers of the kind "{kind}" vary is not known; they were taken as alike '
            f'(give "u" of the tare)',
        )
    if not spread:
        return shared, notes
    own = inputs.add(Input(f"tare of {label}, its own deviation", 0.0, spread))
    return (lambda z: shared(z) + own(z)), notes


def _scales_with(kind: str, document: WeighUp) -> list[str]:
    """The scales on which containers of that kind were weighed."""
    return [
        scale
        for stream in document.streams.values()
        for each in stream.containers
        if each.tare == kind and (scale := each.scale or stream.scale) in document.scales
    ]


def _shared_assumption(name: str, inputs: Inputs) -> Term:
    """Nothing is known of the scale: one assumed error for all containers of the stream."""
    error = inputs.add(Input(f"unknown scale of {name}", 0.0, ASSUMED_MASS))
    return lambda z: 1.0 + error(z)


def _constant(value: float) -> Term:
    return lambda z: np.full(z.shape[:-1], value, dtype=z.dtype)


def _assumed(what: str) -> str:
    return (
        f"{what}: neither its uncertainty nor the scale is known; a standard uncertainty of "
        f"{percent(ASSUMED_MASS)} was assumed"
    )


def _above(place: str, each: Container, tare: float, unit: str) -> str:
    kind = f' of the kind "{each.tare}"' if isinstance(each.tare, str) else ""
    return (
        f"{place}: the tare{kind}, {mass(tare, unit)}, is above the gross, {mass(each.gross, unit)}, which "
        "would make a negative net; are they swapped, or is the gross already a net (then its tare is 0)?"
    )
