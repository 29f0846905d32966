"""The JSON Schema of the actions as a file, the same bytes each time."""

from __future__ import annotations

import json
from pathlib import Path

from logger.core.actions.schema import schema


def write_actions_schema(path: Path) -> None:
    """Write it where clients find it: ``config/actions.schema.json``."""
    path.write_text(json.dumps(schema(), indent=1, ensure_ascii=False, sort_keys=True) + "\n", "utf-8")
