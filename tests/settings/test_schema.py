"""The JSON Schema: current, and of one mind with the program."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from logger.core.units import parse_quantity
from logger.settings import schema, write_schema
from logger.settings.quantities import COMMON

CONFIG = Path(__file__).parents[2] / "config"


def _tables() -> dict[str, Any]:
    made = schema()
    return {"": made, **made["$defs"]}


def _properties() -> Iterator[tuple[str, dict[str, Any]]]:
    for name, table in _tables().items():
        for key, about in table.get("properties", {}).items():
            yield f"{name}.{key}", about


def _patterns(about: Any) -> Iterator[dict[str, Any]]:
    """Every string with a pattern in a part of the schema."""
    if isinstance(about, dict):
        if "pattern" in about:
            yield about
        for part in about.values():
            yield from _patterns(part)
    for part in about if isinstance(about, list) else []:
        yield from _patterns(part)


def test_the_schema_in_the_folder_is_current(tmp_path: Path) -> None:
    write_schema(tmp_path / "schema.json")
    assert (CONFIG / "tallydeck.schema.json").read_bytes() == (tmp_path / "schema.json").read_bytes()


def test_the_schema_is_json_of_the_draft_it_names() -> None:
    made = json.loads((CONFIG / "tallydeck.schema.json").read_text("utf-8"))
    assert made["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    assert set(made["properties"]) == {"bay", "instruments", "stations", "board", "journal", "mqtt", "store"}


def test_every_table_refuses_keys_that_are_not_known() -> None:
    assert {name: table["additionalProperties"] for name, table in _tables().items()} == dict.fromkeys(
        _tables(), False
    )


def test_every_example_fits_its_pattern() -> None:
    seen = 0
    for about in _patterns(schema()):
        for example in about["examples"]:
            assert re.search(about["pattern"], example), about
            seen += 1
    assert seen > 20


@pytest.mark.parametrize("value", ["5", "5 kgs", "five g", "5,0 g", "g", "5 g extra", "5 L"])
def test_the_pattern_of_a_mass_refuses_what_the_program_refuses(value: str) -> None:
    (pattern,) = {
        about["pattern"] for about in _patterns(schema()["$defs"]["ContainerTable"]["properties"]["tare"])
    }
    assert not re.search(pattern, value)


def test_an_outlet_list_and_outlet_tables_are_both_described() -> None:
    kinds = [part.get("type") for part in schema()["$defs"]["StationTable"]["properties"]["outlets"]["anyOf"]]
    assert kinds == ["array", "object"]


@pytest.mark.parametrize(("dimension", "units"), COMMON.items())
def test_the_units_that_messages_name_are_understood(dimension: str, units: str) -> None:
    for unit in re.split(r", | or ", units):
        assert parse_quantity(f"1 {unit}", dimension) > 0


def test_every_key_that_a_person_may_write_is_explained() -> None:
    plain = {
        "StationTable.feed",
        "InstrumentTable.line",
        "InstrumentTable.mqtt",
        "InstrumentTable.modbus",
        "OutletTable.container",
    }  # tables explain themselves
    silent = {
        name for name, about in _properties() if not name.startswith(".") and "description" not in about
    }
    assert silent == plain
