"""Candidates for the layout of lines nobody described, each tried on every line heard, the best first."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise
from typing import TypeAlias

from logger.core.decode.layout import ENDS, LineFormat
from logger.core.decode.line import LineDecoder
from logger.core.decode.number import write_number
from logger.core.entries import USABLE, Reading
from logger.core.guess.atoms import NUMBER, WORD, atoms, shape
from logger.core.guess.cells import Cell, is_counter, step, values, weight_likeness
from logger.core.guess.cells import decimals as decimals_of
from logger.core.guess.columns import LONG, columns
from logger.core.guess.draft import Draft, draft
from logger.core.guess.tokens import tokens
from logger.core.guess.words import kind_of, meaning

Values: TypeAlias = tuple[tuple[int, int] | None, ...]
"""The number read from each line, None where a line was refused."""

WORSE = 7.0  # of score: what is so much worse than the best is no alternative
MOST_DECIMALS = 6
KINDS = 3  # kinds of lines that are tried on their own
NUMBERS = 4  # numbers in a line that are tried as the weight
_CUT_NUMBER = re.compile(r"(?:\d[.,]?|-[^A-Za-z0-9{}]*)\{number|\{number(?::\d+)?\}(?:[.,]\d|-)")
"""A layout that would read a part of a number, or a number without its sign: never proposed."""
_PART = re.compile(r"\{skip(?::\d+)?\},\{number|\{number(?::\d+)?\},\{skip")
"""A part of a number, where a comma is not the sign before the decimals after all."""
PLACEHOLDER = "kg"
"""Stands where lines tell no unit; `Candidate.unit` is None then."""


@dataclass(frozen=True, slots=True)
class Candidate:
    """One way to read the lines. ``read``: lines understood, ``usable``: those whose status is believed,
    ``of`` all lines. ``unit`` None: not told by the lines, and `line` has a placeholder. ``resolution``:
    (count, exp, whether it is more than the last decimal). ``reasons`` say why it is so, ``questions``
    what it could not tell. ``missed``: a line it does not read. ``shows``: gross, net, or "" not told."""

    line: LineFormat
    unit: str | None
    read: int
    usable: int
    of: int
    resolution: tuple[int, int, bool]
    reasons: tuple[str, ...]
    questions: tuple[str, ...]
    shown: tuple[str, ...]
    missed: bytes = b""
    shows: str = ""
    score: float = 0.0


def layouts(lines: Sequence[bytes], end: str = "CRLF", most: int = 4) -> list[Candidate]:
    """The ways to read these lines (without their ends), the best first; those that read the same
    numbers are one. [] where no number is found at all."""
    texts = [line.decode("latin-1") for line in lines]
    best: dict[Values, Candidate] = {}
    if thousands(texts):
        return []
    decimals = _decimals(texts)
    for decimal in decimals:
        for cells, one_mode in _ways(texts, decimal):
            for made, key in _from_cells(cells, decimal, end, lines, one_mode):
                if decimal != decimals[0] and _PART.search(made.line.layout):
                    continue
                if key not in best or made.score > best[key].score:
                    best[key] = made
    return _worth_showing(best)[:most]


def _worth_showing(found: dict[Values, Candidate]) -> list[Candidate]:
    """The best, and those that are no mere part of a better one and not much worse than the best."""
    kept: list[tuple[Values, Candidate]] = []
    for numbers, each in sorted(found.items(), key=lambda pair: -pair[1].score):
        part = any(_is_part(numbers, better) for better, _ in kept)
        if not kept or (each.score > kept[0][1].score - WORSE and not part):
            kept.append((numbers, each))
    return [each for _, each in kept]


def _is_part(numbers: Values, better: Values) -> bool:
    """Whether one reads nothing that the better one does not read as well, and reads it the same."""
    return all(one is None or one == other for one, other in zip(numbers, better, strict=True))


def thousands(texts: Sequence[str]) -> bool:
    """Whether a comma parts thousands: 980 and 1,020 at the same place of lines of one kind. The line
    dialect cannot read that, and 1,020 must not become 1.02."""
    by_kind: dict[tuple[str, ...], set[bool]] = {}
    for text in texts:
        numbers = [atom.text for atom in atoms(text, ",") if atom.kind == NUMBER]
        if numbers and all(re.fullmatch(r"[+-]? *(?:\d{1,3}|[1-9]\d{0,2},\d{3})", each) for each in numbers):
            kinds = by_kind.setdefault((*shape(text, ","), str(len(numbers))), set())
            kinds.add("," in max(numbers, key=len))
    return any(len(kinds) == 2 for kinds in by_kind.values())


def _decimals(texts: Sequence[str]) -> list[str]:
    """The signs that may stand before decimals, the likelier first."""
    dots = sum(bool(re.search(r"\d\.\d|(?<![\d.])\.\d", text)) for text in texts)
    commas = sum(bool(re.search(r"\d,\d", text)) for text in texts)
    firsts = [re.match(r"[^\d,]*(\d+),", text) for text in texts]
    counts = [int(first[1][-18:]) for first in firsts if first is not None]
    lone = all(len(re.findall(r"\d,(?= *[+-]?\d)", text)) == 1 for text in texts)
    counted = lone and len(counts) == len(texts) >= 3 and all(b - a == 1 for a, b in pairwise(counts))
    if 2 * dots >= len(texts) or not commas or counted:  # a count of lines: the comma behind it parts fields
        return ["."]
    return [",", "."]


def _ways(texts: Sequence[str], decimal: str) -> Iterator[tuple[list[Cell], bool]]:
    """Cells of each kind of line; True beside them where only the lines of one mode are among them."""
    lengths = Counter(map(len, texts))
    for length, count in lengths.most_common(KINDS):
        if count >= 2 or len(texts) == 1:
            yield columns([text for text in texts if len(text) == length], decimal), False
    shapes = Counter(shape(text, decimal) for text in texts)
    for kind, count in shapes.most_common(KINDS):
        if "9" in kind and (count >= 2 or len(texts) == 1):
            group = [text for text in texts if shape(text, decimal) == kind]
            yield tokens(group, decimal), False
    for longer in shapes:
        if longer[:-1] in shapes and "9" in longer[:-1]:  # a word that comes and goes at the end
            both = [text for text in texts if shape(text, decimal) in (longer, longer[:-1])]
            yield tokens(both, decimal), False
    for group in _tickets(texts, decimal):
        yield tokens(group, decimal), True


def _tickets(texts: Sequence[str], decimal: str) -> Iterator[list[str]]:
    """Gross, tare and net printed on a line each, in turn: the lines of each."""
    firsts = [_first_word(text, decimal) for text in texts]
    for word in dict.fromkeys(firsts):
        group = [text for text, first in zip(texts, firsts, strict=True) if first == word]
        modes = {first for first in firsts if kind_of(meaning(first)) == "mode"}
        if word in modes and len(modes) > 1 and len(group) >= 2:
            group = [text for text in group if shape(text, decimal) == shape(group[0], decimal)]
            if "9" in shape(group[0], decimal):
                yield group


def _first_word(text: str, decimal: str) -> str:
    return next((atom.text for atom in atoms(text, decimal) if atom.kind == WORD), "")


def _takes_turns(cells: list[Cell]) -> bool:
    """Whether the mode changes from line to line: several weights one after the other, not one scale's."""
    for cell in cells:
        modes = [meaning(word) for word in cell.words] if cell.kind == WORD else []
        if len(modes) >= 3 and all(kind_of(mode) == "mode" for mode in modes) and len(set(modes)) > 1:
            changes = sum(a != b for a, b in pairwise(modes))
            if changes * 2 > len(modes):
                return True
    return False


