"""Every dialect the program speaks, with samples, for the suite that runs over all of them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from logger.core.decode.contract import Decoder
from logger.core.decode.line import MAX_LINE, LineDecoder, LineFormat
from logger.core.decode.sma import MAX_PENDING, SmaDecoder
from logger.core.entries import USABLE, Garbage, Reading

WORDS = {"ST": "stable", "US": "moving", "OL": "over", "GS": "gross", "NT": "net", "TR": "tare"}


@dataclass(frozen=True)
class Dialect:
    """`samples` each hold one reading; `lead` brings a fresh decoder into step, where it must be."""

    name: str
    make: Callable[[], Decoder]
    samples: tuple[bytes, ...]
    units: tuple[str, ...]
    modes: tuple[str, ...]
    statuses: tuple[str, ...]
    stables: tuple[bool | None, ...]
    bound: int
    lead: bytes = b""

    def in_step(self) -> Decoder:
        decoder = self.make()
        decoder.feed(self.lead, 0)
        return decoder


def lines(
    name: str,
    line: LineFormat,
    samples: tuple[bytes, ...],
    units: tuple[str, ...] = ("kg",),
    modes: tuple[str, ...] = ("",),
    statuses: tuple[str, ...] = ("ok",),
    stables: tuple[bool | None, ...] = (None,),
    lead: bytes = b"",
) -> Dialect:
    return Dialect(
        name,
        lambda: LineDecoder("scale", line),
        samples,
        units,
        modes,
        statuses,
        stables,
        MAX_LINE + 2,
        lead,
    )


DIALECTS = (
    Dialect(
        "SMA SCP-0499",
        lambda: SmaDecoder("scale"),
        (
            b"\n 1G       5.025lb \r",
            b"\n 2GM     8:08.5l/o\r",
            b"\nZ1G       0.000lb \r",
            b"\nE1G  ----------kg \r",
            b"\nO1N        9999g  \r",
            b"\n_1g____-0.50000kg_\r",
            b"\n 1G      5.025lb \r",
            b"\nX1T       5.025oz \r",
        ),
        units=("lb", "kg", "g", "oz"),
        modes=("gross", "net", "tare"),
        statuses=("ok", "zero", "over", "under"),
        stables=(True, False),
        bound=MAX_PENDING,
    ),
    lines(
        "words, wide number",
        LineFormat("{status},{mode},{number:9} {unit}", WORDS),
        (
            b"ST,GS,+   1.234 kg\r\n",
            b"US,NT,-    0.50 kg\r\n",
            b"OL,GS,--------- kg\r\n",
            b"OL,GS,          kg\r\n",
            b"ST,TR,    1.234 g\r\n",
            b"QQ,GS,    1.234 lb\r\n",
        ),
        units=("kg", "g", "lb"),
        modes=("gross", "net", "tare"),
        stables=(True, False),
    ),
    lines(
        "a bare number streaming",
        LineFormat("{number} {unit}"),
        (b"12.345 kg\r\n", b"-  0.5 g\r\n", b"---- kg\r\n", b"      kg\r\n", b"   7 lb\r\n"),
        units=("kg", "g", "lb"),
        lead=b"\r\n",
    ),
    lines(
        "a bare number asked for",
        LineFormat("{number:7}{unit}", request="W\r", end="CR"),
        (b" 12.345kg\r", b"-  0.50kg\r", b"9999999kg\r", b"   -0.5 kg\r"),
        units=("kg",),
    ),
    lines(
        "everything has a width",
        LineFormat(
            "\x02{motion:1}{mode:1}{skip:2}{number:8}",
            {"": "stable", "M": "moving", "G": "gross", "N": "net"},
            unit="kg",
            end="LF",
        ),
        (b"\x02 G00   1.234\n", b"\x02MN99  -1.234\n", b"\x02 G00--------\n", b"\x02QG00   1.234\n"),
        modes=("gross", "net"),
        stables=(True, False),
    ),
    lines(
        "a flow meter",
        LineFormat("Q={number} {unit}", end="LF"),
        (b"Q=12.30 L/min\n", b"Q=-0.2 gpm\n", b"Q= 0.00 L/h\n"),
        units=("L/min", "gpm", "L/h"),
    ),
    lines(
        "decimal comma, words for units",
        LineFormat("{status} {number} {unit}", {"S": "stable", "D": "moving", "KG": "kg"}, decimal=","),
        (b"S     1,234 KG\r\n", b"D -   12,5 KG\r\n", b"S ---- KG\r\n"),
        stables=(True, False),
    ),
)


def wire_form(decoder: Decoder, item: Reading | Garbage) -> bytes:
    """The bytes that an output stands for."""
    if isinstance(item, Garbage):
        return item.raw
    return item.raw or decoder.encode(item)


def usable_values(items: list[Reading | Garbage]) -> set[tuple[int, int, str]]:
    """(number, exp, unit) of each reading that may be believed."""
    return {
        (item.number, item.exp, item.unit)
        for item in items
        if isinstance(item, Reading) and item.status in USABLE
    }
