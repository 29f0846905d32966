"""What a scale adds to the uncertainty of what was weighed on it.

A reading carries its own rounding (a step d: rectangular, d/√12; JCGM 100, F.2.2.1) and its own scatter.
All readings of one scale share its calibration error, which is taken as proportional to the load: one input
for each scale, so that whatever was weighed on it is correlated as it should be. How large that error may be
comes from the check weights that were put on; else from the limit of its class in service; else it is
assumed, and a note says so. A known error is not corrected: figures stay as they were read,
and its square is added to the variance.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

import numpy as np

from logger.balance.checks import latest, limit_kg, student
from logger.balance.document import CheckWeight, Scale, WeighUp
from logger.balance.faults import WeighUpError
from logger.balance.inputs import Array, Input, Inputs, Shape, Term
from logger.balance.limits import beyond_class, oiml_limit_kg
from logger.balance.words import mass, percent

ASSUMED_CALIBRATION = 0.002
"""Half width of the relative calibration error of a scale of which nothing is known. Assumed, no source."""
RECENT = 10
"""So many of the latest checks count."""


@dataclass(frozen=True, slots=True)
class Calibration:
    """The relative calibration error of a scale: standard uncertainty, shape, where it comes from."""

    u: float
    shape: Shape
    notes: tuple[str, ...]


def scale_of(name: str, place: str, document: WeighUp) -> Scale:
    """The scale of that name. WeighUpError, with the place, where there is none."""
    scale = document.scales.get(name)
    if scale is None:
        known = ", ".join(document.scales) or "none"
        raise WeighUpError([f'{place}: there is no scale "{name}"; there is {known}'])
    return scale


def reading(label: str, shown_kg: float, scale: Scale, inputs: Inputs) -> Term:
    """One reading-off in kg, with its rounding and repeatability; the calibration is not in it."""
    step = scale.resolution / sqrt(12.0)
    if not scale.repeatability:
        return inputs.add(Input(label, shown_kg, step, "rectangular"))
    load = inputs.add(Input(label, shown_kg, scale.repeatability))
    rounding = inputs.add(Input(f"{label}, rounding", 0.0, step, "rectangular"))
    return lambda z: load(z) + rounding(z)


def reading_u_kg(scale: Scale) -> float:
    """Standard uncertainty of one reading without the calibration error, in kg."""
    return sqrt(scale.resolution**2 / 12.0 + (scale.repeatability or 0.0) ** 2)


def calibrated(name: str, place: str, document: WeighUp, inputs: Inputs) -> tuple[Term, tuple[str, ...]]:
    """Load / reading of the scale, the same for all that was weighed on it: 1, with its uncertainty."""
    known = calibration(name, place, document)
    error = inputs.add(Input(f'calibration of scale "{name}"', 0.0, known.u, known.shape))

    def factor(z: Array) -> Array:
        return np.asarray(1.0 + error(z))

    return factor, known.notes


def calibration(name: str, place: str, document: WeighUp) -> Calibration:
    """How well the scale's sensitivity is known, and the notes on what that rests on."""
    scale = scale_of(name, place, document)
    unknown_spread = (
        ()
        if scale.repeatability or scale.resolution == 0.0
        else (
            f'scale "{name}": how well it repeats is not known; of single readings only its step '
            f"({mass(scale.resolution, document.units)}) counts",
        )
    )
    exact = (f'scale "{name}": a step of 0 was given; its readings are taken as not rounded',)
    notes = unknown_spread if scale.resolution > 0.0 else exact
    checks = [each for each in scale.checks if each.nominal > 0.0]
    if checks:
        u, says = _by_checks(checks, scale)
        return Calibration(u, "normal", (*notes, *(f'scale "{name}": {each}' for each in says)))
    load = greatest_load_kg(name, document)
    interval = scale.verification_interval or scale.resolution
    if scale.accuracy_class is not None and interval > 0.0 and load > 0.0:
        limit = oiml_limit_kg(load, interval, scale.accuracy_class)
        said = (
            f'scale "{name}": no check weight is known; its calibration may be off by what class '
            f"{scale.accuracy_class} allows in service ({mass(limit, document.units)} at "
            f"{mass(load, document.units)}, OIML R 76-1)"
        )
        over = (
            (f'scale "{name}": {mass(load, document.units)} is more than its class and step allow for',)
            if beyond_class(load, interval, scale.accuracy_class)
            else ()
        )
        return Calibration(limit / load / sqrt(3.0), "rectangular", (*notes, said, *over))
    if scale.tolerance and load > 0.0:
        said = (
            f'scale "{name}": no check weight is known; its calibration may be off by the bay\'s own '
            f"tolerance ({mass(scale.tolerance, document.units)} at {mass(load, document.units)})"
        )
        return Calibration(scale.tolerance / load / sqrt(3.0), "rectangular", (*notes, said))
    said = (
        f'scale "{name}": neither check weights nor a class are known; its calibration was assumed to be '
        f"within {percent(ASSUMED_CALIBRATION)} of the load"
    )
    return Calibration(ASSUMED_CALIBRATION / sqrt(3.0), "rectangular", (*notes, said))


