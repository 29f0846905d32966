"""The gate that keeps garbage from flooding the journal."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from logger.core.entries import Garbage
from logger.ports.flood import BURST, KEPT_BYTES, REFILL_NS, FloodGate

SECOND_NS = 1_000_000_000


def piece(at_ns: int, raw: bytes = b"abc") -> Garbage:
    return Garbage(at_ns, "scale", raw, "noise")


def test_a_burst_passes_as_it_is() -> None:
    gate = FloodGate("scale")
    pieces = [piece(at) for at in range(BURST)]
    assert [item for each in pieces for item in gate.take(each)] == pieces


def test_rare_pieces_always_pass_as_they_are() -> None:
    gate = FloodGate("scale")
    pieces = [piece(at * REFILL_NS) for at in range(1000)]
    assert [item for each in pieces for item in gate.take(each)] == pieces


def test_what_comes_after_a_burst_is_gathered_and_counted() -> None:
    gate = FloodGate("scale")
    for at in range(BURST):
        gate.take(piece(at))
    assert gate.take(piece(30, b"x" * 200)) == []
    assert gate.take(piece(40, b"y" * 200)) == []
    assert gate.due(REFILL_NS // 2) == []
    assert gate.due(3 * REFILL_NS) == [
        Garbage(3 * REFILL_NS, "scale", b"x" * 200 + b"y" * (KEPT_BYTES - 200), "flood-400")
    ]
    assert gate.due(9 * REFILL_NS) == []


@given(st.lists(st.tuples(st.integers(0, SECOND_NS), st.binary(min_size=1, max_size=64)), max_size=200))
def test_no_byte_is_lost_uncounted_and_the_rate_is_bounded(steps: list[tuple[int, bytes]]) -> None:
    gate = FloodGate("scale")
    at_ns = 0
    out: list[Garbage] = []
    for wait_ns, raw in steps:
        at_ns += wait_ns
        out += gate.take(piece(at_ns, raw))
    assert len(out) <= BURST + at_ns // REFILL_NS + 1
    out += gate.flush(at_ns)
    told = sum(int(each.reason[6:]) if each.reason.startswith("flood-") else len(each.raw) for each in out)
    assert told == sum(len(raw) for _, raw in steps)
    assert [each.at_ns for each in out] == sorted(each.at_ns for each in out)
