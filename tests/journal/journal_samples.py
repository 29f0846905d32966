"""Records to enter: a fixed mixture by seq, so that a process can check what another wrote."""

from __future__ import annotations

from logger.core.actions import BODY
from logger.core.entries import Action, Circumstance, Finding, Garbage, Reading, Record, Tick

OFFSET_NS = 1_772_000_000 * 10**9
STEP_NS = 50_000_000


def record(seq: int) -> Record:
    """The record that belongs to a seq: mostly readings, each other kind now and then."""
    at_ns = OFFSET_NS + seq * STEP_NS
    match seq % 17:
        case 3:
            return Garbage(at_ns, "scale-1", b"\xff\x00?" + str(seq).encode(), "too-long", seq)
        case 5:
            body = BODY.validate_python(
                {"action": "note", "text": f"note {seq}", "time": "2026-03-01T10:00:00Z"}
            )
            return Action(at_ns, body, f"id-{seq}", "bench", seq)
        case 7:
            return Circumstance(at_ns, "link", "scale-2", {"up": seq % 2 == 0, "why": "naïve"}, seq)
        case 9:
            return Tick(at_ns, seq)
        case 11:
            return Finding(at_ns, "tally", "concentrate", seq - 1, {"mg": seq, "sure": 0.1}, seq)
    stable = (None, True, False)[seq % 3]
    return Reading(at_ns, f"scale-{seq % 4}", seq * 3 - 100, -3, "kg", stable, "ok", "gross", b"", seq)


def records(first: int, last: int) -> list[Record]:
    """Those of the seqs from first to last, both included."""
    return [record(seq) for seq in range(first, last + 1)]
