"""The evidence around a moment as a picture, one A4 sheet in landscape. Needs matplotlib, and no display.

Told apart without colour: what was due is dashed and black, what came is a thick line; states of the scale
have hatches of their own. The two hues are ones that colour-blind people tell apart (Okabe & Ito 2008, from
memory), and differ in lightness too.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from datetime import UTC, datetime
from itertools import groupby
from math import isnan, nan
from pathlib import Path
from typing import Any

from matplotlib import rc_context
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.dates import date2num
from matplotlib.figure import Figure

from logger.core.units import kg_to
from logger.explain.spells import NS, Spell
from logger.explain.story import Story
from logger.explain.words import held, in_words, uncertainty_mg

A4_INCHES = (11.69, 8.27)
DPI = 150
BLUE, ORANGE, GREY, PALE = "#0072B2", "#D55E00", "#666666", "#dddddd"
STYLE = {
    "font.family": "DejaVu Sans", "font.size": 8.0, "axes.linewidth": 0.6, "axes.grid": True,
    "grid.color": "#e6e6e6", "grid.linewidth": 0.5, "axes.axisbelow": True, "axes.spines.top": False,
    "axes.spines.right": False, "legend.frameon": False, "legend.fontsize": 7.0, "xtick.labelsize": 7.5,
    "ytick.labelsize": 7.5, "hatch.linewidth": 0.5, "svg.hashsalt": "tallydeck", "svg.fonttype": "path",
    "axes.edgecolor": "#444444", "axes.unicode_minus": True,
}  # fmt: skip
HATCHES = {"disturbed": "////", "off": "xxxx", "silent": "....", "frozen": "----", "waiting": "||||"}
MARKERS = ((0, "v", "raised"), (1, "s", "seen"), (2, "^", "over"))
STEPS_S = (5, 10, 30, 60, 120, 300, 600)  # between ticks
AXES = {
    "nats": "evidence\n(nats)",
    "s": "time (s)",
    "%": "solids (%)",
    "g": "mass (g)",
    "kg": "mass (kg)",
    "resets": "resets",
}
LEAST_LABEL = 0.07  # of the span: a shorter stretch has no room for words


def draw(story: Story, path: Path) -> None:
    """Write the picture to a .png, .svg or .pdf. OSError where it can't be written."""
    with rc_context(STYLE):  # type: ignore[arg-type]
        figure = Figure(figsize=A4_INCHES)
        FigureCanvasAgg(figure)
        _panels(figure, story)
        kind = path.suffix.lower().lstrip(".")
        dated = {"svg": {"Date": None}, "pdf": {"CreationDate": None}}.get(kind)
        figure.savefig(path, format=kind, dpi=DPI, metadata=dated)


def _panels(figure: Figure, story: Story) -> None:
    words = in_words(story)
    caption = [line for text in words[1:] for line in textwrap.wrap(text, 175, subsequent_indent="   ")]
    bottom = min(0.095 + 0.0165 * len(caption), 0.34)
    rows = 2 + sum(len({spell.kind for spell in spells}) for _, spells in _listed(story))
    heights = (3.2, 2.4, 1.5, 1.7, 0.37 * rows)
    axes = figure.subplots(
        5, 1, sharex=True,
        gridspec_kw={"height_ratios": heights, "hspace": 0.16, "left": 0.075, "right": 0.865, "top": 0.945,
                     "bottom": bottom},
    )  # fmt: skip
    figure.text(0.02, 0.972, words[0], fontsize=11, fontweight="bold", va="center")
    times = [_time(second.at_s) for second in story.seconds]
    _masses(axes[0], story, times)
    _statistic(axes[1], story, times)
    _feed(axes[2], story, times)
    _ratios(axes[3], story, times)
    _strip(axes[4], story)
    for ax in axes:
        _moments(ax, story)
        ax.set_xlim(times[0], max(times[-1], times[0] + 1.0 / 86400))
    _clock(axes[4], story)
    figure.text(
        0.02,
        bottom - 0.055,
        "\n".join(caption),
        fontsize=7.6,
        va="top",
        linespacing=1.3,
        family="DejaVu Sans",
    )