def _from_cells(
    cells: list[Cell], decimal: str, end: str, lines: Sequence[bytes], one_mode: bool
) -> Iterator[tuple[Candidate, Values]]:
    numbers = [at for at, cell in enumerate(cells) if cell.kind == NUMBER]
    numbers.sort(key=lambda at: -weight_likeness(cells, at, decimal))
    numbers = [at for at in numbers if not _too_long(cells[at], decimal)]
    likely = [at for at in numbers if not is_counter(values(cells[at], decimal))] or numbers
    if _takes_turns(cells):
        return
    for at in likely[:NUMBERS]:
        told = _told_apart(cells, at, decimal)
        for fixed in (True, False):
            made = draft(cells, at, decimal, fixed, one_mode)
            made.reasons += told
            liking = weight_likeness(cells, at, decimal) + 1.5 * (fixed == cells[at].padded)
            for layout in dict.fromkeys((made.layout, _loosened(made.layout))):
                found = (
                    None if _CUT_NUMBER.search(layout) else _try(made, layout, decimal, end, lines, liking)
                )
                if found is not None:
                    yield found


def _too_long(cell: Cell, decimal: str) -> bool:
    """More digits or decimals than any instrument shows, or a count before the comma: two numbers."""
    longest = max(sum(map(str.isdigit, word)) for word in cell.words)
    wholes = tuple(word.partition(decimal)[0] for word in cell.words)
    counts = decimal == "," and is_counter(values(Cell(NUMBER, wholes), decimal))
    return longest >= LONG or decimals_of(cell, decimal) > MOST_DECIMALS or counts


