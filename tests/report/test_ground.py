"""The ground of every page: style, page, PDF."""

from __future__ import annotations

import io
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path
from zoneinfo import ZoneInfo

import pypdf
import pytest
from jinja2 import UndefinedError

from logger.report import page as pages
from logger.report import style
from logger.report.page import page
from logger.report.pdf import PageError, pdf

NS = 10**9
BODY = '{% extends "shell.html" %}{% block main %}'
HOSTILE = "<script>alert(1)</script>\"'&\u202eevil\x00\x1b[2J"


@pytest.fixture
def template(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A template ``it.html`` of the test's own beside the real shell and style."""
    for name in ("shell.html", "style.css"):
        (tmp_path / name).write_bytes((pages.TEMPLATES / name).read_bytes())
    monkeypatch.setattr(pages, "TEMPLATES", tmp_path)
    pages._environment.cache_clear()
    yield tmp_path / "it.html"
    pages._environment.cache_clear()


def picture() -> bytes:
    with style.drawing():
        figure = style.sheet(120, 40)
        axes = figure.subplots()
        for number in range(7):
            axes.plot([0, 1], [number, number], **style.pen(number).line())
        style.band(axes, 1, 2, "band")
        style.around(axes, [0, 1], [0, 0], [1, 1], style.pen(1))
        style.whiskers(axes, [0.5], [3], [(0.2, 0.9)], like=style.pen(2))
        axes.legend()
        return style.svg(figure)


def test_what_was_given_stays_text(template: Path) -> None:
    """No mark-up, and no character that turns writing or drives a terminal, gets into a page."""
    template.write_text(BODY + '<p title="{{ note }}">{{ note }}</p>{% endblock %}')
    made = page("it.html", title=HOSTILE, note=HOSTILE)
    assert "<script" not in made
    assert "&lt;script&gt;" in made
    assert not {"\u202e", "\x00", "\x1b"} & set(made)


def test_a_name_that_nobody_gave_is_a_fault(template: Path) -> None:
    template.write_text(BODY + "{{ missing }}{% endblock %}")
    with pytest.raises(UndefinedError):
        page("it.html", title="it")


def test_a_page_asks_for_nothing_outside_itself(template: Path) -> None:
    template.write_text(BODY + '<img alt="it" src="{{ it }}">{% endblock %}')
    with pytest.raises(PageError):
        pdf(page("it.html", title="it", it="file:///etc/passwd"))
    made = pdf(page("it.html", title="it", it=style.data_address(picture())))
    assert made.startswith(b"%PDF-")


@pytest.mark.parametrize(("paper", "size"), [("a4", (595, 842)), ("letter", (612, 792))])
def test_the_paper_is_as_asked(template: Path, paper: str, size: tuple[int, int]) -> None:
    """Sizes in points of 1/72 inch: ISO 216 A4 is 210 mm × 297 mm, US Letter 8.5 in × 11 in."""
    template.write_text(BODY + "it{% endblock %}")
    box = pypdf.PdfReader(io.BytesIO(pdf(page("it.html", title="it", paper=paper)))).pages[0].mediabox
    assert (round(box.width), round(box.height)) == size


def test_there_is_no_other_paper(template: Path) -> None:
    template.write_text(BODY + "it{% endblock %}")
    with pytest.raises(ValueError, match="a4, letter"):
        page("it.html", title="it", paper="a3")


def test_pictures_are_the_same_bytes_whatever_the_user_has_set() -> None:
    import matplotlib as mpl

    first = picture()
    with mpl.rc_context({"lines.linewidth": 9.0, "font.size": 30.0}):
        assert picture() == first
    assert b"<dc:date>" not in first


def test_neighbouring_pens_differ_without_colour() -> None:
    """Dash and marker differ between all pens; in a grey copy neighbours differ too (Rec. 709 luma)."""
    assert len({str(pen.dash) for pen in style.PENS}) == len(style.PENS)
    assert len({pen.marker for pen in style.PENS}) == len(style.PENS)
    from matplotlib.colors import to_rgb

    weights = (0.2126, 0.7152, 0.0722)
    grey = [sum(w * c for w, c in zip(weights, to_rgb(pen.colour), strict=True)) for pen in style.PENS]
    assert all(abs(a - b) > 0.05 for a, b in pairwise(grey))


def _labels(zone: str, start: str, hours: float) -> list[str]:
    with style.drawing():
        axes = style.sheet().subplots()
        from_ns = int(datetime.fromisoformat(start).astimezone(UTC).timestamp()) * NS
        style.clock(axes, ZoneInfo(zone), from_ns, from_ns + int(hours * 3600) * NS)
        return [label.get_text() for label in axes.get_xticklabels()]


def test_the_clock_stands_at_whole_steps_of_the_bays_own_time() -> None:
    """Kathmandu is 5 h 45 min ahead of UTC; ticks stand on its hours."""
    assert _labels("Asia/Kathmandu", "2026-03-02T00:00:00Z", 6) == [f"{hour:02d}:00" for hour in range(6, 12)]


def test_the_hour_that_comes_twice_says_which_it_is() -> None:
    """Vienna, 25 October 2026: 3:00 of summer becomes 2:00 (EU directive 2000/84/EC)."""
    labels = _labels("Europe/Vienna", "2026-10-24T23:00:00Z", 4)
    assert labels.count("02:00\n+0200") == 1
    assert labels.count("02:00\n+0100") == 1
    assert len(labels) == len(set(labels))