def _time(at_s: float) -> float:
    return float(date2num(datetime.fromtimestamp(at_s, UTC)))  # type: ignore[no-untyped-call]


def _legend(ax: Any) -> None:
    if ax.get_legend_handles_labels()[0]:
        ax.legend(loc="upper left", bbox_to_anchor=(1.005, 1.02), borderaxespad=0.0, handlelength=2.0)


def _clock(ax: Any, story: Story) -> None:
    """Time of day in the bay; with its offset where summer time begins or ends within the span.

    Ticks stand at whole steps of UTC, since clocks differ from it by whole quarters of an hour; a locator by
    local time would stumble over the hour that is left out or comes twice.
    """
    zone = story.past.zone
    first_s, last_s = story.seconds[0].at_s, story.seconds[-1].at_s
    step = next((step for step in STEPS_S if (last_s - first_s) / step <= 12), STEPS_S[-1])
    ticks = [s for s in range(first_s - first_s % step, last_s + 1, step) if s >= first_s]
    walls = [datetime.fromtimestamp(at_s, zone) for at_s in (first_s, *ticks, last_s)]
    text = "%H:%M" if step >= 60 else "%H:%M:%S"
    if len({f"{wall:%z}" for wall in walls}) > 1:
        text += "\n%z"
    ax.set_xticks([_time(at_s) for at_s in ticks], [wall.strftime(text) for wall in walls[1:-1]])
    ax.set_xlabel(f"time of day, {zone.key}, {walls[0]:%Y-%m-%d}", fontsize=8)


# -- panels ----------------------------------------------------------------------------------------


def _masses(ax: Any, story: Story, times: Sequence[float]) -> None:
    unit = story.past.bay.units
    due = _from_since(story, story.due_mg)
    came = _from_since(story, story.came_mg)
    if came is None:
        shown = [nan if s.shown is None else s.shown for s in story.seconds]
        ax.plot(times, shown, color=BLUE, linewidth=1.8, label="shown")
        ax.set_ylabel("shown (L/min)" if story.seconds[-1].came_mg is None else f"shown ({unit})")
    else:
        if due is not None:
            band = [uncertainty_mg(story, value) for value in due]
            low = [kg_to((d - b) / 1e6, unit) for d, b in zip(due, band, strict=True)]
            high = [kg_to((d + b) / 1e6, unit) for d, b in zip(due, band, strict=True)]
            ax.fill_between(times, low, high, color=PALE, linewidth=0, label="due ± 2 u")
            line = [kg_to(value / 1e6, unit) for value in due]
            ax.plot(times, line, color="black", linewidth=1.0, linestyle=(0, (5, 2)), label="was due")
        line = [kg_to(value / 1e6, unit) for value in came]
        ax.plot(times, line, color=BLUE, linewidth=2.0, label="came")
        ax.axhline(0.0, color=GREY, linewidth=0.5)
        ax.axvline(_time(story.since_s), color=GREY, linewidth=0.8, linestyle=":")
        ax.set_ylabel(f"mass since\nthe dotted line ({unit})")
        _frame_masses(ax, due, came, unit)
    _legend(ax)


def _frame_masses(ax: Any, due: list[float] | None, came: list[float], unit: str) -> None:
    """The lines fill the panel, also where the band is much wider than they are."""
    values = [kg_to(value / 1e6, unit) for value in [*(due or []), *came] if not isnan(value)]
    low, high = min(values), max(values)
    room = 0.12 * (high - low) or 0.001
    ax.set_ylim(low - room, high + room)


def _from_since(story: Story, series: Sequence[float | None]) -> list[float] | None:
    """A cumulative series (mg), zero at ``since_s``; None where it is not known."""
    at = min(range(len(series)), key=lambda k: abs(story.seconds[k].at_s - story.since_s))
    zero = series[at]
    if zero is None:
        return None
    return [nan if value is None else value - zero for value in series]


