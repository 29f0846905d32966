"""The goals table as text and as JSON, with what stands behind its figures."""

from __future__ import annotations

from collections import Counter
from typing import Any

from tests.bench.goals.columns import Column
from tests.bench.goals.rows import rate, rows
from tests.bench.peers.calibrate import Tuned
from tests.bench.testbay.table import by_bound, calibration


def grid(columns: list[Column]) -> list[list[str]]:
    """Header and rows: label, bound, a cell for each way, goal."""
    head = ["", "bound", *(c.name for c in columns), "goal"]
    made = [
        [row.label, row.bound, *(row.cell(c) for c in columns), row.goal] for row in rows(columns[0].total)
    ]
    return [head, *made, *_settings(columns)]


def _settings(columns: list[Column]) -> list[list[str]]:
    def line(label: str, of: list[Tuned | None]) -> list[str]:
        return [label, "", *("-" if t is None else f"{t.factor:.2f}" for t in of), ""]

    if not any(c.tuned or c.tuned_feed for c in columns):
        return []
    return [
        line("factor on the outlet's own unit", [c.tuned for c in columns]),
        line("factor on the feed's own unit", [c.tuned_feed for c in columns]),
    ]


def text(columns: list[Column]) -> str:
    cells = grid(columns)
    widths = [max(len(row[k]) for row in cells) for k in range(len(cells[0]))]
    lines = ["  ".join(f"{x:{w}}" for x, w in zip(row, widths, strict=True)).rstrip() for row in cells]
    return "\n".join([*lines, "", *behind(columns)])


def behind(columns: list[Column]) -> list[str]:
    """Numbers of traces and hours, what the calibration can tell, and Tallydeck's own particulars."""
    ours, total = columns[0], columns[0].total
    lines = [
        "[95 % intervals: order statistics, Clopper-Pearson, Poisson]; delays are medians, a miss counts as "
        "infinite; inf as a limit: too few to hold it",
        f"set {total.set}: {total.traces} traces, {total.outlet_h:.0f} outlet-hours, of them "
        f"{total.busy_h:.0f} busy and {total.clogless_h:.0f} without clogs",
    ]
    for column in columns[1:2]:
        lines.append(f"peers: {column.total.traces} traces, {column.total.busy_h:.0f} busy outlet-hours")
        lines += _calibrated("outlets", column.tuned) + _calibrated("feeds", column.tuned_feed)
    if ours.calm_h > 0.0:
        others = ", ".join(f"{k} {n}" for k, n in sorted(ours.calm_others.items())) or "none"
        lines.append(
            f"ours, not tuned here, in {ours.calm_h:.0f} undisturbed outlet-hours: {ours.calm_alarms} alarms "
            f"of outlets; in {ours.calm_station_h:.0f} undisturbed station-hours of other kinds: {others}"
        )
    lines += by_bound(total) + calibration(total) + _others(ours)
    speed = total.readings / max(total.took_s, 1e-9)
    lines.append(f"the fold alone: {speed:,.0f} readings/s of processor time ({total.readings:,} readings)")
    return lines


def _calibrated(what: str, tuned: Tuned | None) -> list[str]:
    if tuned is None:
        return [f"peers at {what}: not calibrated, undisturbed hours too few"]
    low, high = tuned.reached
    return [
        f"peers at {what}: each set to one false alarm in 100 h on {tuned.hours} undisturbed hours, which "
        f"fixes the rate to {low:.2f}-{high:.2f} in 100 h; checked on {tuned.check_hours} others"
    ]


def _others(ours: Column) -> list[str]:
    total = ours.total
    lines = []
    if total.stops:
        seen = sum(s.note["delay_s"] is not None for s in total.stops)
        lines.append(f"feed stops said: {seen} of {len(total.stops)}")
    elsewhere = Counter(f"{f.what}/{f.note['cause']}" for f in total.false if f.what not in ("hopper", "tub"))
    lines.append(
        "ours, false in all classes without clogs, in 100 outlet-h: "
        f"{rate(sum(elsewhere.values()), total.clogless_h)}: "
        + (", ".join(f"{k} {n}" for k, n in sorted(elsewhere.items())) or "none")
    )
    kinds = Counter((o.note["kind"], "tub" if o.hand else "hopper", o.what) for o in total.others)
    told = ", ".join(f"{k}/{h}/{w} {n}" for (k, h, w), n in sorted(kinds.items())) or "none"
    lines.append(f"ours, other alarms without cause in {total.station_h:.0f} station-hours: {told}")
    return lines


def to_json(columns: list[Column]) -> dict[str, Any]:
    cells = grid(columns)
    names = cells[0][1:]
    return {
        "table": [{"row": row[0].strip(), **dict(zip(names, row[1:], strict=True))} for row in cells[1:]],
        "behind": behind(columns),
    }
