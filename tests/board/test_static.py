"""The page's files: nothing inline, nothing from outside, nothing written as markup."""

from __future__ import annotations

import re

import httpx
import pytest

from logger.board.static_files import read_all

FILES = {name: file.body.decode() for name, file in read_all().items()}
SCRIPTS = {name: text for name, text in FILES.items() if name.endswith(".js")}


def test_the_page_has_its_files() -> None:
    assert {"board.html", "board.css", "main.js", "icon.svg"} <= set(FILES)


@pytest.mark.parametrize("name", sorted(FILES))
def test_a_file_is_served_with_its_type(name: str, stranger: httpx.Client) -> None:
    answer = stranger.get(f"/static/{name}")
    assert answer.text == FILES[name]
    kinds = {"html": "text/html", "css": "text/css", "js": "text/javascript", "svg": "image/svg+xml"}
    assert answer.headers["content-type"].startswith(kinds[name.rpartition(".")[2]])


def test_an_unchanged_file_is_not_sent_again(stranger: httpx.Client) -> None:
    etag = stranger.get("/static/main.js").headers["etag"]
    again = stranger.get("/static/main.js", headers={"If-None-Match": etag})
    assert (again.status_code, again.content) == (304, b"")


@pytest.mark.parametrize("name", sorted(FILES))
def test_nothing_comes_from_outside(name: str) -> None:
    """No address of another host, but for the namespace of SVG, which is a name."""
    found = set(re.findall(r"(?:https?:)?//[\w.-]+\.\w[^\s\"')]*", FILES[name]))
    assert found <= {"http://www.w3.org/2000/svg"}


def test_the_page_has_nothing_inline() -> None:
    """A policy without unsafe-inline would not run it anyway."""
    page = FILES["board.html"]
    assert re.findall(r"<script(?![^>]*\bsrc=)", page) == []
    assert re.findall(r"<style|\sstyle=|\son\w+=|javascript:", page) == []


@pytest.mark.parametrize("name", sorted(SCRIPTS))
def test_text_is_never_markup(name: str) -> None:
    for way in ("innerHTML", "outerHTML", "insertAdjacentHTML", "document.write", "eval(", "DOMParser"):
        assert way not in SCRIPTS[name]
