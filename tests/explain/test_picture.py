"""The picture of a story: made without a display, filled, and in the bay's own time of day."""

from __future__ import annotations

from pathlib import Path

import pytest
from matplotlib import image
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from logger.explain import Story, Wanted, tell
from logger.explain.picture import A4_INCHES, BLUE, DPI, ORANGE, _panels, draw
from tests.core.folding import NS, T0
from tests.explain.pasts import asked, clog, past


def share(path: Path, colour: str) -> float:
    """How much of a picture is (about) of a colour."""
    wanted = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
    return float((abs(image.imread(path)[..., :3] - wanted) < 0.06).all(axis=-1).mean())


def figure_of(story: Story) -> Figure:
    figure = Figure(figsize=A4_INCHES)
    FigureCanvasAgg(figure)
    _panels(figure, story)
    figure.canvas.draw()
    return figure


def labels(figure: Figure) -> list[str]:
    return [text.get_text() for text in figure.axes[-1].get_xticklabels()]


def test_a_picture_of_a_clog_is_an_a4_sheet_and_not_blank(tmp_path: Path) -> None:
    draw(clog(), tmp_path / "clog.png")
    shown = image.imread(tmp_path / "clog.png")
    assert shown.shape[:2] == (int(A4_INCHES[1] * DPI), int(A4_INCHES[0] * DPI))
    found = tmp_path / "clog.png"
    assert 0.6 < share(found, "#ffffff") < 0.97
    assert share(found, BLUE) > 0.001
    assert share(found, ORANGE) > 0.001


@pytest.mark.parametrize(("name", "head"), [("a.svg", b"<?xml"), ("a.pdf", b"%PDF")])
def test_the_other_kinds_are_made_and_the_same_each_time(name: str, head: bytes, tmp_path: Path) -> None:
    made = []
    for folder in ("one", "two"):
        (tmp_path / folder).mkdir()
        draw(clog(), tmp_path / folder / name)
        made.append((tmp_path / folder / name).read_bytes())
    assert made[0].startswith(head)
    assert made[0] == made[1]


def test_its_two_colours_are_told_apart_in_grey() -> None:
    """Relative luminance (WCAG 2.1, from memory): the ratio of the two stays above 1.2."""

    def luminance(colour: str) -> float:
        parts = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
        line = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
        return 0.2126 * line[0] + 0.7152 * line[1] + 0.0722 * line[2]

    assert (luminance(ORANGE) + 0.05) / (luminance(BLUE) + 0.05) > 1.2


def test_axes_say_their_units_and_share_the_time_of_day() -> None:
    figure = figure_of(clog())
    titles = [axes.get_ylabel() for axes in figure.axes]
    assert "(kg)" in titles[0]
    assert "(nats)" in titles[1]
    assert "(kg/h)" in titles[2]
    assert "(% of due)" in titles[3]
    assert "Europe/Vienna, 2026-03-02" in figure.axes[-1].get_xlabel()
    assert {"07:06", "07:07"} <= set(labels(figure))


def test_where_summer_time_begins_the_clock_jumps_and_says_its_offset() -> None:
    """2026-03-29 at 01:00 UTC clocks in Vienna went from 02:00 to 03:00; the clog then was at 00:56."""
    shift_ns = 1_774_745_400 * NS - T0  # 2026-03-29T00:50:00Z
    story = tell(past(shift_ns=shift_ns), Wanted("tailings", T0 + shift_ns + 590 * NS))
    shown = labels(figure_of(story))
    assert any(text.startswith("01:5") and text.endswith("+0100") for text in shown)
    assert any(text.startswith("03:0") and text.endswith("+0200") for text in shown)
    assert not any(text.startswith("02:") for text in shown)


@pytest.mark.parametrize("what", ["feed", "wash"])
def test_a_feed_and_a_water_line_have_pictures_too(what: str, tmp_path: Path) -> None:
    draw(asked(what, 300.0, before_s=60, after_s=60), tmp_path / "a.png")
    assert share(tmp_path / "a.png", BLUE) > 0.0005
