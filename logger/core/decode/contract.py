"""What every decoder promises, and what it asks to be sent on the wire."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

from logger.core.entries import Garbage, Reading


@dataclass(frozen=True, slots=True)
class Exchange:
    """What to send to an instrument: once after opening, at each poll, and before closing.

    ``poll`` is empty for an instrument that streams by itself. A poll is sent when the last one was
    answered or `timeout_s` after it, never before `interval_s` has passed.
    """

    start: bytes = b""
    poll: bytes = b""
    stop: bytes = b""
    interval_s: float = 0.2
    timeout_s: float = 1.0


class Decoder(Protocol):
    """Turns one channel's bytes into entries.

    Never raises on wire input, always advances, bounds its buffer; every byte fed comes out in some
    output (its ``raw``, or the encoding of its fields where ``raw`` is empty) or is pending.
    """

    channel: str

    def feed(self, data: bytes, at_ns: int) -> list[Reading | Garbage]:
        """Take bytes as they came; give what they complete."""

    def reset(self, at_ns: int) -> list[Garbage]:
        """The link broke: what was pending comes out as Garbage (reason ``cut-off``)."""

    @property
    def pending(self) -> bytes:
        """Bytes taken that are in no output yet."""

    def encode(self, reading: Reading) -> bytes:
        """The bytes that this reading's fields would have on the wire, in the dialect's plain form."""
