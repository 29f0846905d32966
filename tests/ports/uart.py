"""What a UART makes of a line that is sent at one speed and format and read at another: bit by bit.

Levels over time: idle is 1, a start bit 0, data bits from the lowest, parity, stop bits 1. The receiver
waits for a falling edge, looks at the middle of each bit as long as it believes a bit to be, and looks for
the next start bit half a bit before the end of its stop bit, as a 16550 does. No noise, no clock error.
"""

from __future__ import annotations

from fractions import Fraction

Framing = tuple[int, str]


def _parts(framing: str) -> tuple[int, str, Fraction]:
    return int(framing[0]), framing[1], Fraction(framing[2:])


def levels(data: bytes, sent: Framing, gap_bits: int = 0) -> list[tuple[Fraction, int]]:
    """(how long, level) one after the other, s; ``gap_bits`` of idle between characters."""
    baud, framing = sent
    bits, parity, stop = _parts(framing)
    one = Fraction(1, baud)
    found: list[tuple[Fraction, int]] = [(one * 20, 1)]
    for byte in data:
        payload = [byte >> place & 1 for place in range(bits)]
        if parity != "N":
            payload.append(sum(payload) & 1 ^ (parity == "O"))
        found += [(one, 0), *((one, bit) for bit in payload), (one * (stop + gap_bits), 1)]
    return [*found, (one * 400, 1)]


def sample(line: list[tuple[Fraction, int]], read: Framing) -> tuple[bytes, int]:
    """(what a receiver at these settings delivers, how many characters had a framing or parity error)."""
    baud, framing = read
    bits, parity, _ = _parts(framing)
    one = Fraction(1, baud)
    edges: list[tuple[Fraction, int]] = []  # when a level begins
    at = Fraction(0)
    for length, level in line:
        if not edges or edges[-1][1] != level:
            edges.append((at, level))
        at += length
    end = at
    out = bytearray()
    errors = 0
    place = 0

    def level_at(when: Fraction) -> int:
        nonlocal place
        while place + 1 < len(edges) and edges[place + 1][0] <= when:
            place += 1
        return edges[place][1]

    now = Fraction(0)
    while now < end:
        if level_at(now) == 1:
            falls = next((edge for edge in edges[place + 1 :] if edge[1] == 0), None)
            if falls is None:
                break
            now = falls[0]
        if level_at(now + one / 2):  # no start bit after all
            now += one / 2
            continue
        payload = [level_at(now + one * (Fraction(3, 2) + n)) for n in range(bits)]
        wrong = False
        after = bits
        if parity != "N":
            wrong = level_at(now + one * (Fraction(3, 2) + bits)) != (sum(payload) & 1 ^ (parity == "O"))
            after += 1
        stop_at = now + one * (Fraction(3, 2) + after)
        stop = level_at(stop_at)
        out.append(sum(bit << n for n, bit in enumerate(payload)))
        errors += wrong or stop == 0
        if stop == 0:  # a framing error: the receiver waits for the line to be idle again
            rises = next((edge for edge in edges[place + 1 :] if edge[1] == 1), None)
            now = rises[0] if rises is not None else end
        else:
            now = stop_at
    return bytes(out), errors


def garbled(data: bytes, sent: Framing, read: Framing) -> tuple[bytes, int]:
    """What arrives of bytes that are sent at one speed and format and read at another."""
    if sent == read:
        return data, 0
    return sample(levels(data, sent), read)
