"""Cells of lines of one length: what stands at fixed places.

Numbers and words of all lines are laid over each other; where they overlap they are one cell. That
finds a cell that is blank in some lines (a motion mark, a unit left out while in motion).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import NamedTuple

from logger.core.guess.atoms import BLANK, MARKS, NUMBER, OTHER, STAMP, WORD, Atom, atoms
from logger.core.guess.cells import ODD, TEXT, Cell
from logger.core.guess.words import kind_of, meaning

LONG = 12  # digits without a point that are no single reading
STATES = 6  # so many different words at one place may be states; more are a checksum or a name
FLAGS = 4  # so many different signs at one place may be marks; more are a checksum


class _Span(NamedTuple):
    start: int
    end: int
    kinds: Counter[str]


def columns(lines: Sequence[str], decimal: str) -> list[Cell]:
    """The cells of lines that all have the same length; [] where no number stands at a fixed place."""
    width = len(lines[0])
    parts = [atoms(line, decimal) for line in lines]
    spans = _merge(_spans(parts, lines, width))
    cells: list[Cell] = []
    at = 0
    for span in spans:
        kind = _kind(span, lines)
        start = span.start
        if kind == NUMBER:
            start = _reach(at, span.start, lines, cells)
        cells += _between(lines, at, start)
        end = _fill(span, lines) if kind == NUMBER else span.end
        texts = tuple(line[start:end] for line in lines)
        if kind == WORD:
            cells += _words(texts)
        else:
            if kind == NUMBER and _flag_before(texts):
                cells.append(Cell(WORD, tuple(text[0] for text in texts), 1))
                texts = tuple(text[1:] for text in texts)
            half = _glued(texts) if kind == NUMBER else 0
            if half:
                cells.append(Cell(NUMBER, tuple(text[:half] for text in texts), half, padded=True))
                texts = tuple(text[half:] for text in texts)
            padded = kind == NUMBER and any(_filled(text) for text in texts)
            cells.append(Cell(kind, texts, len(texts[0]), padded))
        at = end
    cells += _between(lines, at, width)
    return cells if any(cell.kind == NUMBER for cell in cells) else []


def _spans(parts: Sequence[list[Atom]], lines: Sequence[str], width: int) -> list[_Span]:
    """Every number, word and stamp, and each single character that is not the same in all lines."""
    fixed = [len({line[place] for line in lines}) == 1 for place in range(width)]
    spans = []
    for line in parts:
        for atom in line:
            if atom.kind == BLANK or (atom.kind == OTHER and fixed[atom.start]):
                continue
            kind = NUMBER if atom.kind == MARKS else atom.kind
            spans.append(_Span(atom.start, atom.end, Counter({kind: 1})))
    return sorted(spans, key=lambda span: (span.start, span.end))


def _merge(spans: list[_Span]) -> list[_Span]:
    """Overlapping spans as one, with how often each kind stood there."""
    merged: list[_Span] = []
    for span in spans:
        if merged and span.start < merged[-1].end:
            last = merged[-1]
            merged[-1] = _Span(last.start, max(last.end, span.end), last.kinds + span.kinds)
        else:
            merged.append(span)
    return merged


def _kind(span: _Span, lines: Sequence[str]) -> str:
    kinds = span.kinds
    if len(kinds) == 1:
        kind = next(iter(kinds))
        many = len({line[span.start : span.end] for line in lines}) > STATES
        return _marks(span, lines) if kind == OTHER else ODD if kind == WORD and many else kind
    if kinds[NUMBER] >= 0.6 * len(lines):
        return NUMBER  # the rest are words such as an overload where the number stands
    if set(kinds) <= {WORD, OTHER} and len({line[span.start : span.end] for line in lines}) <= FLAGS:
        return WORD
    return STAMP if kinds[STAMP] >= 0.6 * len(lines) else ODD


def _marks(span: _Span, lines: Sequence[str]) -> str:
    """A place with a few printable signs is a word of one character; anything else is odd."""
    seen = {line[span.start : span.end] for line in lines}
    plain = all(char.isprintable() and char.isascii() for text in seen for char in text)
    return WORD if plain and len(seen) <= FLAGS else ODD


def _reach(at: int, start: int, lines: Sequence[str], cells: list[Cell]) -> int:
    """Where a number's field begins: it takes the blanks before it, which bigger numbers need. One blank
    is left between it and a word before it."""
    first = start
    while first > at and all(line[first - 1] == " " for line in lines):
        first -= 1
    lone = start - first == 1 and first > 0  # a single blank parts, and is no room
    return first + (lone or (first == at and bool(cells) and start > first))


def _fill(span: _Span, lines: Sequence[str]) -> int:
    """Where the field of a number that stands to the left ends: it takes the blanks behind it but one."""
    end = span.end
    if all(line[end - 1] != " " for line in lines):
        return end
    while end < len(lines[0]) and all(line[end] == " " for line in lines):
        end += 1
    return end - (end < len(lines[0]) and end > span.end)


def _between(lines: Sequence[str], start: int, end: int) -> list[Cell]:
    """What stands between cells: the same in every line, as anything else has a span of its own."""
    if start >= end:
        return []
    return [Cell(TEXT, tuple(line[start:end] for line in lines), end - start)]


def _filled(text: str) -> bool:
    """Whether blanks or zeros fill the number up to its width."""
    digits = text.lstrip("+- ")
    return " " in text or (len(digits) > 1 and digits[0] == "0" and digits[1].isdigit())


def _flag_before(texts: tuple[str, ...]) -> bool:
    """Whether the first digit is a flag glued to a number that zeros fill up: it comes and goes while the
    place behind it stays zero, which no weight does."""
    return len({text[0] for text in texts}) > 1 and all(
        text[0].isdigit() and text[1:2] == "0" and text[2:3].isdigit() for text in texts
    )


def _glued(texts: tuple[str, ...]) -> int:
    """Where to part a run of digits that is longer than any scale shows: weight and tare, equally long."""
    width = len(texts[0])
    digits = all(text.isdigit() for text in texts)
    return width // 2 if digits and width >= LONG and width % 2 == 0 else 0


def _words(texts: tuple[str, ...]) -> list[Cell]:
    """A word cell, or two where two known words of different kinds are glued together (USNT)."""
    width = len(texts[0])
    for at in range(1, width):
        left, right = {t[:at].strip() for t in texts}, {t[at:].strip() for t in texts}
        mark = "" in left and len(left) == 2 and len(right) == 1 and "" not in right
        kinds = [{kind_of(meaning(word)) for word in side if word} for side in (left, right)]
        whole = any(meaning(text.strip()) for text in texts)
        if mark or (
            all(len(kind) == 1 and "" not in kind for kind in kinds) and kinds[0] != kinds[1] and not whole
        ):
            return [
                Cell(WORD, tuple(t[:at] for t in texts), at),
                Cell(WORD, tuple(t[at:] for t in texts), width - at),
            ]
    return [Cell(WORD, texts, width)]
