"""A line in its smallest parts: numbers, words, times, runs of marks, blanks, and single characters."""

from __future__ import annotations

import re
from functools import lru_cache
from typing import NamedTuple

NUMBER, WORD, STAMP, MARKS, BLANK, OTHER = "number", "word", "stamp", "marks", "blank", "other"

_RATE = r"[A-Za-z]+[23]?/(?:min|hr|h|sec|s|day|d)(?![A-Za-z])"
_STAMP = r"(?<!\d)(?:\d{1,2}:\d{2}(?::\d{2})?|\d{1,4}(?P<between>[-/.])\d{1,2}(?P=between)\d{1,4})(?!\d)"


class Atom(NamedTuple):
    """One part of a line. ``kind``: number (its sign and the blanks behind the sign with it), word,
    stamp (a date or a time of day), marks (three and more of one sign, as overload is shown), blank, other
    (one character)."""

    kind: str
    text: str
    start: int

    @property
    def end(self) -> int:
        return self.start + len(self.text)


@lru_cache(maxsize=4)
def _pattern(decimal: str) -> re.Pattern[str]:
    point = re.escape(decimal)
    bare = rf"|(?<![\w.]){point}\d+" if decimal == "." else ""  # a comma that begins a number parts fields
    return re.compile(
        rf"(?P<blank> +)|(?P<marks>(?P<mark>[-_^*><=#~.])(?P=mark){{2,}})|(?P<stamp>{_STAMP})"
        rf"|(?P<number>(?:[+-] *)?(?:\d+(?:{point}\d*)?{bare}))"
        rf"|(?P<word>{_RATE}|[A-Za-z]+)|(?P<other>.)",
        re.ASCII | re.DOTALL,
    )


def atoms(line: str, decimal: str = ".") -> list[Atom]:
    """The parts of a line, in order and without a gap; ``decimal`` is the sign before the decimals.

    >>> [(a.kind, a.text) for a in atoms("ST,-  1.2kg")]
    [('word', 'ST'), ('other', ','), ('number', '-  1.2'), ('word', 'kg')]
    """
    found = []
    for match in _pattern(decimal).finditer(line):
        kind = next(
            name for name in (BLANK, MARKS, STAMP, NUMBER, WORD, OTHER) if match.group(name) is not None
        )
        found.append(Atom(kind, match.group(), match.start()))
    return found


def shape(line: str, decimal: str = ".") -> tuple[str, ...]:
    """What kinds of parts follow each other: equal for lines of one kind. Blanks don't count, and marks
    stand for a number."""
    kinds = {NUMBER: "9", MARKS: "9", WORD: "a", STAMP: "12:00"}
    return tuple(kinds.get(atom.kind, atom.text) for atom in atoms(line, decimal) if atom.kind != BLANK)
