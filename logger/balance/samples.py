"""What one sample says of a stream's composition: terms of its shares, and how much it should weigh.

A hand sort finds masses m_c of the components. What it tells of the stream depends on how many grains there
were: component c counts in lumps of s_c = w_c·(1 + CV²), w_c the mean mass of its grains, so that a share's
variance is [(1-p)²·Σ_c m·s + p²·Σ_others m·s] / M², the sampling variance of a ratio. With Gy's grain mass
f·g·d³·ρ_c in place of s_c that is his fundamental error. Each component is an input that was counted in such
lumps, G_c, and the share is G_c / ΣG. A count is the same with pieces in place of lumps.
"""

from __future__ import annotations

from collections.abc import Mapping

from logger.balance.assays import assayed
from logger.balance.document import Composition
from logger.balance.faults import WeighUpError
from logger.balance.inputs import Input, Inputs, Term
from logger.balance.result import How
from logger.balance.sample import Said, Where, unused, water_share
from logger.balance.sampling import Grains
from logger.balance.scales import reading_u_kg, scale_of
from logger.balance.tares import tare_kg
from logger.balance.words import listed, mass

ASSUMED_PIECES = 100
"""Grains of a hand-sorted sample of which nobody said how many they were. Assumed, on the cautious side."""


def said(one: Composition, where: Where, inputs: Inputs) -> Said:
    """What one composition says. WeighUpError, with its place, for what can't be."""
    _known(one, where)
    if one.way == "counted":
        return _counted(one, where, inputs)
    if one.way == "sorted":
        return _sorted(one, where, inputs)
    return assayed(one, where, inputs)


# ------------------------------------------------------------------ by hand


def _counted(one: Composition, where: Where, inputs: Inputs) -> Said:
    assert one.counted is not None  # noqa: S101 - for the types
    found, notes = _everything(one, {name: float(n) for name, n in one.counted.items()}, where)
    if isinstance(one.density, Mapping):
        each, said = _densities(one, list(found), where)
        notes += said
    else:
        each = dict.fromkeys(found, 1.0)
        notes.append(
            f"{where.label(one)}: pieces of all components were taken to weigh the same on the average; if "
            "not, give the density of each, or weigh what was picked out"
        )
    lumps = {name: (n * each[name], each[name]) for name, n in found.items()}
    notes += unused(one, ("u", "basis", "size", "pieces", "scale"), where)
    return _of_lumps(one, where, lumps, {}, How.COUNTED, notes, inputs)


def _sorted(one: Composition, where: Where, inputs: Inputs) -> Said:
    assert one.sorted is not None  # noqa: S101 - for the types
    found, notes = _everything(one, dict(one.sorted), where)
    lump, said = _lump_kg(one, found, where)
    notes += said
    left, said = _left_of_stream(one, found, where)
    notes += said
    if left <= 0.0:
        notes.append(f"{where.label(one)}: all of the stream was sorted, so no error of sampling is left")
    part = max(left, 1e-6)
    lumps = {name: (kg, lump[name] * part) for name, kg in found.items()}
    rounding = {}
    if one.scale is not None:
        u = reading_u_kg(scale_of(one.scale, f"{where.place}.scale", where.document))
        rounding = {name: u for name, kg in found.items() if kg > 0.0 and u > 0.0}
    notes += unused(one, ("u", "basis"), where)
    return _of_lumps(one, where, lumps, rounding, How.SORTED, notes, inputs)


def _of_lumps(  # noqa: PLR0917
    one: Composition,
    where: Where,
    lumps: dict[str, tuple[float, float]],
    rounding: dict[str, float],
    how: How,
    notes: list[str],
    inputs: Inputs,
) -> Said:
    """Shares G_c / ΣG. ``lumps``: of each component its mass and the mass of a lump, in any one unit."""
    label = where.label(one)
    amounts: dict[str, Term] = {}
    for name, (kg, each) in lumps.items():
        amount = inputs.add(Input.counted(f"{label}: {name}", kg / each, each))
        if name in rounding:
            amount = _sum(amount, inputs.add(Input(f"{label}: {name}, as weighed", 0.0, rounding[name])))
        amounts[name] = amount
    everything = list(amounts.values())

    def share(amount: Term) -> Term:
        return lambda z: amount(z) / sum(each(z) for each in everything)

    total = sum(kg for kg, _ in lumps.values())
    spread = {
        name: kg * each + 0.5 * each**2 + rounding.get(name, 0.0) ** 2 for name, (kg, each) in lumps.items()
    }
    whole = sum(spread.values())
    values = {name: kg / total for name, (kg, _) in lumps.items()}
    variances = {
        name: ((1.0 - p) ** 2 * spread[name] + p**2 * (whole - spread[name])) / total**2
        for name, p in values.items()
    }
    mean = sum(kg * each for kg, each in lumps.values()) / total**2
    shares = {name: share(amount) for name, amount in amounts.items()}
    return Said(label, how, shares, values, variances, mean, tuple(notes))


