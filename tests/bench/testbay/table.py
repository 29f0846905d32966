"""The table of goals: what a study reached, what is wanted, what was measured, with counts and intervals."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, fields

import numpy as np
from scipy.stats import chi2

from tests.bench.testbay.score import Record, Scored

INF = float("inf")


def together(parts: Iterable[Scored]) -> Scored:
    """All traces as one."""
    parts = list(parts)
    total = Scored("+".join(sorted({p.set for p in parts})), traces=0)
    for part in parts:
        for f in fields(Scored):
            if f.name != "set":
                setattr(total, f.name, getattr(total, f.name) + getattr(part, f.name))
    return total


def poisson_95(count: int, per: float) -> tuple[float, float]:
    """The exact 95 % interval of a rate, from ``count`` events in ``per`` units of time (Garwood 1936)."""
    low = 0.0 if count == 0 else float(chi2.ppf(0.025, 2 * count)) / 2.0
    return low / per, float(chi2.ppf(0.975, 2 * count + 2)) / 2.0 / per


def ratios(clogs: list[Record]) -> list[float]:
    """Delay over bound; a miss counts as infinite. Clogs that end too soon to be noticed are left out."""
    return [
        INF if c.note["delay_s"] is None else c.note["delay_s"] / c.note["bound_s"]
        for c in clogs
        if c.note["watchable"]
    ]


def quantile(values: list[float], share: float) -> float:
    """A sample quantile that bears infinities: the value with at least that share at or below it."""
    ranked = sorted(values)
    return ranked[max(0, int(np.ceil(share * len(ranked))) - 1)] if ranked else float("nan")


@dataclass(frozen=True)
class Row:
    label: str
    study: str
    goal: str
    ours: str


def rows(total: Scored) -> list[Row]:
    return [
        *_clog_rows(total),
        *_false_rows(total),
        *_mass_rows(total),
        *_drift_rows(total),
        *_frozen_rows(total),
    ]


def _clog_row(label: str, study: str, goal: str, clogs: list[Record]) -> Row:
    found = ratios(clogs)
    if not found:
        return Row(label, study, goal, "-")
    missed = sum(r == INF for r in found)
    middle = quantile([c.note["delay_s"] for c in clogs if c.note["watchable"] and c.note["delay_s"]], 0.5)
    return Row(
        label,
        study,
        goal,
        f"{quantile(found, 0.5):.2f} / {quantile(found, 0.9):.2f}, missed {missed / len(found):.1%} "
        f"({len(found)} clogs, median {middle:.0f} s)",
    )


def _clog_rows(total: Scored) -> list[Row]:
    def those(kind: str, hand: bool) -> list[Record]:
        return [c for c in total.clogs if c.note["kind"] == kind and c.hand == hand]

    study = "2.4-4.3, 7-21 % missed"
    return [
        _clog_row("full clog, hopper: delay / bound", "1.7-3.6 / 3.1-5.7", "1.5 / 2.5", those("full", False)),
        _clog_row("full clog, hand-fed", "6.5-7.3", "2.5", those("full", True)),
        _clog_row("70 % clog, hopper", study, "1.5, 0 % missed", those("partial", False)),
        _clog_row("70 % clog, hand-fed", "", "", those("partial", True)),
        _clog_row("gradual clog, hopper", "1.2-1.5", "", those("gradual", False)),
        _clog_row("gradual clog, hand-fed", "", "", those("gradual", True)),
    ]


def _false_rows(total: Scored) -> list[Row]:
    busy = [f for f in total.false if f.what == "busy"]
    hours = total.busy_h
    made = []
    if hours > 0:
        low, high = (100.0 * x for x in poisson_95(len(busy), hours))
        made.append(
            Row(
                "false alarms in 100 outlet-hours, busy",
                "0.5-1.8",
                "<= 0.3",
                f"{100.0 * len(busy) / hours:.2f} [{low:.2f}, {high:.2f}] ({len(busy)} in {hours:.0f} h)",
            )
        )
        causes = Counter(f.note["cause"] for f in busy)
        happened = Counter(total.busy_events)
        told = ", ".join(
            f"{kind} {causes.get(kind, 0)}/{happened.get(kind, 0)}"
            for kind in ("feed-stop", "change", "bump", "refill", "silent", "tare", "sample")
        )
        made.append(Row("  within 2 min of", "0", "0", told + f"; nothing near {causes.get('nothing', 0)}"))
    if total.clogless_h > hours:
        count = sum(f.what not in ("hopper", "tub") for f in total.false)
        low, high = (100.0 * x for x in poisson_95(count, total.clogless_h))
        told = f"{100.0 * count / total.clogless_h:.2f} [{low:.2f}, {high:.2f}]"
        label = "  in all classes without clogs"
        made.append(Row(label, "", "", f"{told} ({count} in {total.clogless_h:.0f} h)"))
    for what in ("hopper", "tub", "drift", "frozen", "mass"):
        count = Counter(f.note["cause"] for f in total.false if f.what == what)
        if count:
            made.append(
                Row(f"  false in class {what}", "", "", ", ".join(f"{k} {n}" for k, n in count.items()))
            )
    return made


def _mass_rows(total: Scored) -> list[Row]:
    made = []
    outlets = [m for m in total.masses if m.subject != "feed"]
    groups = [
        (
            "mass delivered, class mass",
            "0.14 % / 0.65 %",
            "0.05 % / 0.3 %",
            [m for m in outlets if m.what == "mass"],
        ),
        ("  untouched container", "", "", [m for m in outlets if m.what == "mass" and not m.note["handled"]]),
        (
            "  changed, tared or sampled",
            "",
            "",
            [m for m in outlets if m.what == "mass" and m.note["handled"]],
        ),
        ("  class busy", "", "", [m for m in outlets if m.what == "busy"]),
        ("  class hopper, with clogs", "", "", [m for m in outlets if m.what == "hopper"]),
        ("  feed, hopper", "", "", [m for m in total.masses if m.subject == "feed" and not m.hand]),
        ("  feed, tub", "", "", [m for m in total.masses if m.subject == "feed" and m.hand]),
    ]
    for label, study, goal, part in groups:
        if not part:
            continue
        off = [abs(m.note["off_kg"]) / m.note["true_kg"] for m in part]
        within = np.mean([abs(m.note["off_kg"]) <= 2.0 * m.note["u_kg"] for m in part])
        text = f"{quantile(off, 0.5):.3%} / {quantile(off, 0.9):.3%}, within 2u {within:.0%} ({len(part)})"
        if part[0].note["allowed_kg"] is not None:
            # of a normal error 1.3 u is held by 81 %; the median of |error| / u is 0.67
            ratio = [abs(m.note["off_kg"]) / m.note["allowed_kg"] for m in part]
            text += f", |error| / allowed u: median {quantile(ratio, 0.5):.2f} (goal 0.88)"
        made.append(Row(label, study, goal, text))
    return made


def _drift_rows(total: Scored) -> list[Row]:
    made = []
    groups = [
        (f"feed {kind} {size:.0%}, {'tub' if hand else 'hopper'}", hand, kind, size)
        for hand in (False, True)
        for kind in ("ramp", "step", "pulsing")
        for size in (0.1, 0.2, 0.3)
    ]
    for label, hand, kind, size in groups:
        part = [
            d
            for d in total.drifts
            if d.hand == hand and d.note["kind"] == kind and abs(d.note["size"]) == size
        ]
        if not part:
            continue
        seen = [INF if d.note["delay_s"] is None else d.note["delay_s"] for d in part]
        text = f"{quantile(seen, 0.5):.0f} s, missed {sum(s == INF for s in seen)} of {len(part)}"
        bounded = [d for d in part if d.note["bound_s"]]
        if bounded:
            r = [INF if d.note["delay_s"] is None else d.note["delay_s"] / d.note["bound_s"] for d in bounded]
            text = f"{quantile(r, 0.5):.2f} / {quantile(r, 0.9):.2f} ({len(bounded)} can be seen), {text}"
        first = (hand, kind, size) == (False, "ramp", 0.1)
        made.append(Row(label, "1.3" if first else "", "1.2" if first else "", text))
    return made


def _frozen_rows(total: Scored) -> list[Row]:
    if not total.frozen:
        return []
    seen = [INF if f.note["delay_s"] is None else f.note["delay_s"] for f in total.frozen]
    clogs = sum(f.note["clog"] for f in total.frozen)
    text = (
        f"{quantile(seen, 0.5):.0f} s / p90 {quantile(seen, 0.9):.0f} s, "
        f"unnoticed {sum(s == INF for s in seen)}; called a clog {clogs} of {len(seen)}"
    )
    return [Row("frozen scale: noticed; called a clog", "138 s; sometimes", "60 s; never", text)]


def by_bound(total: Scored) -> list[str]:
    """How the delays of full clogs lie beside their bounds, short and long ones apart."""
    made = []
    for hand in (False, True):
        full = [c for c in total.clogs if c.note["kind"] == "full" and c.hand == hand and c.note["watchable"]]
        told = []
        for low, high in ((0, 8), (8, 25), (25, 80), (80, 1000)):
            found = ratios([c for c in full if low <= c.note["bound_s"] < high])
            if found:
                told.append(
                    f"{low}-{high} s: {quantile(found, 0.5):.2f} / {quantile(found, 0.9):.2f} ({len(found)})"
                )
        if told:
            made.append(f"full clogs, {'hand-fed' if hand else 'hopper'}, by bound: " + ", ".join(told))
    return made


def calibration(total: Scored) -> list[str]:
    """How the stated time to notice compares with the delays that came, for full clogs."""
    made = []
    for hand in (False, True):
        part = [
            c for c in total.clogs if c.note["kind"] == "full" and c.hand == hand and c.note["watchable"]
            and c.note["stated_s"] is not None
        ]  # fmt: skip
        if not part:
            continue
        r = [INF if c.note["delay_s"] is None else c.note["delay_s"] / c.note["stated_s"] for c in part]
        sooner = sum(x <= 1.0 for x in r) / len(r)
        made.append(
            f"notice stated beside delay, full clogs, {'hand-fed' if hand else 'hopper'}: "
            f"noticed sooner {sooner:.0%} (goal 50 %), actual / stated "
            f"median {quantile(r, 0.5):.2f} (goal 0.75-1.25), "
            f"quartiles {quantile(r, 0.25):.2f}-{quantile(r, 0.75):.2f} ({len(r)} clogs)"
        )
    return made


def text(total: Scored) -> str:
    """The whole report."""
    table = rows(total)
    width = max(len(r.label) for r in table)
    lines = [f"test bay, set {total.set}: {total.traces} traces, {total.outlet_h:.0f} outlet-hours"]
    lines.append(f"{'':{width}}  {'study':22}  {'goal':16}  ours")
    lines += [f"{r.label:{width}}  {r.study:22}  {r.goal:16}  {r.ours}" for r in table]
    lines += by_bound(total) + calibration(total)
    if total.stops:
        seen = [INF if s.note["delay_s"] is None else s.note["delay_s"] for s in total.stops]
        lines.append(
            f"feed stops said: {sum(s < INF for s in seen)} of {len(seen)}, "
            f"median {quantile(seen, 0.5):.0f} s"
        )
    false = Counter((o.note["kind"], "tub" if o.hand else "hopper", o.what) for o in total.others)
    lines.append(f"other alarms without cause, in {total.station_h:.0f} station-hours: " + (
        ", ".join(f"{k}/{h}/{w} {n}" for (k, h, w), n in sorted(false.items())) or "none"
    ))  # fmt: skip
    lines.append("all alarms: " + ", ".join(f"{k} {n}" for k, n in sorted(Counter(total.kinds).items())))
    lines.append(f"{total.readings / max(total.took_s, 1e-9):,.0f} readings/s ({total.readings:,} readings)")
    return "\n".join(lines)