def _statistic(ax: Any, story: Story, times: Sequence[float]) -> None:
    found = [second.evidence.get(story.kind) for second in story.seconds]
    values = [nan if e is None or e.statistic is None else e.statistic for e in found]
    asked = [nan if e is None or e.threshold is None else e.threshold for e in found]
    unit = next((e.unit for e in found if e is not None), "nats")
    quiet = [v if e is not None and e.quiet_because else nan for v, e in zip(values, found, strict=True)]
    ax.plot(times, values, color=ORANGE, linewidth=1.4, label="evidence" if unit == "nats" else "seen")
    ax.plot(times, quiet, color="black", linewidth=2.6, alpha=0.35, label="… held back")
    ax.plot(times, asked, color="black", linewidth=1.0, linestyle=(0, (1, 1)), label="alarm takes")
    ax.set_ylabel(AXES.get(unit, f"flow ({unit})"))
    known = [a for a in asked if not isnan(a)]
    seen = [v for v in values if not isnan(v)]
    if known and seen:
        top = max(known)
        ax.set_ylim(min(0.0, *seen), max(1.4 * top, min(1.08 * max(seen), 4.0 * top)))
    if not seen:
        ax.text(0.5, 0.5, "no figures are kept of it", transform=ax.transAxes, ha="center", color=GREY)
    _legend(ax)


def _feed(ax: Any, story: Story, times: Sequence[float]) -> None:
    unit = story.past.bay.units
    station = next((s for s in story.past.bay.stations if s.name == story.subject.station), None)
    rates = [s.feed_mg_s for s in story.seconds]
    ax.set_ylabel(f"feed\n({unit}/h)")
    if station is None or all(rate is None for rate in rates):
        ax.text(0.5, 0.5, "the feed is not weighed", transform=ax.transAxes, ha="center", color=GREY)
        return
    line = [nan if rate is None else kg_to(rate * 3.6e-3, unit) for rate in rates]
    u = [2.0 * kg_to((s.u_feed_mg_s or 0.0) * 3.6e-3, unit) for s in story.seconds]
    low = [v - w for v, w in zip(line, u, strict=True)]
    high = [v + w for v, w in zip(line, u, strict=True)]
    target = station.feed.target_kg_h
    if target is not None:
        edges = [kg_to(target * (1.0 + side * station.feed.band), unit) for side in (-1, 1)]
        ax.axhline(edges[0], color="black", linewidth=0.8, linestyle=(0, (5, 2)), label="its band")
        ax.axhline(edges[1], color="black", linewidth=0.8, linestyle=(0, (5, 2)))
    ax.fill_between(times, low, high, color=BLUE, alpha=0.22, linewidth=0, label="± 2 u")
    ax.plot(times, line, color=BLUE, linewidth=1.2, label="feed")
    known = [v for v in line if not isnan(v)]
    ax.set_ylim(min(0.0, *known), 1.1 * max([*known, kg_to(1.25 * (target or 0.0), unit)]))
    _legend(ax)


def _ratios(ax: Any, story: Story, times: Sequence[float]) -> None:
    styles = ["-", (0, (6, 2)), (0, (2, 1.5)), (0, (6, 2, 1.5, 2)), (0, (1, 1))]
    names = [name for name in story.seconds[-1].ratios if name != story.subject.name]
    for number, name in enumerate(names):
        ratios = [s.ratios.get(name) for s in story.seconds]
        line = [nan if ratio is None else 100.0 * ratio for ratio in ratios]
        shade = str(0.1 + 0.45 * number / max(len(names) - 1, 1))
        ax.plot(times, line, color=shade, linewidth=1.1, linestyle=styles[number % len(styles)], label=name)
    ax.axhline(100.0, color=GREY, linewidth=0.6)
    most = max((s.ratios.get(name) or 0.0 for s in story.seconds for name in names), default=0.0)
    ax.set_ylim(0.0, min(max(105.0 * most, 150.0), 300.0))
    ax.set_ylabel("others, 2 min\n(% of due)")
    if not names:
        ax.text(0.5, 0.5, "there is no other weighed outlet", transform=ax.transAxes, ha="center", color=GREY)
    _legend(ax)


# -- the strip -------------------------------------------------------------------------------------


