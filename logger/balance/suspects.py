"""Do the measured figures agree, and if not: which of them is likely wrong?

Of the whole: the weighed sum of squared adjustments against chi-square (the global test). Of each figure:
its adjustment over that adjustment's standard deviation against a normal limit (the measurement test, Mah &
Tamhane 1982, from memory), the limit sharpened for the number of figures looked at (Šidák 1967:
1 - (1 - α)^(1/m)). Then each figure in turn is left out, as if it hadn't been measured: the one without which
the rest agrees is named. Where several would do equally well, that is said instead.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import log
from statistics import NormalDist
from typing import Any

import numpy as np
from numpy.typing import NDArray

from logger.balance.network import Network
from logger.balance.reconcile import Contradiction, Reconciled, chance, reconcile
from logger.balance.result import Suspect, Tests

Array = NDArray[Any]
ALPHA = 0.05
CLEARLY = 2.0 * log(19.0)
"""A figure is named alone where leaving it out lowers the statistic by this much more than leaving out any
other: with equal odds before, it is then 19 times as likely the wrong one (likelihood ratio; 95 to 5)."""


def limit(figures: int, alpha: float = ALPHA) -> float:
    """The limit of the magnitude of z for one of so many figures, two-sided, after Šidák."""
    each = 1.0 - (1.0 - alpha) ** (1.0 / max(figures, 1))
    return NormalDist().inv_cdf(1.0 - 0.5 * each)


@dataclass(frozen=True, slots=True)
class Given:
    """What is reconciled: as in `reconcile`, with the components by name."""

    y: Array
    v: Array
    measured: NDArray[np.bool_]
    network: Network
    components: tuple[str, ...]
    complete: bool


@dataclass(frozen=True, slots=True)
class Without:
    """What is left of the disagreement when a figure (or the grades of a whole sample) is left out."""

    figure: str
    statistic: float
    degrees: int
    lost: int  # degrees of freedom that went with it

    @property
    def p(self) -> float:
        return chance(self.statistic, self.degrees)

    @property
    def score(self) -> float:
        """The statistic, plus what it would have fallen by anyway (its expectation)."""
        return self.statistic + self.lost


def figure_names(network: Network, components: Sequence[str]) -> tuple[str, ...]:
    """Every variable in words, in their order."""
    return (
        *(f"dry mass of {stream}" for stream in network.streams),
        *(f"{component} in {stream}" for stream in network.streams for component in components),
    )


def examine(found: Reconciled, given: Given, alpha: float = ALPHA) -> Tests | None:
    """The tests of a reconciled balance; None where nothing checks anything (no degrees of freedom).

    ``given``: what was reconciled. ``named``: the figures that are likely wrong; several, where it can't be
    told which of them.
    """
    if found.degrees == 0:
        return None
    all_names = figure_names(given.network, given.components)
    names = [name for name, there in zip(all_names, given.measured, strict=True) if there]
    checked = found.adjustment_u > 0.0
    most = limit(int(checked.sum()), alpha)
    suspects = tuple(
        sorted(
            (
                Suspect(name, float(was), float(was + by), float(z), bool(abs(z) > most))
                for name, was, by, z, there in zip(
                    names, given.y, found.adjustments, found.adjustment_z, checked, strict=True
                )
                if there
            ),
            key=lambda one: -abs(one.z),
        )
    )
    if found.p >= alpha:
        return _said(found, True, suspects, (), _agreeing(found, suspects))
    left = [one for name, members in grouped(given) if (one := _without(name, members, found, given))]
    named, says = _verdict(found, left, alpha)
    return _said(found, False, suspects, named, says)


def grouped(given: Given) -> list[tuple[str, list[int]]]:
    """What can be wrong by itself: each figure; the grades of one sample, where they hang together, as one.

    Positions are those among the measured figures.
    """
    at = np.cumsum(given.measured) - 1
    names, streams = figure_names(given.network, given.components), len(given.network.streams)
    groups = [(names[s], [int(at[s])]) for s in range(streams) if given.measured[s]]
    for s, stream in enumerate(given.network.streams):
        first = streams + s * len(given.components)
        members = [k for k in range(first, first + len(given.components)) if given.measured[k]]
        here = [int(at[k]) for k in members]
        if len(here) > 1 and _tied(given.v[np.ix_(here, here)]):
            groups.append((f"the composition of {stream}", here))
        else:
            groups += [(names[k], [int(at[k])]) for k in members]
    return groups


def _tied(block: Array) -> bool:
    """Whether one of these figures follows from the others (parts of one sample sum to one)."""
    own = np.sqrt(np.diag(block))
    if not (own > 0.0).all():
        return False
    return bool(np.linalg.eigvalsh(block / np.outer(own, own))[0] < 1e-9)


def _without(name: str, members: list[int], found: Reconciled, given: Given) -> Without | None:
    """Reconcile anew with some figures left out; None where nothing checks them.

    Figures without uncertainty are tried too: they are the ones that nothing can adjust.
    """
    exact = np.diag(given.v)[members] == 0.0
    if not (exact | (found.adjustment_u[members] > 0.0)).any():
        return None
    measured = given.measured.copy()
    measured[np.flatnonzero(given.measured)[members]] = False
    kept = np.delete(np.arange(len(given.y)), members)
    try:
        rest = reconcile(
            given.y[kept],
            given.v[np.ix_(kept, kept)],
            measured,
            given.network,
            len(given.components),
            complete=given.complete,
            start=found.x,
        )
    except (Contradiction, np.linalg.LinAlgError):
        return None
    lost = found.degrees - rest.degrees
    return Without(name, rest.statistic, rest.degrees, lost) if lost > 0 else None


def _verdict(found: Reconciled, left: list[Without], alpha: float) -> tuple[tuple[str, ...], str]:
    """Which figure stands out, and the sentence."""
    off = (
        f"The figures don't agree (chi-square {found.statistic:.1f}, {_freedom(found.degrees)}, "
        f"{_p(found.p)})"
    )
    left = sorted(left, key=lambda one: one.score)
    if not any(one.p >= alpha for one in left):
        return (), (
            f"{off}, and leaving out any single one doesn't settle it: more than one is wrong, or the "
            "uncertainties are stated too small."
        )
    best = next(one for one in left if one.p >= alpha)
    named = tuple(one.figure for one in left if one.score - best.score <= CLEARLY)
    if len(named) == 1:
        return named, (
            f"{off}. Without {best.figure} the rest agrees ({_p(best.p)}), and of no other one can that be "
            "said as well: that one is likely wrong."
        )
    shown = ", ".join(named[:-1]) + " or " + named[-1]
    why = "one equation can't tell which" if found.degrees == 1 else "it can't be told which"
    return named, f"{off}. One of these is likely wrong, but {why}: {shown}."


def _agreeing(found: Reconciled, suspects: tuple[Suspect, ...]) -> str:
    said = f"The figures agree (chi-square {found.statistic:.1f}, {_freedom(found.degrees)}, {_p(found.p)})"
    worst = next((one for one in suspects if one.suspicious), None)
    if worst is None:
        return f"{said}."
    return f"{said}; but {worst.figure} is off by {abs(worst.z):.1f} standard deviations: look at it again."


def _said(
    found: Reconciled, passed: bool, suspects: tuple[Suspect, ...], named: tuple[str, ...], says: str
) -> Tests:
    return Tests(found.statistic, found.degrees, found.p, passed, suspects, named, says)


def _freedom(degrees: int) -> str:
    return f"{degrees} degree{'' if degrees == 1 else 's'} of freedom"


def _p(p: float) -> str:
    return f"p = {p:.2g}" if p >= 1e-4 else "p < 0.0001"