def _sum(a: Term, b: Term) -> Term:
    return lambda z: a(z) + b(z)


def _everything(
    one: Composition, found: dict[str, float], where: Where
) -> tuple[dict[str, float], list[str]]:
    """What was found, with 0 for components of a complete list that are not named. One alone is refused."""
    document = where.document
    if len(found) == 1 and len(document.components) > 1:
        only = next(iter(found))
        raise WeighUpError(
            [
                f'{where.place}.{one.way}: only "{only}" is named, which would make it 100 % of the sample; '
                "say what else there was, with 0 for what was looked for and not found"
            ]
        )
    missing = [name for name in document.components if name not in found]
    if not (missing and document.complete):
        return found, []
    note = (
        f"{where.label(one)}: {listed(missing)} is not named, and was taken as looked for and not found; if "
        "it is in another portion, the figures are wrong by that"
    )
    return found | dict.fromkeys(missing, 0.0), [note]


def _lump_kg(one: Composition, found: dict[str, float], where: Where) -> tuple[dict[str, float], list[str]]:
    """The effective mass of one lump of each component, by the number of grains, by Gy, or assumed."""
    total = sum(found.values())
    notes: list[str] = []
    densities = None
    if one.density is not None:
        densities, notes = _densities(one, list(found), where)
    by_size = None
    if one.size is not None and densities is not None:
        grains = Grains(one.size)
        by_size = {name: grains.grain_kg(rho) for name, rho in densities.items()}
    elif one.size is not None:
        notes.append(
            f"{where.label(one)}: a size without a density says nothing of the grains' mass; left aside"
        )
    if one.pieces is None and by_size is not None:
        return by_size, notes
    pieces = one.pieces
    if pieces is None:
        pieces = ASSUMED_PIECES
        notes.append(
            f"{where.label(one)}: how many grains it had is not known; {ASSUMED_PIECES} were assumed (give "
            '"pieces", or "size" and "density")'
        )
    relative = densities or dict.fromkeys(found, 1.0)
    volume = sum(kg / relative[name] for name, kg in found.items())
    by_count = {name: (1.0 + one.cv**2) * relative[name] * volume / pieces for name in found}
    if by_size is None:
        return by_count, notes
    counted, gy = (sum(kg * each[name] for name, kg in found.items()) / total for each in (by_count, by_size))
    return (by_size if gy > counted else by_count), notes


def _densities(one: Composition, names: list[str], where: Where) -> tuple[dict[str, float], list[str]]:
    """Density of each component; where some are missing the mean of the others, said in a note."""
    if isinstance(one.density, float):
        return dict.fromkeys(names, one.density), []
    given = {name: rho for name, rho in (one.density or {}).items() if name in names}
    if not given:
        raise WeighUpError(
            [f"{where.place}.density: of none of the components it names; give one each, or one for all"]
        )
    mean = sum(given.values()) / len(given)
    missing = [name for name in names if name not in given]
    if not missing:
        return given, []
    note = (
        f"{where.label(one)}: the density of {listed(missing)} is not given; {mean:.3g} g/cm³ was taken, the "
        "mean of the others"
    )
    return given | dict.fromkeys(missing, mean), [note]


def _left_of_stream(one: Composition, found: dict[str, float], where: Where) -> tuple[float, list[str]]:
    """The part of the stream's dry mass that was *not* in the sample; 1 where its mass isn't known."""
    stream = where.stream
    gross = sum(each.gross - tare_kg(each, where.place, where.document) for each in stream.containers)
    wet = gross if stream.containers else stream.net
    if not wet:
        return 1.0, []
    water = 0.0 if stream.dry or stream.moisture is None else water_share(where)
    dry, sample = wet * (1.0 - water), sum(found.values())
    if sample > 1.05 * wet:
        unit = where.document.units
        return 1.0, [
            f"{where.label(one)}: the sample weighs {mass(sample, unit)}, more than the stream it is from "
            f"({mass(wet, unit)}). Is its unit right, or the stream's mass?"
        ]
    return max(1.0 - sample / dry, 0.0), []


# ------------------------------------------------------------------ what can't be


def _known(one: Composition, where: Where) -> None:
    """WeighUpError for a component that is not in the list."""
    known = where.document.components
    named = getattr(one, one.way)
    faults = [
        f'{where.place}.{one.way}: there is no component "{name}"; there is {", ".join(known) or "none"}'
        for name in named
        if name not in known
    ]
    if faults:
        raise WeighUpError(faults)
