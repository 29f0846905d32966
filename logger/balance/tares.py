"""Tares that were probably miscounted: noticed, and asked about. Nothing is changed by it.

The rules are common practice, without a source: they look for what a hand and a pencil do wrong. A tare left
in makes a net too great by one tare; one taken off twice, too small by one.
"""

from __future__ import annotations

from dataclasses import dataclass
from statistics import median

from logger.balance.document import Container, Stream, WeighUp
from logger.balance.faults import WeighUpError
from logger.balance.words import listed, mass

MOST_TARES = 3
NEAR_A_TARE = 0.08  # of a tare: so near must a deviation come to a whole number of them
EVEN = 0.25  # of a tare: siblings must agree so well that a whole tare stands out
FAR_OFF = 0.25  # of the usual tare


@dataclass(frozen=True, slots=True)
class _Weighed:
    k: int
    label: str
    gross: float
    tare: float

    @property
    def net(self) -> float:
        return self.gross - self.tare


def tare_kg(each: Container, place: str, document: WeighUp) -> float:
    """The tare of a container in kg, typed or of its kind. WeighUpError where its kind is not known."""
    if not isinstance(each.tare, str):
        return each.tare
    kind = document.tares.get(each.tare)
    if kind is None:
        known = ", ".join(document.tares) or "none"
        raise WeighUpError(
            [f'{place}.tare: there is no kind of container "{each.tare}"; there is {known}; or give a mass']
        )
    return kind.mass


def questions(name: str, stream: Stream, document: WeighUp) -> tuple[str, ...]:
    """What to ask about the tares of a stream's containers, each with its evidence; none where all is well.

    Asks where a container has no tare though others have; where a tare is far off from those of the others;
    where a net is off from all the others by close to one tare, or a whole number of them.
    """
    weighed = [
        _Weighed(k, each.container or f"container {k + 1}", each.gross, tare_kg(each, "", document))
        for k, each in enumerate(stream.containers)
    ]
    unit = document.units
    others = [tare_kg(each, "", document) for one in document.streams.values() for each in one.containers]
    usual = [tare for tare in [*others, *(kind.mass for kind in document.tares.values())] if tare > 0.0]
    missing = [each for each in weighed if each.tare == 0.0 and each.gross > 0.0]
    asked = []
    if missing and usual:
        asked.append(_without(name, missing, median(usual), unit))
    asked += _far_off(name, [each for each in weighed if each.tare > 0.0], unit)
    asked += _whole_tares(name, weighed, missing if asked else [], unit)
    return tuple(asked)


def _without(name: str, missing: list[_Weighed], usual: float, unit: str) -> str:
    which = listed([f"{each.label} ({mass(each.gross, unit)})" for each in missing])
    return (
        f"{name}: {which} has no tare, where others have {mass(usual, unit)}. Was the container's mass "
        "already taken off at the scale, or is it still in there?"
    )


def _far_off(name: str, weighed: list[_Weighed], unit: str) -> list[str]:
    """A tare unlike the others, where at least two others agree."""
    asked = []
    for each in weighed:
        rest = [one.tare for one in weighed if one.k != each.k]
        if len(rest) < 2:
            continue
        usual = median(rest)
        if max(abs(one - usual) for one in rest) > 0.5 * FAR_OFF * usual:
            continue
        if abs(each.tare - usual) > FAR_OFF * usual:
            asked.append(
                f"{name}: the tare of {each.label} is {mass(each.tare, unit)}, where the others have "
                f"{mass(usual, unit)}. Is it another kind of container, or {_slip(each.tare / usual)}?"
            )
    return asked


def _slip(times: float) -> str:
    whole = round(times)
    if whole >= 2 and abs(times - whole) < NEAR_A_TARE * whole:
        return f"were {whole} tares taken off"
    return "was it typed wrong"


def _whole_tares(name: str, weighed: list[_Weighed], asked_of: list[_Weighed], unit: str) -> list[str]:
    """A net that is off from its siblings by whole tares, where these agree much better than a tare."""
    asked = []
    tares = [each.tare for each in weighed if each.tare > 0.0]
    for each in weighed:
        rest = [one.net for one in weighed if one.k != each.k]
        if len(rest) < 2 or not tares or each in asked_of:
            continue
        tare, usual = median(tares), median(rest)
        if max(rest) - min(rest) > EVEN * tare:
            continue
        off = each.net - usual
        times = round(abs(off) / tare)
        if 1 <= times <= MOST_TARES and abs(abs(off) - times * tare) <= NEAR_A_TARE * tare + 0.5 * (
            max(rest) - min(rest)
        ):
            asked.append(_by_tares(name, each, usual, times, tare, off > 0, unit))
    return asked


def _by_tares(  # noqa: PLR0917
    name: str, each: _Weighed, usual: float, times: int, tare: float, more: bool, unit: str
) -> str:
    count = "one tare" if times == 1 else f"{times} tares"
    why = "was a tare forgotten" if more else "was a tare taken off twice"
    return (
        f"{name}: the net of {each.label} is {mass(each.net, unit)}, the others have about "
        f"{mass(usual, unit)}: {'more' if more else 'less'} by close to {count} of "
        f"{mass(tare, unit)}. Is that so, or {why}?"
    )
