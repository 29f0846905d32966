"""JSON Schemas as files, the same bytes each time: of actions, of a weigh-up, of what goes out by MQTT."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from logger.core.actions.schema import schema


def write_actions_schema(path: Path) -> None:
    """Write it where clients find it: ``config/actions.schema.json``."""
    _write(path, schema())


def write_weigh_up_schema(path: Path) -> None:
    """Write it where editors find it: ``config/weigh-up.schema.json``."""
    from logger.balance.document import WeighUp

    _write(path, WeighUp.model_json_schema())


def write_mqtt_schema(path: Path) -> None:
    """Write it where who listens at the broker finds it: ``config/mqtt.schema.json``."""
    from logger.followers.mqtt.messages import schema as published

    _write(path, published())


def _write(path: Path, what: dict[str, Any]) -> None:
    path.write_text(json.dumps(what, indent=1, ensure_ascii=False, sort_keys=True) + "\n", "utf-8")
