"""A page as one HTML file that needs nothing else: no script, no address outside, style and pictures inside.

What people, instruments and files gave is text and stays text: every value is escaped, characters that
control a terminal or turn the direction of writing are shown as such, and a name that a template does not
find is a fault.
"""

from __future__ import annotations

import re
from functools import cache
from pathlib import Path
from typing import Any, Literal, get_args

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from logger import __version__
from logger.report import figures

Paper = Literal["a4", "letter"]
PAPERS: dict[str, str] = {"a4": "A4", "letter": "letter"}
TEMPLATES = Path(__file__).parent / "templates"
_STRANGE = re.compile(
    "[\x00-\x08\x0b-\x1f\x7f-\x9f\u200e\u200f\u2028\u2029\u202a-\u202e\u2066-\u2069\ufeff\ufffe\uffff\ud800-\udfff]"
)


def plain(value: Any) -> Any:
    """Text without what would control its reader: such characters become U+FFFD. Other values as they are."""
    if isinstance(value, str) and not isinstance(value, Markup):
        return _STRANGE.sub("\ufffd", value)
    return value


@cache
def _environment() -> Environment:
    made = Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=plain,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    made.filters["cell"] = figures.cell
    return made


def page(template: str, *, title: str, paper: str = "a4", language: str = "en", **values: Any) -> str:
    """A template of ``templates/`` that extends ``shell.html``, filled. ValueError for a paper we don't
    print on.

    The shell needs no more than the title; `style.css` holds screen and print, `paper` the size to print on.
    """
    if paper not in get_args(Paper):
        raise ValueError(f'there is no paper "{paper}"; there is {", ".join(PAPERS)}')
    css = (TEMPLATES / "style.css").read_text("utf-8")
    given = {
        "title": title,
        "language": language,
        "css": Markup(css),  # noqa: S704  (ours, out of the package)
        "paper_css": Markup(f"@page {{ size: {PAPERS[paper]} }}"),  # noqa: S704  (one of two words)
        "version": __version__,
    }
    return _environment().get_template(template).render(given | values)
