"""The rows of the goals table: each with the bound, the goal, and a cell for every way."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.special import erf

from tests.bench.goals.columns import Column
from tests.bench.goals.intervals import part_95, quantile_95
from tests.bench.testbay.score import Record, Scored
from tests.bench.testbay.table import INF, poisson_95, quantile, ratios

Cell = Callable[[Column], str]
NONE = "-"
CAUSES = ("feed-stop", "change", "bump", "refill", "silent", "tare", "sample", "nothing")


@dataclass(frozen=True)
class Row:
    """``bound`` is what can be reached at all; ``goal`` what is wanted."""

    label: str
    bound: str
    cell: Cell
    goal: str


def rows(ours: Scored) -> list[Row]:
    """The rows for which our column has something to say."""
    return [*_clogs(ours), *_false(ours), *_masses(ours), *_drifts(ours), *_frozen(ours)]


def spread(values: list[float], share: float, form: str = ".2f") -> str:
    """A quantile and its interval."""
    if not values:
        return NONE
    low, high = quantile_95(values, share)
    return f"{quantile(values, share):{form}} [{low:{form}}, {high:{form}}]"


def part(count: int, of: int) -> str:
    if of == 0:
        return NONE
    low, high = part_95(count, of)
    return f"{count / of:.0%} [{low:.0%}, {high:.0%}]"


def rate(count: int, hours: float) -> str:
    """Events in 100 hours."""
    if hours <= 0.0:
        return NONE
    low, high = (100.0 * x for x in poisson_95(count, hours))
    digits = 2 if high < 10.0 else 1 if high < 100.0 else 0
    return f"{100.0 * count / hours:.{digits}f} [{low:.{digits}f}, {high:.{digits}f}]"


# ---------------------------------------------------------------- clogs


def _clogs(ours: Scored) -> list[Row]:
    made = []
    for kind, hand, median, p90, missed in (
        ("full", False, "1.5", "2.5", ""),
        ("full", True, "2.5", "", ""),
        ("partial", False, "1.5", "", "0 %"),
        ("partial", True, "", "", ""),
        ("gradual", False, "", "", ""),
        ("gradual", True, "", "", ""),
    ):
        there = [c for c in _those(ours, kind, hand) if c.note["watchable"]]
        if not there:
            continue
        bound = quantile([c.note["bound_s"] for c in there], 0.5)
        name = "70 % clog" if kind == "partial" else f"{kind} clog"
        label = f"{name}, {'hand-fed' if hand else 'hopper'} (n {len(there)})"
        made += [
            Row(f"{label}: delay / bound", f"1 ({bound:.0f} s)", _delay(kind, hand, 0.5), median),
            Row("  p90", "1", _delay(kind, hand, 0.9), p90),
            Row("  missed", "0 %", _missed(kind, hand), missed),
        ]
    return made


def _those(total: Scored, kind: str, hand: bool) -> list[Record]:
    return [c for c in total.clogs if c.note["kind"] == kind and c.hand == hand]


def _delay(kind: str, hand: bool, share: float) -> Cell:
    return lambda column: spread(ratios(_those(column.total, kind, hand)), share)


def _missed(kind: str, hand: bool) -> Cell:
    def cell(column: Column) -> str:
        found = ratios(_those(column.total, kind, hand))
        return part(sum(r == INF for r in found), len(found))

    return cell


# ---------------------------------------------------------------- false alarms


def _false(ours: Scored) -> list[Row]:
    made = []
    if ours.busy_h > 0.0:
        made.append(
            Row(
                f"false in 100 outlet-h, busy ({ours.busy_h:.0f} h)", "",
                lambda c: rate(len(_busy(c.total)), c.total.busy_h), "<= 0.3",
            )
        )  # fmt: skip
        happened = Counter(ours.busy_events)
        for cause in CAUSES:
            named = "scale that was silent" if cause == "silent" else cause
            label = "  nothing near" if cause == "nothing" else f"  by a {named} ({happened[cause]})"
            made.append(Row(label, "0", _by(cause), "" if cause == "nothing" else "0"))
        made.append(
            Row("called clogged at feed stops (outlets)", "0 %", lambda c: part(c.called, c.stops), "0")
        )
    made.append(
        Row(
            "false in 100 outlet-h, undisturbed",
            "1",
            lambda c: rate(c.calm_alarms, c.calm_h),
            "1 (calibrated)",
        )
    )
    return made


def _busy(total: Scored) -> list[Record]:
    return [f for f in total.false if f.what == "busy"]


def _by(cause: str) -> Cell:
    def cell(column: Column) -> str:
        if column.total.busy_h <= 0.0:
            return NONE
        return str(sum(f.note["cause"] == cause for f in _busy(column.total)))

    return cell


# ---------------------------------------------------------------- masses, drifts, frozen scales


def _masses(ours: Scored) -> list[Row]:
    there = _weighed(ours)
    if not there:
        return []
    u = np.array([m.note["allowed_kg"] / m.note["true_kg"] for m in there])

    def cell(share: float) -> Cell:
        return lambda c: spread(
            [100.0 * abs(m.note["off_kg"]) / m.note["true_kg"] for m in _weighed(c.total)], share, ".3f"
        )

    within = Row(
        "  stated uncertainty true: within 2 u", "95 %",
        lambda c: part(sum(abs(m.note["off_kg"]) <= 2.0 * m.note["u_kg"] for m in _weighed(c.total)),
                       len(_weighed(c.total))), "95 %",
    )  # fmt: skip
    label = f"mass delivered, error in % (n {len(there)}): median"
    return [
        Row(label, f"{100.0 * mixed(u, 0.5):.3f}", cell(0.5), "0.05"),
        Row("  p90", f"{100.0 * mixed(u, 0.9):.3f}", cell(0.9), "0.3"),
        within,
    ]


def _weighed(total: Scored) -> list[Record]:
    return [m for m in total.masses if m.what == "mass" and m.subject != "feed"]


def mixed(u: np.ndarray, share: float) -> float:
    """The quantile of the size of normal errors whose standard deviations are ``u``, all as likely."""
    low, high = 0.0, 10.0 * float(u.max())
    while high - low > 1e-6 * high:
        middle = 0.5 * (low + high)
        held = float(erf(middle / (u * 2.0**0.5)).mean())
        low, high = (middle, high) if held < share else (low, middle)
    return high


def _drifts(ours: Scored) -> list[Row]:
    made = []
    groups: list[tuple[str, str, tuple[float, ...], str]] = [
        ("feed ramp of 10 %", "ramp", (0.1,), "1.2"),
        ("feed ramp of 20 or 30 %", "ramp", (0.2, 0.3), ""),
        ("feed step of 10 to 30 %", "step", (0.1, 0.2, 0.3), ""),
    ]
    for label, kind, sizes, goal in groups:
        there = _bounded(ours, kind, sizes)
        if not there:
            continue
        bound = quantile([d.note["bound_s"] for d in there], 0.5)
        made += [
            Row(f"{label}, hopper (n {len(there)}): delay / bound", f"1 ({bound:.0f} s)",
                _drift(kind, sizes), goal),
            Row("  missed", "0 %", _undrifted(kind, sizes), ""),
        ]  # fmt: skip
    return made


def _bounded(total: Scored, kind: str, sizes: tuple[float, ...]) -> list[Record]:
    return [
        d for d in total.drifts
        if d.note["bound_s"] and not d.hand and d.note["kind"] == kind and abs(d.note["size"]) in sizes
    ]  # fmt: skip


def _beside(total: Scored, kind: str, sizes: tuple[float, ...]) -> list[float]:
    return [
        INF if d.note["delay_s"] is None else d.note["delay_s"] / d.note["bound_s"]
        for d in _bounded(total, kind, sizes)
    ]


def _drift(kind: str, sizes: tuple[float, ...]) -> Cell:
    return lambda c: spread(_beside(c.total, kind, sizes), 0.5)


def _undrifted(kind: str, sizes: tuple[float, ...]) -> Cell:
    def cell(column: Column) -> str:
        found = _beside(column.total, kind, sizes)
        return part(sum(r == INF for r in found), len(found))

    return cell


def _frozen(ours: Scored) -> list[Row]:
    if not ours.frozen:
        return []

    def noticed(column: Column) -> str:
        seen = [INF if f.note["delay_s"] is None else f.note["delay_s"] for f in column.total.frozen]
        return spread(seen, 0.5, ".0f") if min(seen, default=INF) < INF else NONE

    def unnoticed(column: Column) -> str:
        frozen = column.total.frozen
        return part(sum(f.note["delay_s"] is None for f in frozen), len(frozen))

    def called(column: Column) -> str:
        return part(sum(f.note["clog"] for f in column.total.frozen), len(column.total.frozen))

    return [
        Row(f"frozen scale (n {len(ours.frozen)}): noticed after, s", "", noticed, "60"),
        Row("  unnoticed as frozen", "0 %", unnoticed, ""),
        Row("  called a clog", "0 %", called, "never"),
    ]
