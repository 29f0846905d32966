"""The JSON Schema of the actions: current, complete, and of one mind with the program."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from pydantic import ValidationError

from logger.commands.schemas import write_actions_schema
from logger.core.actions import BODY, MODELS
from logger.core.actions.schema import schema
from logger.core.units import DIMENSIONS

FILE = Path(__file__).parents[3] / "config" / "actions.schema.json"


def test_the_schema_in_the_folder_is_current(tmp_path: Path) -> None:
    write_actions_schema(tmp_path / "schema.json")
    assert FILE.read_bytes() == (tmp_path / "schema.json").read_bytes()


def test_every_action_and_every_field_is_described() -> None:
    tables = json.loads(FILE.read_text("utf-8"))["$defs"]
    assert {model.__name__ for model in MODELS.values()} < set(tables)
    for name, table in tables.items():
        assert table["description"], name
        assert table["additionalProperties"] is False, name
        fields = {key: field for key, field in table["properties"].items() if key != "action"}
        assert [key for key, field in fields.items() if not field.get("description")] == [], name


def test_every_action_must_say_its_name() -> None:
    tables = schema()["$defs"]
    for name, model in MODELS.items():
        table = tables[model.__name__]
        assert table["properties"]["action"]["const"] == name
        assert "action" in table["required"]


@pytest.mark.parametrize("text", [f"12.5 {unit}" for unit in [*DIMENSIONS["mass"], "stone", "", "kgs"]])
def test_a_mass_in_text_is_allowed_where_the_program_allows_it(text: str) -> None:
    (kinds,) = [
        kind["anyOf"]
        for kind in schema()["$defs"]["OpenLot"]["properties"]["gross"]["anyOf"]
        if "anyOf" in kind
    ]
    allowed = re.search(kinds[0]["pattern"], text) is not None
    assert allowed is _taken({"action": "open-lot", "lot": "L", "gross": text})


def _taken(action: dict[str, object]) -> bool:
    try:
        BODY.validate_python(action)
    except ValidationError:
        return False
    return True
