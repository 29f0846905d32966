"""How a line looks, as a person writes it in the configuration: literal text with fields in braces.

``{status},{mode},{number:9} {unit}`` describes ``ST,GS,+  1.234 kg``. No regular expression is taken
from anyone: the layout is cut into items here, and the one that matches lines is built from the
items, with every repetition possessive, so that matching is linear in the length of the line.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from itertools import pairwise
from types import MappingProxyType

from logger.core.units import FLOW_L_MIN, MASS_MG, PULSE, VOLUME_L

FIELDS = ("status", "motion", "mode", "number", "unit", "skip")
ENDS = {"CRLF": b"\r\n", "CR": b"\r", "LF": b"\n"}
UNITS = frozenset((*MASS_MG, *FLOW_L_MIN, *VOLUME_L, PULSE))
STABILITY = {"stable": True, "moving": False}
MODES = frozenset({"gross", "net", "tare"})
CONDITIONS = {"ok": "ok", "zero": "zero", "over": "over", "under": "under", "error": "unknown"}
MEANINGS = (*STABILITY, *sorted(MODES), *CONDITIONS)
MAX_WIDTH = 40
MAX_LAYOUT = 200
MAX_REQUEST = 32


@dataclass(frozen=True, slots=True)
class Item:
    """A piece of a layout: literal text (`field` empty), or a field with its width (0: not fixed)."""

    field: str
    text: str = ""
    width: int = 0


@dataclass(frozen=True, slots=True)
class LineFormat:
    """One kind of line. Everything is checked when it is made; ValueError says what is allowed.

    ``layout``: literal text and fields in braces: status, motion, mode, number, unit, skip; ``{{`` and
    ``}}`` stand for a brace. ``{number:9}`` is exactly nine characters, blanks around it ignored. A
    field without width ends at the next literal character; a number without width is as long as it can be.
    ``words``: what stands on the wire -> what it means: stable, moving, gross, net, tare, ok, zero,
    over, under, error, or the name of a unit. ``""`` is the word for a blank field.
    ``unit``: the unit where the layout has none, or where its field is blank.
    ``end``: CRLF, CR or LF. ``request``: what is sent to ask for a line, as it stands, with its own
    line end; empty for an instrument that sends by itself. ``decimal``: ``.`` or ``,``.
    """

    layout: str
    words: Mapping[str, str] = field(default_factory=dict)
    unit: str | None = None
    end: str = "CRLF"
    request: str = ""
    decimal: str = "."

    def __post_init__(self) -> None:
        object.__setattr__(self, "words", MappingProxyType(dict(self.words)))
        _check_parts(self)
        _check_items(self.layout, parse(self.layout), self.decimal)
        names = {item.field for item in parse(self.layout)}
        if "unit" not in names and self.unit is None:
            raise ValueError(
                f'layout "{self.layout}" has no {{unit}} and no unit is given; give one, e.g. unit = "kg"'
            )


def parse(layout: str) -> tuple[Item, ...]:
    """The items of a layout. ValueError where a brace or a field is not as it should be."""
    items: list[Item] = []
    literal = ""
    at = 0
    while at < len(layout):
        char = layout[at]
        if layout[at : at + 2] in ("{{", "}}"):
            literal, at = literal + char, at + 2
        elif char == "{":
            close = layout.find("}", at)
            if close < 0:
                raise ValueError(f'layout "{layout}": the brace at character {at + 1} is not closed')
            if literal:
                items.append(Item("", literal))
                literal = ""
            items.append(_field(layout, layout[at + 1 : close]))
            at = close + 1
        elif char == "}":
            raise ValueError(f'layout "{layout}": "}}" at character {at + 1} closes nothing; double it')
        else:
            literal, at = literal + char, at + 1
    if literal:
        items.append(Item("", literal))
    return tuple(items)


def _field(layout: str, inside: str) -> Item:
    name, colon, width = inside.partition(":")
    if name not in FIELDS:
        raise ValueError(f'layout "{layout}": field "{name}" is not known; use one of {", ".join(FIELDS)}')
    if not colon:
        return Item(name)
    if not (width.isascii() and width.isdigit() and 1 <= int(width[:4]) <= MAX_WIDTH and len(width) <= 4):
        raise ValueError(
            f'layout "{layout}": width "{width}" of {name} is not a whole number from 1 to {MAX_WIDTH}'
        )
    return Item(name, width=int(width))


def _check_parts(line: LineFormat) -> None:
    if not 1 <= len(line.layout) <= MAX_LAYOUT:
        raise ValueError(f"layout has {len(line.layout)} characters; 1 to {MAX_LAYOUT} are allowed")
    if not line.layout.isascii() or "\r" in line.layout or "\n" in line.layout:
        raise ValueError(f"layout {line.layout!r} must be ASCII without a line end; that is told by `end`")
    if line.end not in ENDS:
        raise ValueError(f'end "{line.end}" is not known; use one of {", ".join(ENDS)}')
    if line.decimal not in (".", ","):
        raise ValueError(f'decimal "{line.decimal}" is not known; use "." or ","')
    if line.unit is not None and line.unit not in UNITS:
        raise ValueError(f'unit "{line.unit}" is not known; use one of {", ".join(sorted(UNITS))}')
    if not line.request.isascii() or len(line.request) > MAX_REQUEST:
        raise ValueError(f"request {line.request!r} must be ASCII of at most {MAX_REQUEST} characters")
    for word, meaning in line.words.items():
        if not word.isascii() or word != word.strip(" ") or len(word) > MAX_WIDTH:
            raise ValueError(
                f"word {word!r} must be ASCII, without blanks around it, of at most {MAX_WIDTH} characters"
            )
        if meaning not in MEANINGS and meaning not in UNITS:
            raise ValueError(
                f'word "{word}" means "{meaning}", which is not known; use a unit or one of '
                f"{', '.join(MEANINGS)}"
            )


def _check_items(layout: str, items: tuple[Item, ...], decimal: str) -> None:
    names = [item.field for item in items if item.field]
    if names.count("number") != 1:
        raise ValueError(f'layout "{layout}" has {{number}} {names.count("number")} times; once is needed')
    for name in ("status", "motion", "mode", "unit"):
        if names.count(name) > 1:
            raise ValueError(f'layout "{layout}" has {{{name}}} {names.count(name)} times; once is allowed')
    for item, following in pairwise(items):
        if not item.field or item.width:
            continue
        if item.field != "number" and following.field:
            raise ValueError(
                f'layout "{layout}": where {{{item.field}}} ends and {{{following.field}}} begins can\'t be '
                f"told; give it a width, e.g. {{{item.field}:2}}, or put a literal character between them"
            )
        if item.field == "number" and following.text[:1] in tuple(f"0123456789{decimal}"):
            raise ValueError(
                f'layout "{layout}": {{number}} can\'t be told from the "{following.text[0]}" behind it; '
                "give it a width"
            )


def pattern(items: tuple[Item, ...], decimal: str) -> re.Pattern[str]:
    """What a whole line must match; a group named after each field but skip.

    ``blank`` is there instead of ``number`` where a number without width is all blanks: it takes the
    blanks of the literal behind it too, so the literal's own are only checked to have been there.
    """
    parts = []
    left = list(items)
    while left:
        item = left.pop(0)
        literal = left[0].text if left else ""  # "" before a field and at the end
        if not item.field:
            parts.append(re.escape(item.text))
        elif item.width:
            parts.append(_group(item.field, f".{{{item.width}}}"))
        elif item.field != "number":
            parts.append(_group(item.field, f"[^{re.escape(literal[0])}]*+" if literal else ".*+"))
        else:
            parts.append(_longest_number(literal, re.escape(decimal)))
            del left[: 1 if literal else 0]
    return re.compile("".join(parts), re.ASCII | re.DOTALL)


def _longest_number(literal: str, point: str) -> str:
    """A number, or dashes, or blanks, with the literal behind it."""
    digits = rf"[0-9]++(?:{point}[0-9]*+)?+|{point}[0-9]++"
    number = rf"(?P<number> *+(?:[+-]? *+(?:{digits})|-++))"
    tail = literal.lstrip(" ")
    blank = rf"(?P<blank> *+)(?<= {{{len(literal) - len(tail)}}})"
    return rf"(?:{number}{re.escape(literal)}|{blank}{re.escape(tail)})"


def _group(name: str, inside: str) -> str:
    return f"(?:{inside})" if name == "skip" else f"(?P<{name}>{inside})"


def proves_its_start(line: LineFormat) -> bool:
    """Whether a line that lost its head can never pass for a whole one with another value.

    If it could, the first line after a wire was opened may have lost digits or a sign and look like
    a smaller weight. It can't (1) where every field has a width: the rest is too short; (2) where all
    up to the number has one and a literal that is no part of a number follows: the number would take
    that in; (3) where the line begins with a character that occurs nowhere else in it; (4) where it
    begins with a word, all words begin with a letter, and none is the tail of another.
    """
    items = parse(line.layout)
    in_number = "0123456789+- " + line.decimal
    if all(item.width or not item.field for item in items):
        return True
    if any(item.field == "skip" for item in items):  # anything may stand there, also what looks like a head
        return False
    at = [item.field for item in items].index("number")
    following = items[at + 1].text[:1] if at + 1 < len(items) else ""
    if following and following not in in_number and all(i.width or not i.field for i in items[: at + 1]):
        return True
    first = items[0]
    if not first.field:
        rest = first.text[1:] + "".join(item.text for item in items[1:]) + "".join(line.words)
        return first.text[0] not in rest + in_number + "".join(UNITS)
    words = [word for word, meaning in line.words.items() if meaning in MEANINGS]
    return (
        first.field in ("status", "motion", "mode")
        and all(word[:1].isalpha() for word in words)
        and not any(a != b and b.endswith(a) for a in words for b in words)
    )
