"""The JSON Schema of all actions, for whoever writes a client."""

from __future__ import annotations

from typing import Any

from logger.core.actions import BODY, MODELS


def schema() -> dict[str, Any]:
    """One of the actions, each described with its fields (JSON Schema, draft 2020-12)."""
    made = BODY.json_schema()
    for model in MODELS.values():
        table = made["$defs"][model.__name__]
        table["properties"]["action"].pop("default")
        table["required"] = ["action", *table.get("required", [])]
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "Tallydeck actions",
        "description": "What a person does or says: one JSON object, sent by POST to /api/v1/actions.",
        **made,
    }
