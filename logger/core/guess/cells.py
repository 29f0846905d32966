"""The cells of a line: what stood in each, line by line, and what each may therefore be."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise
from math import gcd

from logger.core.decode.number import read_number
from logger.core.guess.atoms import NUMBER, OTHER, STAMP, WORD
from logger.core.guess.words import kind_of, meaning, unit_of

FEW = 4  # different values: as many may be a state
TEXT, ODD = "text", "odd"


@dataclass(frozen=True, slots=True)
class Cell:
    """One part of the lines of a kind. ``kind``: text (the same in every line), word, number, stamp, or odd
    (it varies without a rule: a checksum). ``width`` 0: as long as it happens to be. ``texts``: what stood
    there, one for each line, blanks included. ``padded``: blanks or zeros were seen to fill it up."""

    kind: str
    texts: tuple[str, ...]
    width: int = 0
    padded: bool = False

    @property
    def words(self) -> list[str]:
        """What stood there without blanks, one for each line."""
        return [text.strip(" ") for text in self.texts]

    @property
    def distinct(self) -> set[str]:
        return set(self.words)

    @property
    def constant(self) -> bool:
        return len(set(self.texts)) == 1


def values(cell: Cell, decimal: str) -> list[Fraction | None]:
    """The numbers of a cell, exactly; None where there is none."""
    found: list[Fraction | None] = []
    for word in cell.words:
        value = read_number(word.replace(decimal, ".") if decimal != "." else word)
        found.append(None if value is None else Fraction(value[0]) * Fraction(10) ** value[1])
    return found


def decimals(cell: Cell, decimal: str) -> int:
    """The most decimals seen."""
    return max((len(word.partition(decimal)[2]) for word in cell.words if decimal in word), default=0)


def is_counter(numbers: list[Fraction | None]) -> bool:
    """Whether whole numbers go up by one from line to line: a count of lines, no weight."""
    known = [value for value in numbers if value is not None]
    steps = {b - a for a, b in pairwise(known)}
    return len(known) >= 3 and steps == {Fraction(1)} and all(value.denominator == 1 for value in known)


def weight_likeness(cells: list[Cell], index: int, decimal: str) -> float:
    """How much a number cell looks like what the instrument measures; only the order counts."""
    cell = cells[index]
    numbers = values(cell, decimal)
    score = 2.0 * bool(decimals(cell, decimal)) + 1.0 * (len(set(numbers)) > 1) + 0.5 * cell.padded
    score += 0.1 * min(8, max(map(len, cell.words))) + 0.5 * (len(set(numbers)) > FEW)
    score += 0.5 * any(word[:1] in "+-" for word in cell.words if word)
    if unit_behind(cells, index):
        score += 3.0
    near = neighbour_meaning(cells, index)
    score += {"gross": 2.0, "net": 0.5, "tare": -2.0}.get(near, 0.0)
    if is_counter(numbers):
        score -= 6.0
    if cell.constant and not decimals(cell, decimal):
        score -= 3.0
    return score


def unit_behind(cells: list[Cell], index: int) -> bool:
    """Whether a unit follows the number, in at least a third of the lines."""
    for cell in cells[index + 1 :]:
        if cell.kind == TEXT and not cell.texts[0].strip():
            continue
        return cell.kind == WORD and sum(bool(unit_of(w)) for w in cell.words) * 3 >= len(cell.words)
    return False


def neighbour_meaning(cells: list[Cell], index: int) -> str:
    """gross, net or tare, where a word that never changes stands right before a number."""
    for cell in reversed(cells[:index]):
        if cell.kind == WORD:
            means = {meaning(word) for word in cell.distinct}
            only = means.pop() if len(means) == 1 else ""
            return only if kind_of(only) == "mode" else ""
        if cell.kind == NUMBER:
            return ""
    return ""


def step(counts: list[int]) -> tuple[int, bool]:
    """(a step of 1, 2 or 5 times a power of ten that all counts are multiples of, whether that is more
    than chance). Of k different counts all are multiples of 2 by chance with 2**-k: six are asked for."""
    distinct = {abs(count) for count in counts if count}
    common = 0
    for count in distinct:
        common = gcd(common, count)
    if len(distinct) < 6 or common <= 1:
        return 1, len(distinct) >= 6
    best, power = 1, 1
    while power <= common:
        best = max([best, *(m * power for m in (1, 2, 5) if common % (m * power) == 0)])
        power *= 10
    return best, True


def moving_share(words: list[str], numbers: list[Fraction | None]) -> dict[str, tuple[float, int]]:
    """Word -> (share of its lines in which the number differed from the line before, how many lines)."""
    moved: Counter[str] = Counter()
    seen: Counter[str] = Counter()
    for at in range(1, len(words)):
        before, now = numbers[at - 1], numbers[at]
        if before is None or now is None:
            continue
        seen[words[at]] += 1
        moved[words[at]] += before != now
    return {word: (moved[word] / count, count) for word, count in seen.items()}


__all__ = ["NUMBER", "ODD", "OTHER", "STAMP", "TEXT", "WORD", "Cell"]
