"""The JSON Schema of the configuration, for editors that check and complete while one types."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from logger.settings.document import Document


def schema() -> dict[str, Any]:
    """The JSON Schema (draft 2020-12)."""
    made = Document.model_json_schema()
    made.pop("description", None)
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "Tallydeck configuration",
        **{key: value for key, value in made.items() if key != "title"},
    }


def write_schema(path: Path) -> None:
    """Write it, the same bytes each time."""
    path.write_text(json.dumps(schema(), indent=1, ensure_ascii=False, sort_keys=True) + "\n", "utf-8")
