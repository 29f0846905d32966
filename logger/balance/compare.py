"""Two or more runs side by side: which differences exceed their uncertainty, and which settings differed.

The difference of a figure between two runs has u² = u_a² + u_b² - 2 cov. The covariance comes from what both
share, the calibration error of one scale and the tare of one kind of container, matched by name, so that it
cancels (JCGM 100, 5.2.2 and F.1.2.3). Among many differences some look large by chance: they are judged at
95 % for all of them together by Holm's sequentially rejective procedure (S. Holm, Scandinavian Journal of
Statistics 6, 1979; from memory and public summaries).

A difference is between two runs, not between two settings: that a setting caused it is never claimed.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import combinations
from math import erfc, sqrt
from typing import Any, TypeAlias

from logger.balance.comparable import figures, functions
from logger.balance.conformity import NORMAL_95
from logger.balance.joint import Joint
from logger.balance.result import Estimate, How, Result, plain

ALPHA = 0.05
SHARED = ('calibration of scale "', 'tare of "')
"""How the names of inputs begin that two runs of one bay have in common."""
Setting: TypeAlias = str | float | bool


@dataclass(frozen=True, slots=True)
class Run:
    """A run's balance and its settings. With ``joint``, what it shares with other runs cancels."""

    name: str
    result: Result
    settings: Mapping[str, Setting] = field(default_factory=dict)
    joint: Joint | None = None


@dataclass(frozen=True, slots=True)
class Difference:
    """A figure in two runs. ``difference``: second - first. ``p``: two-sided, Holm's correction not in it."""

    figure: str
    first: Estimate
    second: Estimate
    difference: Estimate
    p: float | None  # None: it rests on an estimate, and was not tested
    p_corrected: float | None
    significant: bool
    says: str


@dataclass(frozen=True, slots=True)
class Changed:
    """A setting that differed. None: not noted in that run."""

    setting: str
    first: Setting | None
    second: Setting | None


@dataclass(frozen=True, slots=True)
class Pair:
    """Two runs compared. ``only_in``: figures that one of them alone has."""

    first: str
    second: str
    differences: tuple[Difference, ...]
    changed: tuple[Changed, ...]
    only_in: dict[str, tuple[str, ...]]
    says: str


@dataclass(frozen=True, slots=True)
class Comparison:
    """All pairs of the runs. ``tests``: how many differences the correction is for."""

    runs: tuple[str, ...]
    pairs: tuple[Pair, ...]
    tests: int
    notes: tuple[str, ...]

    def to_json(self) -> dict[str, Any]:
        """Plain JSON values; all figures are fractions of 1."""
        told: dict[str, Any] = plain(self)
        return told | {"level": 1.0 - ALPHA}


def holm(p: Sequence[float]) -> list[float]:
    """p-values corrected for being many (Holm 1979), in the order given: significant where <= alpha."""
    order = sorted(range(len(p)), key=lambda k: p[k])
    corrected, so_far = [0.0] * len(p), 0.0
    for rank, k in enumerate(order):
        so_far = max(so_far, min(1.0, (len(p) - rank) * p[k]))
        corrected[k] = so_far
    return corrected


def compare(runs: Sequence[Run]) -> Comparison:
    """Compare each two of the runs: yields, grades, recoveries, closures and efficiencies.

    ValueError for fewer than two runs, or two of one name.
    """
    if len(runs) < 2:
        raise ValueError("a comparison needs at least two runs")
    if len({run.name for run in runs}) < len(runs):
        raise ValueError("two runs have the same name; give each its own")
    rows = [(a, b, list(_rows(a, b))) for a, b in combinations(runs, 2)]
    tested = [row.p for _, _, those in rows for row in those if row.p is not None]
    corrected = iter(holm(tested))
    pairs = tuple(_pair(a, b, those, corrected) for a, b, those in rows)
    return Comparison(tuple(run.name for run in runs), pairs, len(tested), tuple(_notes(runs, len(tested))))


def _notes(runs: Sequence[Run], tests: int) -> Iterator[str]:
    yield (
        f"Of {tests} differences, those are named that together are wrong, even in one of them, "
        "with at most 5 % probability (Holm's correction)."
    )
    yield (
        "The uncertainty is that of weighing, drying and sampling. How much runs with the same settings "
        "differ by themselves is not in it; only repeats tell."
    )
    if any(run.joint is None for run in runs):
        yield "Without the runs' documents, what they share (a scale, a tare) does not cancel."
    else:
        yield "A scale, or a kind of container, of the same name counts as the same one, unchanged since."


# ------------------------------------------------------------------ figures