def _loosened(layout: str) -> str:
    """With the unit right behind the number, so that it may be left out together with its blank."""
    return re.sub(r"(\{number(?::\d+)?\}) +(\{unit\}) *$", r"\1\2", layout)


def _try(  # noqa: PLR0917 - what a candidate is made of
    made: Draft, layout: str, decimal: str, end: str, lines: Sequence[bytes], liking: float
) -> tuple[Candidate, Values] | None:
    """The candidate, and the numbers it reads; None where the layout can't be or reads nothing."""
    try:
        line = LineFormat(layout, made.words, made.unit or PLACEHOLDER, end or "CRLF", "", decimal)
    except ValueError:
        return None
    readings = try_on(line, lines)
    good = [item for item in readings if item is not None]
    if not good:
        return None
    usable = sum(item.status in USABLE for item in good)
    unread = [text for text, item in zip(lines, readings, strict=True) if item is None]
    missed = unread[0] if unread else b""
    questions = list(made.questions)
    if any(b"-" in text for text in unread) and not any(item.number < 0 for item in good):
        questions.append(
            f"how a number below zero is written: {missed!r} and its like come as not understood"
        )
    score = 10 * len(good) / len(lines) + 4 * usable / len(lines) + liking
    score -= 0.5 * layout.count("{skip") + 0.2 * layout.count("{skip}")
    if len({item.exp for item in good if item.status in USABLE}) > 1:
        score -= 6  # a display keeps its decimals: the sign may part two numbers
    if "{number:" not in layout:
        score -= 0.2  # a line that lost a character is refused where the width is told
    values_read = tuple(None if item is None else (item.number, item.exp) for item in readings)
    shows = made.mode or _only_mode(good)
    candidate = Candidate(
        line,
        made.unit,
        len(good),
        usable,
        len(lines),
        _resolution(good),
        tuple(made.reasons),
        tuple(dict.fromkeys(questions)),
        tuple(_shown(item, made.unit) for item in good[-3:]),
        missed,
        shows,
        score,
    )
    return candidate, values_read


def try_on(line: LineFormat, lines: Sequence[bytes]) -> list[Reading | None]:
    """What the line dialect makes of each line; None where it refuses it."""
    end = ENDS[line.end]
    found: list[Reading | None] = []
    for text in lines:
        decoder = LineDecoder("", line)
        decoder.feed(text + end, 0)  # the first line only shows where the next one begins
        items = decoder.feed(text + end, 0)
        found.append(items[0] if len(items) == 1 and isinstance(items[0], Reading) else None)
    return found


def _only_mode(good: Sequence[Reading]) -> str:
    modes = {item.mode for item in good}
    return modes.pop() if len(modes) == 1 and modes <= {"gross", "net"} else ""


def _resolution(good: Sequence[Reading]) -> tuple[int, int, bool]:
    finest = min(item.exp for item in good)
    counts = [item.number * 10 ** (item.exp - finest) for item in good if item.status in USABLE]
    size, sure = step(counts)
    return size, finest, sure


def _shown(item: Reading, unit: str | None) -> str:
    number = write_number(item.number, item.exp)
    rest = [item.unit if unit else "(unit not told)", item.mode]
    rest += [] if item.stable is None else ["stable" if item.stable else "moving"]
    rest += [] if item.status == "ok" else [item.status]
    return " ".join(part for part in (number, *rest) if part)


def _told_apart(cells: list[Cell], chosen: int, decimal: str) -> list[str]:
    """What relates the numbers of a line: gross − tare = net in every line."""
    numbers = {at: values(cell, decimal) for at, cell in enumerate(cells) if cell.kind == NUMBER}
    for a, first in numbers.items():
        for b, second in numbers.items():
            for c, third in numbers.items():
                if len({a, b, c}) == 3 and _is_difference(first, second, third):
                    parts = {a: "gross", b: "tare or net", c: "net or tare"}
                    if chosen in parts:
                        return [f"one number is the difference of two others; this one is {parts[chosen]}"]
    return []


def _is_difference(
    first: list[Fraction | None], second: list[Fraction | None], third: list[Fraction | None]
) -> bool:
    rows = [row for row in zip(first, second, third, strict=True) if None not in row]
    real = [(a, b, c) for a, b, c in rows if a is not None and b is not None and c is not None]
    return len(real) >= 3 and all(a - b == c for a, b, c in real) and any(b and c for _, b, c in real)
