"""The page's own files, read once; nothing else can be asked for by name."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from importlib.resources import files

_TYPES = {
    "html": "text/html; charset=utf-8",
    "css": "text/css; charset=utf-8",
    "js": "text/javascript; charset=utf-8",
    "svg": "image/svg+xml",
}

PAGES = {
    "/": "board.html",
    "/prepare": "prepare.html",
    "/weigh-up": "weigh-up.html",
    "/lots": "lots.html",
    "/run": "run.html",
    "/instruments": "instruments.html",
}
"""The pages a person opens, and the files they are made of."""


@dataclass(frozen=True, slots=True)
class StaticFile:
    body: bytes
    media_type: str
    etag: str


def read_all() -> dict[str, StaticFile]:
    """Every file of the page by name."""
    found = {}
    for entry in (files("logger.board") / "static").iterdir():
        suffix = entry.name.rpartition(".")[2]
        if suffix in _TYPES:
            body = entry.read_bytes()
            etag = f'"{hashlib.sha256(body).hexdigest()[:32]}"'
            found[entry.name] = StaticFile(body, _TYPES[suffix], etag)
    return found
