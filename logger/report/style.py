"""How every picture on paper looks: one style, legible without colour, in units that stand on the axes.

Lines differ in dash and in marker before they differ in colour. The hues are ones that colour-blind people
tell apart (Okabe & Ito 2008, from memory), in an order whose neighbours differ in lightness, so that a grey
copy tells them apart too. Pictures are SVG with text as outlines: the same bytes on every machine that has
the same matplotlib, and no font is needed to read them.
"""

from __future__ import annotations

import base64
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from io import BytesIO
from typing import Any

from matplotlib import rc_context
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.dates import date2num
from matplotlib.figure import Figure

NS = 10**9
MM = 1 / 25.4
WIDE_MM = 180.0
"""Width of a picture over the whole column: an A4 page less its margins, which US Letter takes too."""

INK, FAINT, PALE, GRID = "#17201e", "#5c6664", "#d9dedc", "#e8ebea"
CALL = "#a3210f"
"""The board's own red: for alarms alone, always with a mark beside it."""

STYLE: dict[str, Any] = {
    "font.family": "DejaVu Sans", "font.size": 8.0, "text.color": INK, "axes.labelcolor": INK,
    "xtick.color": INK, "ytick.color": INK, "axes.linewidth": 0.6, "axes.edgecolor": FAINT, "axes.grid": True,
    "grid.color": GRID, "grid.linewidth": 0.6, "axes.axisbelow": True, "axes.spines.top": False,
    "axes.spines.right": False, "axes.titlesize": 8.5, "axes.titlelocation": "left",
    "axes.titleweight": "bold",
    "legend.frameon": False, "legend.fontsize": 7.5, "xtick.labelsize": 7.5, "ytick.labelsize": 7.5,
    "lines.linewidth": 1.4, "lines.markersize": 4.0, "hatch.linewidth": 0.5, "axes.unicode_minus": True,
    "svg.hashsalt": "tallydeck", "svg.fonttype": "path", "figure.facecolor": "white", "path.simplify": True,
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Pen:
    """How one series is drawn: told apart by dash and marker, and by colour besides."""

    colour: str
    dash: Any
    marker: str

    def line(self) -> dict[str, Any]:
        """Arguments of ``Axes.plot`` for a line without markers."""
        return {"color": self.colour, "linestyle": self.dash}

    def points(self) -> dict[str, Any]:
        """Arguments of ``Axes.plot`` for points alone."""
        return {"color": self.colour, "linestyle": "none", "marker": self.marker}


PENS = (
    Pen("#17201e", "-", "o"),
    Pen("#0072b2", (0, (6, 2)), "s"),
    Pen("#cc79a7", (0, (3, 1)), "v"),
    Pen("#d55e00", (0, (1.2, 1.2)), "^"),
    Pen("#56b4e9", (0, (8, 2, 1.2, 2, 1.2, 2)), "P"),
    Pen("#009e73", (0, (6, 1.5, 1.2, 1.5)), "D"),
)


def pen(number: int) -> Pen:
    """The pen of the n-th series, from 0 on; they come round again after six."""
    return PENS[number % len(PENS)]


@contextmanager
def drawing() -> Iterator[None]:
    """Everything that is drawn inside has the one style, whatever the user's matplotlib is set to."""
    with rc_context():
        from matplotlib import rcdefaults, rcParams

        rcdefaults()
        rcParams.update(STYLE)  # type: ignore[arg-type]
        yield


def sheet(width_mm: float = WIDE_MM, height_mm: float = 60.0) -> Figure:
    """An empty figure of that size; call it, and all that draws in it, inside `drawing`."""
    figure = Figure(figsize=(width_mm * MM, height_mm * MM), layout="constrained")
    FigureCanvasAgg(figure)
    return figure


def svg(figure: Figure) -> bytes:
    """The figure as SVG, the same bytes each time. Call it inside `drawing`."""
    held = BytesIO()
    figure.savefig(held, format="svg", metadata={"Date": None, "Creator": None})
    return held.getvalue()


def data_address(content: bytes, media_type: str = "image/svg+xml") -> str:
    """Content as an address that a page can carry in itself (RFC 2397)."""
    return f"data:{media_type};base64,{base64.b64encode(content).decode('ascii')}"


# -- parts of pictures -------------------------------------------------------------------------------


def moment(at_ns: int) -> float:
    """A time (ns since 1970) as matplotlib's dates count."""
    return float(date2num(datetime.fromtimestamp(at_ns / NS, UTC)))  # type: ignore[no-untyped-call]


_STEPS_S = (5, 10, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10_800, 21_600, 43_200, 86_400)


def clock(ax: Any, zone: tzinfo, from_ns: int, to_ns: int, *, most: int = 10) -> None:
    """Label an axis of `moment`s with the time of day in a zone; with its offset where that changes.

    Ticks stand at whole steps of UTC, since clocks differ from it by whole quarters of an hour: so they stand
    right through the hour that is left out, and through the one that comes twice.
    """
    first_s, last_s = from_ns // NS, max(to_ns // NS, from_ns // NS + 1)
    step = next((step for step in _STEPS_S if (last_s - first_s) / step <= most), _STEPS_S[-1])
    shift_s = _offset_s(first_s, zone) % step  # so that a tick of hours stands on a whole hour there
    ticks = [s for s in range(first_s - (first_s + shift_s) % step, last_s + 1, step) if s >= first_s]
    walls = [datetime.fromtimestamp(at_s, zone) for at_s in (first_s, *ticks, last_s)]
    text = "%H:%M" if step >= 60 else "%H:%M:%S"
    if len({wall.date() for wall in walls}) > 1:
        text += "\n%m-%d"
    if len({wall.utcoffset() for wall in walls}) > 1:
        text += "\n%z"
    ax.set_xticks([moment(at_s * NS) for at_s in ticks], [wall.strftime(text) for wall in walls[1:-1]])
    ax.set_xlim(moment(first_s * NS), moment(last_s * NS))


def _offset_s(at_s: int, zone: tzinfo) -> int:
    offset = datetime.fromtimestamp(at_s, zone).utcoffset()
    return 0 if offset is None else round(offset.total_seconds())


def band(ax: Any, low: float, high: float, label: str) -> None:
    """A band that something is to stay in: pale, with dashed edges that stand out in grey too."""
    ax.axhspan(low, high, facecolor=PALE, edgecolor="none", zorder=0.5, label=label)
    for edge in (low, high):
        ax.axhline(edge, color=FAINT, linewidth=0.7, linestyle=(0, (5, 2)), zorder=0.6)


def around(ax: Any, x: Sequence[float], low: Sequence[float], high: Sequence[float], like: Pen) -> None:
    """The interval of a line, as a tint of its colour."""
    ax.fill_between(x, low, high, color=like.colour, alpha=0.16, linewidth=0)


def whiskers(
    ax: Any,
    values: Sequence[float],
    places: Sequence[float],
    spans: Sequence[tuple[float, float]],
    *,
    like: Pen,
    label: str | None = None,
) -> None:
    """Points that lie along x with their intervals, [low, high] each, one below the other."""
    ends = [[v - low for v, (low, _) in zip(values, spans, strict=True)],
            [high - v for v, (_, high) in zip(values, spans, strict=True)]]  # fmt: skip
    ends = [[max(0.0, each) for each in side] for side in ends]
    ax.errorbar(values, places, xerr=ends, capsize=2.5, elinewidth=1.0, label=label, **like.points())
