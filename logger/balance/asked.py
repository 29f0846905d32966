"""One limit of a grade as it is asked of a product, and the words for it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from logger.balance.conformity import Verdict
from logger.balance.consists import Range
from logger.balance.grades import percent
from logger.balance.result import Estimate

Kind = Literal["minimum", "maximum", "moisture", "each other", "others", "condition"]


@dataclass(frozen=True, slots=True)
class Asked:
    """One limit, before it is judged."""

    of: str
    kind: Kind
    limit: float
    minimum: bool
    range_: Range
    lacks: str  # what to say where nothing is known of it


def open_missing(asked: Asked) -> tuple[str, ...]:
    return tuple(
        f"how much {asked.of} there is in it beside what has a name"
        if c == "what no component names"
        else f"what {c} consists of (its contents)"
        for c in asked.range_.open_
    )


def sentence(asked: Asked, low: Estimate, high: Estimate, chance: float | None, found: Verdict) -> str:
    """The verdict on one limit."""
    value = range_words(asked, low, high)
    if found is Verdict.OPEN:
        how_sure = "" if chance is None else f" ({100 * chance:.0f} % probability)"
        return f"{value}: whether {limit_words(asked)} can't be told{how_sure}."
    return f"{value}: {found} the limit, {bound(asked)}."


def range_words(asked: Asked, low: Estimate, high: Estimate) -> str:
    if low is high or (low.value, low.u) == (high.value, high.u):
        band = f" ({100 * low.low:.3g} to {100 * low.high:.3g})" if low.u else ""
        return f"{asked.of} {100 * low.value:.4g} %{band}"
    return f"{asked.of} between {100 * low.value:.4g} and {100 * high.value:.4g} %"


def bound(asked: Asked) -> str:
    return f"{'at least' if asked.minimum else 'at most'} {percent(asked.limit)}"


def limit_words(asked: Asked) -> str:
    return f"{asked.of} is {bound(asked)}"


def listed(names: Sequence[str]) -> str:
    """Names in a sentence, each once: "a, b and c"."""
    names = list(dict.fromkeys(names))
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
