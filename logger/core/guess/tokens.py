"""Cells of lines of different length: the same parts one after the other, wherever they stand."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import takewhile

from logger.core.guess.atoms import BLANK, MARKS, NUMBER, OTHER, STAMP, WORD, Atom, atoms
from logger.core.guess.cells import TEXT, Cell

_KIND = {NUMBER: NUMBER, MARKS: NUMBER, WORD: WORD, STAMP: STAMP, OTHER: TEXT}


def tokens(lines: Sequence[str], decimal: str) -> list[Cell]:
    """The cells of lines of one shape (`atoms.shape`), the last part of which may be missing. Blanks go into
    the cell of the number behind them; elsewhere as many as always stood there are text."""
    rows = [_parts(line, decimal) for line in lines]
    most = max(map(len, rows))
    short = any(len(row) < most for row in rows)
    rows = [row if len(row) == most else [*row[:-1], (0, row[-1][1]), row[-1]] for row in rows]
    cells: list[Cell] = []
    for at in range(len(rows[0]) - 1):
        gaps = [row[at][0] for row in rows]
        atom = [row[at][1] for row in rows]
        kind = WORD if short and at == most - 2 else _KIND[atom[0].kind]
        if kind == NUMBER:
            cells += _number(gaps, atom, cells)
            continue
        if min(gaps):
            cells.append(Cell(TEXT, (" " * min(gaps),) * len(rows)))
        texts = tuple(part.text for part in atom)
        if (
            kind == TEXT
            and len(set(texts)) == 1
            and cells
            and cells[-1].kind == TEXT
            and max(gaps) == min(gaps)
        ):
            cells[-1] = Cell(TEXT, tuple(cells[-1].texts[0] + text for text in texts))
        else:
            cells.append(Cell(kind, texts))
    tail = min(row[-1][0] for row in rows)
    if tail:
        cells.append(Cell(TEXT, (" " * tail,) * len(rows)))
    return cells


def _parts(line: str, decimal: str) -> list[tuple[int, Atom]]:
    """Each part but blanks with how many blanks stood before it; last a mark for the line's end."""
    found: list[tuple[int, Atom]] = []
    blanks = 0
    for atom in atoms(line, decimal):
        if atom.kind == BLANK:
            blanks = len(atom.text)
        else:
            found.append((blanks, atom))
            blanks = 0
    found.append((blanks, Atom(BLANK, "", len(line))))
    return found


def _number(gaps: list[int], parts: list[Atom], cells: list[Cell]) -> list[Cell]:
    """A number with the blanks before it: of fixed width where they fill it up to one."""
    texts = tuple(" " * gap + part.text for gap, part in zip(gaps, parts, strict=True))
    widths = {len(text) for text in texts}
    padded = any(gap != gaps[0] for gap in gaps) or any(_zeros(part.text) for part in parts)
    if len(widths) == 1 and padded:
        return [Cell(NUMBER, texts, widths.pop(), padded=True)]
    lead = " " * min(gaps) if cells else ""
    before = [Cell(TEXT, (lead,) * len(texts))] if lead else []
    return [*before, Cell(NUMBER, tuple(text[len(lead) :] for text in texts))]


def _zeros(text: str) -> bool:
    """Whether zeros fill the number up."""
    digits = text.lstrip("+- ")
    return len(list(takewhile(str.isdigit, digits))) > 1 and digits[0] == "0"
