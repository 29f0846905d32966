"""What the words of one cell mean: by the usual vocabulary, and by what the numbers did meanwhile."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from fractions import Fraction

from logger.core.guess.cells import Cell, moving_share
from logger.core.guess.words import DOUBTFUL, family, kind_of, meaning

AT_REST, IN_MOTION = 0.3, 0.5
"""Shares of lines with a changed number: below the first a word goes with rest, above the second with
motion."""
SEEN = 4  # lines with a word, before its share says anything


@dataclass(slots=True)
class Meanings:
    """Word -> meaning, with why, and what is left to ask."""

    words: dict[str, str] = field(default_factory=dict)
    reasons: list[str] = field(default_factory=list)
    questions: list[str] = field(default_factory=list)
    doubts: list[tuple[str, str]] = field(default_factory=list)  # word, what else it may mean


def meanings(cell: Cell, numbers: list[Fraction | None]) -> Meanings:
    """What may be said of the words that stood in a cell."""
    found = Meanings()
    shares = moving_share(cell.words, numbers)
    inferred = _inferred(shares)
    for word in sorted(cell.distinct - {""}):
        usual, seen = meaning(word), inferred.get(word, "")
        if seen and kind_of(usual) in ("", "stability") and seen != usual:
            found.words[word] = seen
            why = f"usually {usual}" if usual else "no usual meaning"
            share, count = shares[word]
            found.reasons.append(
                f'"{word}" is taken as {seen}: the number changed in {share:.0%} of its {count} lines ({why})'
            )
        elif usual:
            found.words[word] = usual
            backing = "and the numbers bear it out" if seen == usual else "common practice, not certain"
            found.reasons.append(f'"{word}" is taken as {usual} ({backing})')
            if word.upper() in DOUBTFUL and seen != usual:
                found.doubts.append((word, usual))
        else:
            found.questions.append(
                f'what "{word}" means: readings with it are not used until words = {{ … }} says so'
            )
    if "" in cell.distinct:
        _blank(cell, found, inferred)
    for word, means in family(set(found.words)).items():
        found.words[word] = means
        found.reasons.append(f'"{word}" was not heard; as {means} it usually comes with the words that were')
    for word, usual in found.doubts:
        found.questions.append(
            f'whether "{word}" really means {usual}: makers use this letter differently; watch it while the '
            "number moves, and while it rests"
        )
    return found


def _inferred(shares: Mapping[str, tuple[float, int]]) -> dict[str, str]:
    """Word -> stable or moving, where the numbers tell words apart; {} where they don't."""
    rest = {word for word, (share, count) in shares.items() if share <= AT_REST and count >= SEEN}
    motion = {word for word, (share, count) in shares.items() if share >= IN_MOTION and count >= SEEN}
    if not rest or not motion or len(rest) > 1:
        return {}
    return dict.fromkeys(rest, "stable") | dict.fromkeys(motion, "moving")


def _blank(cell: Cell, found: Meanings, inferred: Mapping[str, str]) -> None:
    """What a blank says beside words: the opposite of a lone motion mark, else that all is well."""
    others = {found.words.get(word, "") for word in cell.distinct - {""}}
    if inferred.get(""):
        means, why = inferred[""], "from what the numbers did"
    elif others in ({"moving"}, {"moving", "over"}):
        means, why = "stable", "as its other word says moving"
    elif "stable" in others and "moving" not in others:
        means, why = "moving", "as its other word says stable"
    elif others & {"over", "under", "zero", "error", "stable"}:
        means, why = "ok", "as its other words are conditions"
    else:
        found.questions.append("what it means when the word is left blank: such readings are not used so far")
        return
    found.words[""] = means
    found.reasons.append(f"a blank there is taken as {means}, {why}")