def _by_checks(checks: list[CheckWeight], scale: Scale) -> tuple[float, list[str]]:
    """Relative standard uncertainty of the calibration from check weights, and what it rests on.

    The mean error counts in full (it is not corrected), with the scatter of the errors about it, what the
    readings leave open, and the weights' own uncertainty (the same weight each time, so not averaged).
    """
    dated = sorted((each for each in checks if each.at is not None), key=lambda each: each.at or 0)
    recent = ([each for each in checks if each.at is None] + dated)[-RECENT:]
    errors = [(each.shown - each.nominal) / each.nominal for each in recent]
    own = [max(reading_u_kg(scale) / each.nominal, 1e-9) for each in recent]
    weights = [1.0 / u**2 for u in own]
    mean = sum(w * error for w, error in zip(weights, errors, strict=True)) / sum(weights)
    of_mean = 1.0 / sqrt(sum(weights))
    weight = max(each.u_nominal / each.nominal for each in recent)
    scatter = 0.0
    if len(recent) > 1:
        about = sqrt(sum((error - mean) ** 2 for error in errors) / (len(recent) - 1))
        by_reading = sqrt(sum(u**2 for u in own) / len(own))
        # few checks say little of the scatter: Student's t makes up for it
        extra = max(about**2 - by_reading**2, 0.0) * (student(len(recent) - 1) / 1.96) ** 2
        scatter = sqrt(extra)
    u = sqrt(mean**2 + of_mean**2 + weight**2 + scatter**2)
    says = []
    if abs(mean) > 2.0 * sqrt(of_mean**2 + weight**2 + scatter**2):
        way = "too much" if mean > 0 else "too little"
        says.append(
            f"by its check weights it shows {percent(abs(mean))} {way}; the figures were not corrected for "
            "it, it counts as uncertainty"
        )
    last = latest(scale)
    limit = None if last is None else limit_kg(scale, last.nominal)[0]
    if last is not None and limit is not None and abs(last.shown - last.nominal) > limit * (1 + 1e-9) + 1e-12:
        says.append("its last check failed; all that was weighed on it is as doubtful as that")
    return u, says


def greatest_load_kg(name: str, document: WeighUp) -> float:
    """The greatest load that was put on the scale in this weigh-up, in kg; 0 where none was."""
    loads = [0.0]
    for stream in document.streams.values():
        if stream.scale == name:
            loads.append(stream.net or 0.0)
            loads += [each.gross for each in stream.containers if each.scale is None]
        loads += [each.gross for each in stream.containers if each.scale == name]
        water = stream.moisture
        if water is not None and water.scale == name:
            loads += [water.pan_wet or 0.0]
    return max(loads)
