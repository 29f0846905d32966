"""The set-up checks of a bay, kept beside its journal: one dated JSON file each, whole or not at all."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

DIRECTORY = "set-up-checks"
FORMAT = 1


def save_set_up_check(journal_directory: Path, wall_ns: int, data: Mapping[str, Any]) -> Path:
    """Write a check under its time (UTC); gives the file. OSError where it can't be written.

    The file appears under its name when all of it is on the disk, so an end in between leaves none.
    """
    when = datetime.fromtimestamp(wall_ns / 1e9, UTC)
    folder = journal_directory / DIRECTORY
    folder.mkdir(parents=True, exist_ok=True)
    text = json.dumps(
        {"format": FORMAT, "when": when.isoformat(timespec="seconds"), **data}, ensure_ascii=False, indent=2
    )
    name = when.strftime("%Y-%m-%dT%H-%M-%SZ")
    fresh = folder / f".{name}.{os.getpid()}.new"
    try:
        with fresh.open("w", encoding="utf-8") as file:
            file.write(text + "\n")
            file.flush()
            os.fsync(file.fileno())
        return _settle(fresh, folder, name)
    finally:
        fresh.unlink(missing_ok=True)


def _settle(fresh: Path, folder: Path, name: str) -> Path:
    """Give it the first name that is free; an earlier check is never overwritten."""
    for number in range(1, 1000):
        path = folder / (f"{name}.json" if number == 1 else f"{name}-{number}.json")
        try:
            os.link(fresh, path)
        except FileExistsError:
            continue
        return path
    raise OSError(f"{folder}: a thousand checks of one second")


def read_set_up_checks(journal_directory: Path) -> list[dict[str, Any]]:
    """All checks that can be read, newest first; each with its ``file``."""
    found = []
    for path in sorted((journal_directory / DIRECTORY).glob("*.json"), reverse=True):
        try:
            data = json.loads(path.read_text("utf-8"))
        except (OSError, ValueError):
            continue
        if isinstance(data, dict) and data.get("format") == FORMAT:
            found.append(data | {"file": str(path)})
    return sorted(found, key=lambda each: str(each.get("when", "")), reverse=True)
