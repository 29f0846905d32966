"""From cells to a layout: which cell becomes which field, written as the configuration has it."""

from __future__ import annotations

import re
from dataclasses import dataclass, field

from logger.core.decode.layout import MAX_WIDTH
from logger.core.guess.atoms import NUMBER, STAMP, WORD
from logger.core.guess.cells import ODD, TEXT, Cell, decimals, is_counter, neighbour_meaning, values
from logger.core.guess.cut import NAMES
from logger.core.guess.meanings import Meanings, meanings
from logger.core.guess.words import kind_of, unit_of

SIGNS = {"+", "-", ""}


@dataclass(slots=True)
class Draft:
    """A layout in the making. ``unit`` None: the lines tell none."""

    layout: str = ""
    words: dict[str, str] = field(default_factory=dict)
    unit: str | None = None
    reasons: list[str] = field(default_factory=list)
    questions: list[str] = field(default_factory=list)
    used: set[str] = field(default_factory=set)
    mode: str = ""  # gross, net or tare, where fixed text says so


class _Drawer:
    def __init__(self, cells: list[Cell], chosen: int, decimal: str, fixed: bool, one_mode: bool) -> None:
        self.one_mode = one_mode
        self.cells, self.chosen, self.decimal, self.fixed = cells, chosen, decimal, fixed
        self.numbers = values(cells[chosen], decimal)
        self.unit_at = _unit_at(cells, chosen)
        self.out = Draft()

    def draw(self) -> Draft:
        out = self.out
        if not decimals(self.cells[self.chosen], self.decimal):
            out.questions.append(
                "whether a decimal point is left out, as 1234 is read as 1234: compare with the display"
            )
        elif self._maybe_thousands():
            out.questions.append(
                f'whether "{self.cells[self.chosen].words[-1]}" has decimals: its comma may stand before '
                "thousands, which the line dialect cannot read; compare with the display"
            )
        out.mode = neighbour_meaning(self.cells, self.chosen)
        for at, cell in enumerate(self.cells):
            if cell.kind == TEXT:
                self._text(cell.texts[0], at)
            elif cell.kind == NUMBER and at == self.chosen:
                out.layout += self._number(cell)
            elif cell.kind == NUMBER:
                self._other_number(cell, at)
            elif at == self.unit_at:
                self._unit(cell, at)
            elif cell.distinct <= SIGNS and "-" in cell.distinct:
                self._sign_apart(cell)
            elif cell.kind == WORD:
                self._word(cell, at)
            else:
                self._odd(cell, at)
        return out

    def _maybe_thousands(self) -> bool:
        """Whether a comma might part thousands: three digits behind it, no zero alone before it."""
        words = [word.lstrip("+- ") for word in self.cells[self.chosen].words if word]
        return self.decimal == "," and all(re.fullmatch(r"[1-9]\d{0,2},\d{3}", word) for word in words)

    def _next_is_field(self, at: int) -> bool:
        return at + 1 < len(self.cells) and self.cells[at + 1].kind != TEXT

    def _only_blanks_behind(self, at: int) -> bool:
        return all(cell.kind == TEXT and not cell.texts[0].strip(" ") for cell in self.cells[at + 1 :])

    def _text(self, text: str, at: int) -> None:
        if self._only_blanks_behind(at) and not text.strip(" ") and self.out.layout.endswith("{unit}"):
            return  # a unit at the end takes the blanks behind it
        for char in text:
            if char in "\r\n" or not char.isascii():
                self.out.layout += "{skip:1}"
                self.out.reasons.append(f"a {NAMES.get(ord(char), hex(ord(char)))} is skipped in every line")
            else:
                self.out.layout += char * 2 if char in "{}" else char

    def _number(self, cell: Cell) -> str:
        if self.fixed and cell.width and cell.width <= MAX_WIDTH:
            return f"{{number:{cell.width}}}"
        return "{number}"

    def _field(self, name: str, cell: Cell, at: int) -> None:
        """A field, with a width where its places are known and nothing else ends it."""
        lengths = {len(text) for text in cell.texts}
        width = cell.width or (lengths.pop() if len(lengths) == 1 and self._next_is_field(at) else 0)
        behind = self.cells[at + 1].texts[0][:1] if at + 1 < len(self.cells) else ""
        ended = at + 1 == len(self.cells) or (not self._next_is_field(at) and behind != " ")
        if name == "unit" and (ended or self._only_blanks_behind(at)):
            width = 0  # a unit may be longer or shorter than the one that was heard
        self.out.layout += f"{{{name}:{width}}}" if 0 < width <= MAX_WIDTH else f"{{{name}}}"

    def _other_number(self, cell: Cell, at: int) -> None:
        shown = cell.words[-1]
        if cell.constant and not decimals(cell, self.decimal):
            self._text(cell.texts[0], at)
            self.out.reasons.append(f'"{shown}" never changed and is taken as fixed text')
            return
        self._field("skip", cell, at)
        if abs(at - self.chosen) == 1:
            digits = len(cell.texts[0]) + len(self.cells[self.chosen].texts[0])
            self.out.questions.append(
                f"whether a run of {digits} digits is two numbers, as it is read, and which is the weight"
            )
        elif is_counter(values(cell, self.decimal)):
            self.out.reasons.append(f'"{shown}" goes up by one from line to line: a counter, skipped')
        else:
            near = neighbour_meaning(self.cells, at)
            named = f" (behind a word for {near})" if near else ""
            self.out.questions.append(f'what the other number, e.g. "{shown}"{named}, is: it is skipped')

    def _unit(self, cell: Cell, at: int) -> None:
        units = {word: unit_of(word) for word in cell.distinct if word}
        known = {word: unit for word, unit in units.items() if unit}
        most = max(known, key=cell.words.count)
        self.out.unit = known[most]
        clash = {word for word, unit in known.items() if word in self.out.words and word != unit}
        if clash and cell.constant:
            self._text(cell.texts[0], at)
            self.out.reasons.append(f'the unit "{most}" is fixed text, as "{most}" is a status word as well')
            return
        self._field("unit", cell, at)
        for word, unit in known.items():
            if word != unit:
                self.out.words[word] = unit
                self.out.reasons.append(f'"{word}" is read as the unit {unit}')
        for word in units.keys() - known.keys():
            self.out.questions.append(f'"{word}" stood where the unit stands and is no unit known here')
        if "" in cell.distinct:
            self.out.reasons.append(f"the unit is left out now and then; {known[most]} is meant then")

    def _sign_apart(self, cell: Cell) -> None:
        """A sign with something between it and its number must never be skipped: -1 would read as 1."""
        plus = next((text for text in cell.texts if "-" not in text), None)
        self.out.layout += plus if plus is not None else cell.texts[0]
        self.out.questions.append(
            "a minus sign stands apart from its number, which the line dialect cannot read: lines with it "
            "come as not understood"
        )

    def _odd(self, cell: Cell, at: int) -> None:
        self._field("skip", cell, at)
        example = cell.words[-1]
        if cell.kind == STAMP:
            self.out.reasons.append(f'"{example}" is a date or a time of day, skipped')
            return
        self.out.reasons.append(
            f"{example!r} varies without a rule, like a checksum; it is skipped, not checked"
        )
        if not all(text.isascii() for text in cell.texts):
            self.out.questions.append(
                "a checksum byte has its top bit set in some lines, and the line dialect refuses those: "
                "switch the checksum off at the instrument"
            )

    def _word(self, cell: Cell, at: int) -> None:
        out = self.out
        said = meanings(cell, self.numbers)
        kinds = {kind_of(means) for word, means in said.words.items() if word in cell.distinct}
        if cell.constant and not kinds:
            self._text(cell.texts[0], at)
            if unit_of(cell.words[0]):
                return  # of another number
            out.questions.append(
                f'whether "{cell.words[0]}" ever changes: it is taken as fixed text, and lines with another '
                "word there come as not understood"
            )
            return
        if cell.constant and kinds == {"mode"} and (self.one_mode or _many_numbers(self.cells)):
            self._text(cell.texts[0], at)
            return
        name = self._name(kinds)
        clash = any(out.words.get(word, means) != means for word, means in said.words.items())
        if not name or clash:
            self._field("skip", cell, at)
            out.questions.append(f"what {_listed(cell)} mean: skipped, as the line dialect has no field left")
            return
        out.used.add(name)
        self._field(name, cell, at)
        self._take(said)

    def _take(self, said: Meanings) -> None:
        self.out.words |= said.words
        self.out.reasons += said.reasons
        self.out.questions += said.questions

    def _name(self, kinds: set[str]) -> str:
        """The field for words of these kinds. An unknown word in `mode` costs the line, so mode is only
        for modes."""
        order = ("mode",) if kinds == {"mode"} else ("status", "motion")
        return next((name for name in (*order, "status", "motion") if name not in self.out.used), "")


