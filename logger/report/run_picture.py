"""A run as one picture: cumulative products, feed rate against band, and what happened, on one time axis."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from logger.core.run_record import run_record
from logger.core.units import kg_to
from logger.core.walltime import parse_rfc3339
from logger.explain.spells import Spell
from logger.report.record import Record
from logger.report.style import CALL, FAINT, INK, PENS, Pen, band, clock, drawing, moment, pen, sheet, svg

HEIGHT_MM = 132.0
LANES = ("alarms", "recognised", "said")


def run_picture(record: Record, found: Sequence[Spell]) -> bytes | None:
    """SVG; None where nothing was told of the run that could be drawn."""
    lines = run_record(record.run_json(), record.findings)
    if not lines["tally"]["times"] and not lines["rates"]["times"]:
        return None
    with drawing():
        figure = sheet(height_mm=HEIGHT_MM)
        masses, rates, events = figure.subplots(3, 1, sharex=True, height_ratios=(5, 3, 2))
        _masses(masses, record, lines["tally"])
        _rates(rates, record, lines["rates"])
        _events(events, record, lines["events"], found)
        clock(events, record.zone, record.wall(record.start_ns), record.wall(record.end_ns))
        events.set_xlabel(f"time of day ({record.bay.time_zone})")
        return svg(figure)


def _x(record: Record, times: Sequence[str]) -> list[float]:
    return [moment(record.wall(parse_rfc3339(each))) for each in times]


def _masses(ax: Any, record: Record, tally: dict[str, Any]) -> None:
    unit, x = record.bay.units, _x(record, tally["times"])
    for number, (name, values) in enumerate(tally["lines"].items()):
        if all(each is None for each in values):
            continue
        like = pen(number)
        y = [float("nan") if each is None else kg_to(each, unit) for each in values]
        label = name.removeprefix("outlet ")
        ax.plot(x, y, label=label, marker=like.marker, markevery=max(1, len(x) // 8), **like.line())
    ax.set_ylabel(f"mass since the start ({unit})")
    ax.set_title("What was fed, and what each outlet delivered, as told each minute")
    ax.legend(loc="upper left", ncols=2)


def _rates(ax: Any, record: Record, rates: dict[str, Any]) -> None:
    unit, feed = record.bay.units, record.station.feed
    values = rates["lines"].get("feed")
    if values is None:
        ax.text(
            0.5,
            0.5,
            "the feed was not weighed",
            ha="center",
            va="center",
            color=FAINT,
            transform=ax.transAxes,
        )
        ax.set_yticks([])
        return
    if feed.target_kg_h:
        low, high = (kg_to(feed.target_kg_h * (1 + way * feed.band), unit) for way in (-1, 1))
        band(
            ax,
            low,
            high,
            f"band, {kg_to(feed.target_kg_h, unit):g} {unit}/h \N{PLUS-MINUS SIGN} {100 * feed.band:g} %",
        )
    known = [kg_to(each, unit) for each in values if each is not None]
    y = [float("nan") if each is None else kg_to(each, unit) for each in values]
    ax.plot(_x(record, rates["times"]), y, label="feed", **PENS[0].line())
    ax.set_ylabel(f"feed rate ({unit}/h)")
    ax.set_ylim(bottom=min(0.0, 1.05 * min(known, default=0.0)))
    ax.legend(loc="lower right", ncols=2)


_ALARM, _SEEN, _SAID = Pen(CALL, "-", "v"), Pen(INK, "-", "|"), Pen(PENS[1].colour, "-", "D")


def _events(ax: Any, record: Record, events: Sequence[dict[str, Any]], found: Sequence[Spell]) -> None:
    for each in found:
        until = each.over_ns or record.end_ns
        ax.hlines(
            2,
            moment(record.wall(each.from_ns)),
            moment(record.wall(until)),
            color=CALL,
            linewidth=4.0,
            alpha=0.45,
        )
        ax.plot([moment(record.wall(each.from_ns))], [2], **_ALARM.points())
    seen = [parse_rfc3339(each["at"]) for each in events if each["type"] == "recognised"]
    ax.plot([moment(record.wall(at)) for at in seen], [1] * len(seen), **_SEEN.points())
    run = record.run_json()
    said = [each["time"] for each in (*run["notes"], *run["marks"], *run["settings"])]
    at = [max(record.start_ns, parse_rfc3339(each)) for each in said]
    ax.plot([moment(record.wall(each)) for each in at], [0] * len(at), **_SAID.points())
    for pause in run["pauses"]:
        until = record.end_ns if pause["to"] is None else parse_rfc3339(pause["to"])
        ends = (moment(record.wall(parse_rfc3339(pause["from"]))), moment(record.wall(until)))
        ax.hlines(0, *ends, color=_SAID.colour, linewidth=3.0, alpha=0.5)
    ax.set_yticks([2, 1, 0], LANES)
    ax.set_ylim(-0.6, 2.6)
    ax.grid(visible=False, axis="y")
    ax.set_title(
        "Alarms; what was recognised (containers, refills, touches); what was said (settings, notes, pauses)"
    )
