"""A wire opened in the middle of a line: what is left of it may look like a smaller weight."""

from __future__ import annotations

import random
from collections.abc import Iterator

import pytest

from logger.core.decode.layout import LineFormat, parse, proves_its_start
from logger.core.decode.line import LineDecoder
from logger.core.entries import Reading

from .dialects import DIALECTS, Dialect, usable_values

ASKED = "a bare number asked for"  # it does not send before it is asked, so it is never joined midway
STREAMS = [dialect for dialect in DIALECTS if dialect.name != ASKED]


@pytest.mark.parametrize("dialect", STREAMS, ids=lambda dialect: dialect.name)
def test_a_stream_joined_midway_gives_no_wrong_weight(dialect: Dialect) -> None:
    for sample in dialect.samples:
        value = usable_values(dialect.in_step().feed(sample, 7))
        for at in range(1, len(sample)):
            assert usable_values(dialect.make().feed(sample[at:], 9)) <= value, (sample, at)


@pytest.mark.parametrize("dialect", DIALECTS, ids=lambda dialect: dialect.name)
def test_a_wire_opened_again_loses_at_most_its_first_line(dialect: Dialect) -> None:
    sample = dialect.samples[0]
    decoder = dialect.in_step()
    decoder.reset(8)
    assert decoder.feed(sample * 2, 9)[-1] == dialect.in_step().feed(sample, 9)[0]


LITERALS = (",", " ", "  ", ";", "=", "kg", "A", ":", "- ", " ,", "N")
NUMBERS = ("1.234", "+   1.234", "-0.50", "-  12.5", "  99.5", " - 7", "12", "--", "", "0.5 ", "1 2")
WORD_POOL = {
    "ST": "stable",
    "S": "moving",
    "GS": "gross",
    "T": "tare",
    "OK": "ok",
    "NOK": "error",
    "": "ok",
    "1": "stable",
    "A": "net",
    "KG": "kg",
    "-": "zero",
}
TEXTS = {
    "number": NUMBERS,
    "unit": ("kg", "g", "KG", ""),
    "skip": ("", "ab", "1", " 2.5", "ST", "-3,", "kg", "= 4"),
}
WIDTHS = ("", "", ":1", ":2", ":3", ":6", ":9")


def layout(chance: random.Random) -> str:
    """One that may or may not be allowed."""
    fields = ["number", *(name for name in ("status", "motion", "mode") if chance.random() < 0.35)]
    chance.shuffle(fields)
    fields += [name for name in ("unit", "skip") if chance.random() < 0.4]
    pieces = []
    for name in fields:
        pieces += [chance.choice(LITERALS)] if chance.random() < 0.7 else []
        pieces.append(f"{{{name}{chance.choice(WIDTHS)}}}")
    pieces += [chance.choice(LITERALS)] if chance.random() < 0.5 else []
    start = chance.randrange(len(pieces))
    return "".join(pieces[start:] + pieces[:start])


def wire_of(line: LineFormat, chance: random.Random) -> bytes:
    """A line made after the layout, right or nearly right."""
    wire = ""
    for item in parse(line.layout):
        text = item.text or chance.choice(TEXTS.get(item.field) or tuple(line.words))
        text = text.ljust(item.width) if chance.random() < 0.5 else text.rjust(item.width)
        wire += text[: item.width or None]
    return wire.encode("ascii") + b"\n"


def lines_that_prove_their_start(seed: int, count: int) -> Iterator[tuple[LineFormat, bytes]]:
    """Lines that decode to a reading, usable or not, of layouts that claim to prove their start."""
    chance = random.Random(seed)
    while count:
        words = {word: WORD_POOL[word] for word in chance.sample(sorted(WORD_POOL), chance.randint(1, 6))}
        try:
            line = LineFormat(layout(chance), words, unit="kg", end="LF")
        except ValueError:
            continue
        wire = wire_of(line, chance)
        (item,) = LineDecoder("scale", line).feed(wire, 7)
        if proves_its_start(line) and isinstance(item, Reading):
            count -= 1
            yield line, wire


@pytest.mark.parametrize("seed", [1, *(pytest.param(n, marks=pytest.mark.full) for n in range(2, 22))])
def test_no_layout_takes_the_rest_of_a_line_for_another_weight(seed: int) -> None:
    """What a fresh stream makes of a tail is nothing, or the whole line's weight, whatever is described."""
    for line, wire in lines_that_prove_their_start(seed, 2000):
        value = usable_values(LineDecoder("scale", line).feed(wire, 7))
        for at in range(1, len(wire)):
            found = usable_values(LineDecoder("scale", line).feed(wire[at:], 9))
            assert found <= value, (line.layout, wire, at)
