"""Water in a stream, as a share of its wet mass, whichever way it was found; what it means not to know it.

On the wet basis w = water / wet mass, on the dry basis r = water / dry mass; w = r / (1 + r).
"""

from __future__ import annotations

from decimal import Decimal
from math import sqrt

import numpy as np

from logger.balance.document import Moisture, Scale, Stream, WeighUp
from logger.balance.inputs import Array, Input, Inputs, Term
from logger.balance.masses import Measured
from logger.balance.result import How
from logger.balance.scales import calibration, reading, scale_of
from logger.balance.words import mass, percent
from logger.core.units import kg_to

ASSUMED_RELATIVE = 0.1
ASSUMED_LEAST = 0.002
"""Standard uncertainty of a moisture that was given without one: a tenth of it, but at least 0.2 points.
Assumed: common practice, no source."""


def moisture(name: str, stream: Stream, document: WeighUp, inputs: Inputs) -> Measured:
    """The stream's water / wet mass.

    Not known: anything from 0 to the document's ``most_moisture`` (rectangular), estimated, with a note of
    what that does. WeighUpError where it was weighed on a scale that nothing is known of.
    """
    if stream.dry:
        return Measured(_none, How.WEIGHED)
    if stream.moisture is None:
        return _unknown(name, stream, document, inputs)
    if stream.moisture.share is not None:
        return _said(name, stream.moisture, stream.moisture.share, inputs)
    return _weighed(name, stream.moisture, document, inputs)


def _none(z: Array) -> Array:
    return np.zeros(z.shape[:-1], dtype=z.dtype)


def _unknown(name: str, stream: Stream, document: WeighUp, inputs: Inputs) -> Measured:
    most = document.most_moisture
    middle, u = 0.5 * most, 0.5 * most / sqrt(3.0)
    water = inputs.add(Input(f"moisture of {name}", middle, u, "rectangular", estimated=True))
    notes: tuple[str, ...] = ()
    if stream.net is not None or stream.containers:
        if most == 0.0:
            says = 'it was taken as dry, since "most_moisture" is 0'
        else:
            says = (
                f"anything from 0 to {percent(most)} was allowed for. That alone makes the dry mass "
                f"uncertain by {percent(u / (1.0 - middle))} (standard uncertainty); a moisture sample would "
                "take that away"
            )
        notes = (f"the moisture of {name} is not known: {says}",)
    return Measured(water, How.ESTIMATED, notes)


def _said(name: str, said: Moisture, share: float, inputs: Inputs) -> Measured:
    notes: tuple[str, ...] = ()
    u = said.u
    if u is None:
        u = max(ASSUMED_RELATIVE * share, ASSUMED_LEAST)
        notes = (
            f"the moisture of {name} came without an uncertainty; {percent(u)} was assumed (a tenth of it, "
            f"but at least {percent(ASSUMED_LEAST)})",
        )
    elif u == 0.0:
        notes = (f"the moisture of {name} was given with an uncertainty of 0 and is taken as exact",)
    water = inputs.add(Input(f"moisture of {name}", share, u))
    if said.basis == "wet":
        return Measured(water, How.ASSAYED, notes)
    return Measured(lambda z: water(z) / (1.0 + water(z)), How.ASSAYED, notes)


def _weighed(name: str, said: Moisture, document: WeighUp, inputs: Inputs) -> Measured:
    """(wet - dried) / (wet - pan): the scale's calibration error cancels, each reading's own does not."""
    assert said.pan_wet is not None and said.pan_dry is not None  # noqa: S101, PT018 - the document sees to it
    pan_kg = said.pan or 0.0
    if said.scale is None:
        step = shown_step_kg((pan_kg, said.pan_wet, said.pan_dry), document.units)
        scale = Scale(resolution=step)
        notes: tuple[str, ...] = (
            f"the moisture of {name}: nothing is known of the scale; its step was taken from the figures' "
            f"last digit, {mass(step, document.units)}",
        )
    else:
        place = f"streams.{name}.moisture.scale"
        scale = scale_of(said.scale, place, document)
        notes = calibration(said.scale, place, document).notes
    pan = reading(f"pan of the moisture of {name}", pan_kg, scale, inputs)
    wet = reading(f"wet sample of the moisture of {name}", said.pan_wet, scale, inputs)
    dried = reading(f"dried sample of the moisture of {name}", said.pan_dry, scale, inputs)
    term: Term = lambda z: (wet(z) - dried(z)) / (wet(z) - pan(z))  # noqa: E731
    return Measured(term, How.WEIGHED, notes)


def shown_step_kg(shown_kg: tuple[float, ...], unit: str) -> float:
    """The step of a display that showed all of these, in kg, by their last decimal (six at most)."""
    places = [
        max(0, -int(Decimal(repr(round(kg_to(each, unit), 6))).normalize().as_tuple().exponent))
        for each in shown_kg
    ]
    return 10.0 ** -max(places) / kg_to(1.0, unit)
