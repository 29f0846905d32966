"""Do these bytes come from an instrument that is read at the right speed and format?

A UART at another speed samples the wrong places of each bit, so bytes come out that are no text:
repeated bits (0x00, 0x80, 0xE0, 0xF8, 0xFE, 0xFF and the like). A wrong parity leaves the text, with the
parity in the top bit: of N characters all have even parity by chance with 2**-N.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from logger.core.decode.sma import SmaDecoder
from logger.core.entries import Reading
from logger.core.guess.atoms import NUMBER, atoms, shape
from logger.core.guess.cut import Burst, Cut, cut

TEXT = frozenset(range(0x20, 0x7F)) | {9, 10, 13}
FRAMING = frozenset({1, 2, 3, 4, 5, 6, 21, 23})  # SOH STX ETX EOT ENQ ACK NAK ETB
ENOUGH_BYTES = 8  # for a word on parity: 2**-8 by chance
CERTAIN = 0.85
"""A score from which on other settings need not be tried."""


@dataclass(frozen=True, slots=True)
class Fit:
    """How well bytes fit one setting. ``score`` 0 to 1: the share of clean bytes, squared, times how much
    of a line is there (an end, lines of one kind, a number in each). ``parity``: what the top bit says:
    ``""`` nothing (8 data bits), ``E``, ``O``, or ``M`` (always set: 7 bits and two stop bits). ``chunks``
    are the bytes with that bit taken off."""

    score: float
    clean: float
    alike: float
    numbers: float
    sma: float
    parity: str
    cut: Cut
    size: int
    chunks: tuple[Burst, ...] = ()

    @property
    def certain(self) -> bool:
        """Whether no other setting needs to be tried: three good lines at least."""
        return self.score >= CERTAIN and len(self.cut.lines) >= 3


def fit(chunks: Sequence[Burst], errors: int = 0, asked: bool = False) -> Fit:
    """Judge what was read. ``errors``: characters that the UART itself called wrong, where it tells.
    ``asked``: it came as an answer, so that nothing is missing at its beginning."""
    data = b"".join(piece for _, piece in chunks)
    if not data:
        return Fit(0.0, 0.0, 0.0, 0.0, 0.0, "", Cut("", why="nothing was heard"), 0)
    parity = top_bit(data)
    if parity:
        chunks = [(at_ns, strip(piece)) for at_ns, piece in chunks]
        data = strip(data)
    found = cut(chunks, joined_midway=not asked)
    clean = max(0.0, cleanness(data, found) - errors / len(data))
    alike, numbers = likeness(found.lines)
    sma = _sma_share(data)
    line = 1.0 if sma > 0.5 else 0.1 + 0.2 * bool(found.end) + 0.25 * alike + 0.45 * numbers
    return Fit(clean**2 * line, clean, alike, numbers, sma, parity, found, len(data), tuple(chunks))


def top_bit(data: bytes) -> str:
    """What the top bits are: ``E`` or ``O`` parity, ``M`` always set, "" none or no rule."""
    high = sum(byte >> 7 for byte in data)
    if not high or len(data) < ENOUGH_BYTES:
        return ""
    odd = sum(byte.bit_count() & 1 for byte in data) / len(data)
    rule = "M" if high == len(data) else "E" if odd <= 0.03 else "O" if odd >= 0.97 else ""
    stripped = strip(data)
    text = sum(byte in TEXT or byte in FRAMING for byte in stripped) / len(data)
    return rule if text >= 0.9 else ""


def strip(data: bytes) -> bytes:
    """Without the top bits."""
    return bytes(byte & 0x7F for byte in data)


def cleanness(data: bytes, found: Cut) -> float:
    """Share of bytes that belong in a line. A single odd place in every line (a checksum) costs little:
    bytes at the same place from the end of their lines count as one."""
    odd = sum(byte not in TEXT and byte not in FRAMING for byte in data)
    if odd and found.end and len(found.lines) >= 3:
        places = Counter(
            len(line) - at
            for line in found.lines
            for at, byte in enumerate(line)
            if byte not in TEXT and byte not in FRAMING
        )
        if len(places) <= 2 and max(places) <= 3:
            odd = min(odd, len(data) // 50)
    # text alone is not enough: a line holds letters and figures, not a run of one character
    few = len(set(data)) < 3
    return (1 - odd / len(data)) * (0.5 if few else 1.0)


def likeness(lines: Sequence[bytes]) -> tuple[float, float]:
    """(share of lines of the most frequent kind or length, share of lines with a number in them)."""
    if not lines:
        return 0.0, 0.0
    texts = [line.decode("latin-1") for line in lines[:200]]
    shapes = Counter(shape(text) for text in texts)
    lengths = Counter(len(text) for text in texts)
    alike = max(shapes.most_common(1)[0][1], lengths.most_common(1)[0][1]) / len(texts)
    numbers = sum(any(atom.kind == NUMBER for atom in atoms(text)) for text in texts) / len(texts)
    return alike, numbers


def _sma_share(data: bytes) -> float:
    """Share of the bytes that SMA SCP-0499 explains."""
    out = SmaDecoder("").feed(data, 0)
    good = sum(len(item.raw) or 20 for item in out if isinstance(item, Reading))
    total = sum(len(item.raw) or 20 for item in out)
    return good / total if total else 0.0