def _strip(ax: Any, story: Story) -> None:
    """From below: the state of the scale, what held the rule back, and the alarms, one row for each."""
    rows = ["scale", "held back"]
    for state, from_s, to_s in _stretches(story, [s.track for s in story.seconds]):
        if state not in ("", "steady", "speaking"):
            _bar(ax, story, 0, (from_s, to_s), state)
    for reason, from_s, to_s in _stretches(story, [held(second, story.kind) for second in story.seconds]):
        if reason:
            _bar(ax, story, 1, (from_s, to_s), reason)
    for title, spells in _listed(story):
        for kind in sorted({spell.kind for spell in spells}, key=lambda kind: kind != story.kind):
            for spell in spells:
                if spell.kind == kind:
                    _spell(ax, story, len(rows), spell)
            rows.append(title)
    ax.set_ylim(-0.6, len(rows) - 0.4)
    ax.set_yticks(range(len(rows)), rows)
    ax.grid(visible=False, axis="y")
    ax.tick_params(axis="y", length=0)


def _listed(story: Story) -> list[tuple[str, list[Spell]]]:
    """What alarms to draw; both what was told and what is judged now where they differ."""
    if story.told is None:
        return [("judged", story.judged)]
    if not story.differs:
        return [("told", story.told)]
    return [("told then", story.told), ("judged now", story.judged)]


def _stretches(story: Story, words: list[str]) -> list[tuple[str, int, int]]:
    """(word, from, to) of the stretches in which a word stays the same."""
    found = []
    for word, group in groupby(zip(words, story.seconds, strict=True), key=lambda pair: pair[0]):
        seconds = [second.at_s for _, second in group]
        found.append((word, seconds[0] - 1, seconds[-1]))
    return found


def _bar(ax: Any, story: Story, row: int, span: tuple[int, int], text: str) -> None:
    start, end = _time(span[0]), _time(span[1])
    look = {"facecolor": "#f2f2f2", "edgecolor": "#777777", "linewidth": 0.4}
    ax.broken_barh([(start, end - start)], (row - 0.36, 0.72), hatch=HATCHES.get(text, "\\\\\\\\"), **look)
    part = (span[1] - span[0]) / max(story.seconds[-1].at_s - story.seconds[0].at_s, 1)
    if part >= LEAST_LABEL:
        text = textwrap.shorten(text, max(int(part * 165), 8), placeholder=" …")
        box = {"facecolor": "white", "edgecolor": "none", "pad": 0.8}
        ax.text((start + end) / 2, row, text, ha="center", va="center", fontsize=6.6, bbox=box, clip_on=True)


def _spell(ax: Any, story: Story, row: int, spell: Spell) -> None:
    first, last = story.seconds[0].at_s, story.seconds[-1].at_s
    start = max(spell.from_ns / NS, first)
    end = min(spell.over_ns / NS if spell.over_ns else last, last)
    fill = "white" if spell.suppressed else ORANGE if spell.kind == story.kind else "#f0b090"
    look = {"facecolor": fill, "edgecolor": "black", "linewidth": 0.5}
    ax.broken_barh([(_time(start), _time(end) - _time(start))], (row - 0.36, 0.72), **look)
    text = f" {spell.kind}{' (suppressed)' if spell.suppressed else ''} "
    late = start - first > 0.5 * (last - first)
    where, side = (start, "right") if late else (end, "left")
    ax.text(_time(where), row, text, ha=side, va="center", fontsize=6.6, clip_on=True)


def _moments(ax: Any, story: Story) -> None:
    """The moment told about, and when the alarm came, was seen, and went."""
    spell = story.spell
    ax.axvline(_time(story.moment_s), color="black", linewidth=0.9)
    if spell is None:
        if ax.get_subplotspec().rowspan.start == 1:
            ax.text(_time(story.moment_s), ax.get_ylim()[1], " asked about", va="bottom", fontsize=7)
        return
    for which, marker, name in MARKERS:
        ns = (spell.raised_ns or spell.from_ns, spell.seen_ns, spell.over_ns)[which]
        if not ns or not story.seconds[0].at_s <= ns / NS <= story.seconds[-1].at_s:
            continue
        ax.axvline(_time(ns / NS), color="black", linewidth=0.7, linestyle=("-", "--", ":")[which])
        if ax.get_subplotspec().rowspan.start == 1:
            top = ax.get_ylim()[1]
            ax.plot([_time(ns / NS)], [top], marker=marker, color="black", markersize=5, clip_on=False)
            ax.text(_time(ns / NS), top, f"  {name}", va="bottom", fontsize=7)
