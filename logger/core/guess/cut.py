"""Where a line ends: bytes into frames, by what ends them and by the pauses between them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from logger.core.decode.layout import ENDS

Burst = tuple[int, bytes]
"""When its first byte came, ns on any one clock, and what came until the next pause."""

STX, ETX, ACK, NAK = 2, 3, 6, 21
NAMES = {0: "NUL", 2: "STX", 3: "ETX", 4: "EOT", 5: "ENQ", 6: "ACK", 9: "TAB", 10: "LF", 13: "CR"} | {
    17: "DC1",
    19: "DC3",
    21: "NAK",
    23: "ETB",
    27: "ESC",
    30: "RS",
}
"""Control characters by their names in ISO 646 / ECMA-6."""


@dataclass(frozen=True, slots=True)
class Cut:
    """``end``: CRLF, CR or LF, or "" where none of them ends a line. ``lines`` are whole lines without
    their end, in order, each with its time. ``why`` says what was seen; ``trouble`` what the line dialect
    cannot express, "" nothing."""

    end: str
    lines: tuple[bytes, ...] = ()
    at_ns: tuple[int, ...] = ()
    why: str = ""
    trouble: str = ""


def bursts(chunks: Sequence[Burst], pause_ns: int = 25_000_000) -> list[Burst]:
    """Chunks as they were read, joined where less than a pause lies between them."""
    found: list[Burst] = []
    last_ns = 0
    for at_ns, data in chunks:
        if found and at_ns - last_ns < pause_ns:
            found[-1] = (found[-1][0], found[-1][1] + data)
        else:
            found.append((at_ns, data))
        last_ns = at_ns
    return found


def cut(chunks: Sequence[Burst], joined_midway: bool = True) -> Cut:
    """Lines from what was read. ``joined_midway``: the first line may have lost its head."""
    chunks = [(at_ns, piece) for at_ns, piece in chunks if piece]
    data = b"".join(piece for _, piece in chunks)
    if not data:
        return Cut("", why="nothing was heard")
    end, why = _end(chunks, data)
    if not end:
        return _without_end(chunks, data, why)
    lines, times = _split(chunks, ENDS[end])
    if joined_midway and len(lines) > 2:
        lines, times = lines[1:], times[1:]
    full = [(line, at_ns) for line, at_ns in zip(lines, times, strict=True) if line]
    return Cut(end, tuple(line for line, _ in full), tuple(at_ns for _, at_ns in full), why)


def _end(chunks: Sequence[Burst], data: bytes) -> tuple[str, str]:
    """(CRLF, CR, LF or "", what was seen)."""
    both = data.count(b"\r\n")
    cr, lf = data.count(b"\r") - both, data.count(b"\n") - both
    whole = bursts(chunks)
    if both + cr + lf == 0:
        return "", "neither CR nor LF came"
    framed = sum(1 for _, piece in whole if piece[:1] == b"\n" and piece[-1:] == b"\r")
    if framed * 2 > len(whole):
        return "CR", "each line begins with LF and ends with CR"
    if sum(1 for _, piece in whole if piece[-2:] == b"\n\r") * 2 > len(whole):
        return "CR", "each line ends with LF CR, in this order"
    if both >= max(cr, lf):
        return "CRLF", f"{both} times CR LF"
    return ("CR", f"{cr} times CR") if cr >= lf else ("LF", f"{lf} times LF")


def _split(chunks: Sequence[Burst], end: bytes) -> tuple[list[bytes], list[int]]:
    """Whole lines, each with the time of the piece that completed it."""
    lines, times, rest = [], [], b""
    for at_ns, piece in chunks:
        rest += piece
        *whole, rest = rest.split(end)
        lines += whole
        times += [at_ns] * len(whole)
    return lines, times


def _without_end(chunks: Sequence[Burst], data: bytes, why: str) -> Cut:
    """Frames that end with another control character, or by a pause alone: neither can be described."""
    whole = bursts(chunks)
    lasts = Counter(piece[-1] for _, piece in whole)
    control = Counter(byte for byte in data if byte < 0x20 and byte != STX)
    common = control.most_common(1)
    if common and common[0][1] >= 2:
        last, count = common[0]
        lines, times = _split(chunks, bytes([last]))
        trouble = (
            f"each frame ends with {NAMES.get(last, hex(last))} ({count} times); the line dialect knows "
            "lines that end with CR, LF or CR LF only: set the instrument to one of them"
        )
        return Cut("", tuple(lines), tuple(times), why, trouble)
    told = f"the same last byte {lasts.most_common(1)[0][0]:#04x}" if len(lasts) == 1 else "a pause"
    trouble = (
        f"frames are told apart by {told} only; the line dialect needs CR, LF or CR LF behind each line: "
        "set the instrument to send one"
    )
    return Cut("", tuple(p for _, p in whole), tuple(t for t, _ in whole), why, trouble)
