"""The peers' columns of the goals table."""

from __future__ import annotations

from collections.abc import Callable

from scipy.stats import binom

from tests.bench.peers.run import Column
from tests.bench.testbay.score import Scored
from tests.bench.testbay.table import INF, poisson_95, quantile, ratios, together

Cell = Callable[[Column, Scored], str]


def clogs(kind: str, hand: bool) -> Cell:
    """Delay over bound, median [its interval] / p90 (a miss counts as infinite), and the part missed."""

    def cell(column: Column, total: Scored) -> str:
        found = ratios([c for c in total.clogs if c.note["kind"] == kind and c.hand == hand])
        if not found:
            return "-"
        missed = sum(r == INF for r in found) / len(found)
        low, high = median_95(found)
        middle = f"{quantile(found, 0.5):.1f} [{low:.1f}, {high:.1f}]"
        return f"{middle} / {quantile(found, 0.9):.1f}, {missed:.0%}"

    return cell


def median_95(values: list[float]) -> tuple[float, float]:
    """The interval of a median by order statistics, at least 95 % sure; the ends where values are few."""
    ranked, n = sorted(values), len(values)
    k = int(binom.ppf(0.025, n, 0.5))
    return ranked[max(k - 1, 0)], ranked[min(n - k, n - 1)]


def _rate(count: int, hours: float) -> str:
    if hours <= 0.0:
        return "-"
    low, high = (100.0 * x for x in poisson_95(count, hours))
    digits = 1 if high < 100.0 else 0
    return f"{100.0 * count / hours:.{digits}f} [{low:.{digits}f}, {high:.{digits}f}]"


def busy(column: Column, total: Scored) -> str:
    return _rate(sum(f.what == "busy" for f in total.false), total.busy_h)


def calm(column: Column, total: Scored) -> str:
    return "-" if column.tuned is None else _rate(column.tuned.check_alarms, column.tuned.check_hours)


def stops(column: Column, total: Scored) -> str:
    if not column.stops:
        return "-"
    return f"{column.stops_called / column.stops:.0%} ({column.stops_called} of {column.stops})"


def factor(column: Column, total: Scored) -> str:
    return "-" if column.tuned is None else f"{column.tuned.factor:.2f}"


ROWS: list[tuple[str, Cell]] = [
    ("full clog, hopper", clogs("full", False)),
    ("full clog, hand-fed", clogs("full", True)),
    ("70 % clog, hopper", clogs("partial", False)),
    ("70 % clog, hand-fed", clogs("partial", True)),
    ("gradual clog, hopper", clogs("gradual", False)),
    ("gradual clog, hand-fed", clogs("gradual", True)),
    ("false in 100 outlet-h, busy", busy),
    ("called clogged at feed stops", stops),
    ("false in 100 outlet-h, undisturbed", calm),
    ("tuned factor", factor),
]


def text(columns: list[Column]) -> str:
    """Rows of the goals table, a column for each way; with the counts that stand behind."""
    totals = [together(c.parts) for c in columns]
    cells = [["", *(c.name for c in columns)]]
    cells += [[label, *(cell(c, t) for c, t in zip(columns, totals, strict=True))] for label, cell in ROWS]
    widths = [max(len(row[k]) for row in cells) for k in range(len(cells[0]))]
    lines = ["  ".join(f"{x:{w}}" for x, w in zip(row, widths, strict=True)).rstrip() for row in cells]
    return "\n".join([*lines, "", *_behind(columns, totals)])


def _behind(columns: list[Column], totals: list[Scored]) -> list[str]:
    total = totals[-1]
    counts = ", ".join(
        f"{sum(c.note['watchable'] and c.note['kind'] == kind and c.hand == hand for c in total.clogs)} "
        f"{kind} {'hand-fed' if hand else 'hopper'}"
        for kind in ("full", "partial", "gradual")
        for hand in (False, True)
    )
    lines = [
        "clogs: delay / bound, median / p90 (a miss counts as infinite), part missed; [95 % intervals]",
        f"set {total.set}: {total.traces} traces; clogs that can be noticed: {counts}",
    ]
    lines += [
        f"busy outlet-hours: {t.busy_h:.0f} ({c.name})" for c, t in zip(columns[:2], totals[:2], strict=True)
    ]
    tuned = next((c.tuned for c in columns if c.tuned), None)
    if tuned is not None:
        lines.append(
            f"each peer tuned to one false alarm in 100 h on {tuned.hours} undisturbed outlet-hours, "
            f"checked on {tuned.check_hours} others"
        )
    return lines