@dataclass(frozen=True, slots=True)
class _Row:
    figure: str
    first: Estimate
    second: Estimate
    difference: Estimate
    p: float | None


def _rows(a: Run, b: Run) -> Iterator[_Row]:
    first, second = dict(figures(a.result)), dict(figures(b.result))
    for name, one in first.items():
        other = second.get(name)
        if other is None:
            continue
        value = other.value - one.value
        u = sqrt(max(one.u**2 + other.u**2 - 2.0 * _covariance(name, a, b), 0.0))
        guessed = How.ESTIMATED in (one.how, other.how)
        how = How.ESTIMATED if guessed else How.CALCULATED
        told = Estimate(value, u, value - NORMAL_95 * u, value + NORMAL_95 * u, how)
        yield _Row(name, one, other, told, None if guessed else _p(value, u))


def _p(difference: float, u: float) -> float:
    if abs(difference) <= 1e-12:
        return 1.0
    return erfc(abs(difference) / u / sqrt(2.0)) if u > 0.0 else 0.0


def _covariance(figure: str, a: Run, b: Run) -> float:
    """Of a figure in two runs, through the inputs that both share; 0 where they are not known."""
    if a.joint is None or b.joint is None:
        return 0.0
    spreads = []
    for run in (a, b):
        joint = run.joint
        function = functions(run.result).get(figure)
        if joint is None or function is None:
            return 0.0
        made = function(joint)
        told = None if made is None else joint.tell(made)
        if told is None:
            return 0.0
        spreads.append(dict(zip(joint.sources, told.spread, strict=True)))
    common = [one for one in spreads[0] if one in spreads[1] and one.name.startswith(SHARED)]
    return float(sum(spreads[0][one] * spreads[1][one] for one in common))


# ------------------------------------------------------------------ words


def _pair(a: Run, b: Run, rows: list[_Row], corrected: Iterator[float]) -> Pair:
    differences = []
    for row in rows:
        p = None if row.p is None else next(corrected)
        significant = p is not None and p <= ALPHA
        says = _difference_words(row, a.name, b.name, significant)
        differences.append(
            Difference(row.figure, row.first, row.second, row.difference, row.p, p, significant, says)
        )
    changed = tuple(
        Changed(name, a.settings.get(name), b.settings.get(name))
        for name in dict.fromkeys((*a.settings, *b.settings))
        if a.settings.get(name) != b.settings.get(name)
    )
    names = [dict(figures(run.result)) for run in (a, b)]
    only = {
        run.name: tuple(name for name in mine if name not in other)
        for run, mine, other in ((a, names[0], names[1]), (b, names[1], names[0]))
    }
    says = _pair_words(a, b, [one for one in differences if one.significant], changed)
    return Pair(a.name, b.name, tuple(differences), changed, only, says)


def _difference_words(row: _Row, first: str, second: str, significant: bool) -> str:
    d = row.difference
    values = f"{100 * row.first.value:.4g} % in {first}, {100 * row.second.value:.4g} % in {second}"
    size = f"{100 * abs(d.value):.2g} points {'more' if d.value > 0 else 'less'} in {second}"
    low, high = sorted(abs(d.value) + k * NORMAL_95 * d.u for k in (-1, 1))
    band = f"95 %: {100 * low:.2g} to {100 * high:.2g}"
    if row.p is None:
        return f"{row.figure}: {values}; one of them rests on an estimate, so it was not tested."
    if significant:
        return f"{row.figure}: {values}: {size} ({band}), more than its uncertainty explains."
    return f"{row.figure}: {values}: no difference beyond the uncertainty ({band} points)."


def _pair_words(a: Run, b: Run, found: list[Difference], changed: tuple[Changed, ...]) -> str:
    whom = f"{a.name} and {b.name}"
    if not found:
        differ = f"{whom} do not differ in anything by more than the uncertainty."
    else:
        differ = f"{whom} differ by more than the uncertainty in {_listed([one.figure for one in found])}."
    if not (a.settings or b.settings):
        return f"{differ} No settings were noted."
    if not changed:
        return f"{differ} All noted settings were the same."
    words = _listed([_changed_words(one) for one in changed])
    if len(changed) == 1:
        why = "It is the only noted setting that changed; whether it is the cause, only repeats can tell."
    else:
        why = f"{len(changed)} settings changed at once: which of them, if any, is the cause can't be told."
    return f"{differ} Changed: {words}. {why if found else ''}".rstrip()


def _changed_words(one: Changed) -> str:
    first, second = ("not noted" if each is None else f"{each}" for each in (one.first, one.second))
    return f"{one.setting} ({first}, then {second})"


def _listed(names: list[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