def _many_numbers(cells: list[Cell]) -> bool:
    return sum(cell.kind == NUMBER and (not cell.constant or "." in cell.texts[0]) for cell in cells) > 1


def _listed(cell: Cell) -> str:
    return ", ".join(f'"{word}"' for word in sorted(cell.distinct)[:4])


def _unit_at(cells: list[Cell], chosen: int) -> int:
    """Which cell holds the number's unit; -1 none. Behind the number, else before it."""
    for order in (range(chosen + 1, len(cells)), range(chosen - 1, -1, -1)):
        for at in order:
            cell = cells[at]
            if cell.kind == NUMBER or (at < chosen and _named_otherwise(cells, chosen)):
                break
            named = cell.kind == WORD and any(unit_of(word) for word in cell.distinct if word)
            if named and (at > chosen or all(len(word) > 1 for word in cell.distinct)):
                return at
    return -1


def _named_otherwise(cells: list[Cell], chosen: int) -> bool:
    """Whether a word stands right behind the number: a unit before it is then another number's."""
    behind = [cell for cell in cells[chosen + 1 : chosen + 3] if cell.kind != TEXT or cell.texts[0].strip()]
    return bool(behind) and behind[0].kind == WORD and not behind[0].distinct <= {""}


def draft(cells: list[Cell], chosen: int, decimal: str, fixed: bool, one_mode: bool = False) -> Draft:
    """The layout in which the cell ``chosen`` is the number; ``fixed``: its width is told too.
    ``one_mode``: lines of other modes come as well and are to be refused, so a mode is fixed text."""
    return _Drawer(cells, chosen, decimal, fixed, one_mode).draw()


__all__ = ["ODD", "Draft", "draft"]
