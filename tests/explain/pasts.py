"""Helpers: the demo's bay with its clog, as a record held in memory, folded once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import cache
from pathlib import Path

from logger.core.bay import Bay
from logger.core.description import Bay as BayDescription
from logger.core.entries import Entry, Finding
from logger.explain import Past, Story, Wanted, tell
from logger.settings import loads
from tests.core.folding import NS, T0, entries, fold, foundry_trace

CLOG = "table/outlet-not-delivering/concentrate"
DEMO = (Path(__file__).parents[2] / "config" / "demo.toml").read_text("utf-8")


def described(units: str = "kg") -> BayDescription:
    return replace(loads(DEMO).bay, units=units)


@cache
def listed() -> tuple[Entry, ...]:
    return tuple(entries(foundry_trace(seed=1, duration_s=720.0)))


@cache
def alarms() -> tuple[Finding, ...]:
    """What was told then: the same that is judged now."""
    return tuple(f for f in fold(Bay(described()), listed()) if f.kind == "alarm")


def past(
    units: str = "kg",
    told: Sequence[Finding] | None = None,
    extra: Sequence[Entry] = (),
    shift_ns: int = 0,
) -> Past:
    """Seven in the morning in Vienna (T0), or ``shift_ns`` later; ``extra`` is said in between."""
    whole = sorted([*listed(), *extra], key=lambda entry: entry.at_ns)
    whole = [e._replace(seq=seq, at_ns=e.at_ns + shift_ns) for seq, e in enumerate(whole, 1)]
    ends = whole[0].at_ns, whole[-1].at_ns
    told = alarms() if told is None else told
    return Past("the record", described(units), lambda after: iter(whole[after:]), *ends, list(told))


@cache
def clog(units: str = "kg") -> Story:
    """The story of the clog of concentrate, raised after six minutes."""
    return tell(past(units), Wanted(CLOG, after_s=90))


@cache
def asked(what: str, at_s: float, before_s: int = 600, after_s: int = 60) -> Story:
    return tell(past(), Wanted(what, T0 + round(at_s * NS), before_s, after_s))
