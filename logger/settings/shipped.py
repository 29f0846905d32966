"""Where the files of config/ are, in a checkout and installed."""

from __future__ import annotations

from pathlib import Path

import logger


def shipped(name: str) -> Path:
    """A file of config/ that comes with the program: beside the package, or inside it when installed."""
    package = Path(logger.__file__).parent
    inside = package / "config" / name
    return inside if inside.exists() else package.parent / "config" / name
