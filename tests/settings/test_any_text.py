"""Whatever stands in the file: a Configuration or a SettingsError, and nothing else."""

from __future__ import annotations

import string
import tomllib
from pathlib import Path
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from logger.settings import Configuration, SettingsError, loads
from logger.settings.document import Document

CONFIGS = [path.read_text("utf-8") for path in sorted((Path(__file__).parents[2] / "config").glob("*.toml"))]
ENV = {"HOME": "/home/bay"}
WORDS = sorted(
    {
        *string.printable,
        *(
            "5 g",
            "0 g",
            "-1 kg",
            "45 kg/h",
            "1 to 2 kg",
            "99999999999999 t",
            "none",
            "feed",
            "COM1",
            "8N1",
            "é",
            "\ud800",
        ),
        *(
            "env:",
            "env:X",
            "file:",
            "file:/",
            "~/",
            "brim-full",
            "line",
            "24:00-00:00",
            "{number}",
            "",
            "\x00",
            "socket://a:0",
        ),
    }
)
BITS = st.sampled_from(
    [*WORDS, "[", "]", "[[", "]]", '"', '"""', "'''", "\n", " = ", "true", "1e999", "nan", "0x1F"]
)


def outcome(text: str) -> Configuration | SettingsError:
    """What became of a text; any other exception than a SettingsError goes through and fails the test."""
    result: Configuration | SettingsError
    try:
        result = loads(text, env=ENV)
    except SettingsError as error:
        result = error
    assert isinstance(result, Configuration) or (result.problems and str(result))
    return result


def keys_of(model: Any, found: set[str]) -> set[str]:
    """Every key of the document's schema."""
    definitions = model.model_json_schema()
    for table in [definitions, *definitions["$defs"].values()]:
        found.update(table.get("properties", {}))
    return found


KEYS = sorted(keys_of(Document, {"a", "b", "table", "concentrate", "feed", "", "a b"}))
SCALARS = st.one_of(
    st.sampled_from(WORDS), st.integers(), st.floats(), st.booleans(), st.dates(), st.text(max_size=6)
)
TREE = st.recursive(
    SCALARS,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from(KEYS), inner, max_size=4),
    max_leaves=12,
)


@settings(max_examples=250, deadline=None)
@given(st.sampled_from(CONFIGS), st.lists(st.tuples(st.floats(0, 1), st.integers(0, 12), BITS), max_size=4))
def test_a_spoiled_configuration_is_read_or_refused(text: str, edits: list[tuple[float, int, str]]) -> None:
    for where, length, put in edits:
        at = int(where * len(text))
        text = text[:at] + put + text[at + length :]
    outcome(text)


@settings(max_examples=250, deadline=None)
@given(st.sampled_from(CONFIGS), st.lists(st.tuples(st.floats(0, 0.999), TREE), min_size=1, max_size=4))
def test_any_value_in_any_place_is_read_or_refused(text: str, changes: list[tuple[float, Any]]) -> None:
    """Values of every kind put in the place of others, past the TOML reader."""
    data = tomllib.loads(text)
    for where, value in changes:
        slots = _slots(data)
        table, key = slots[int(where * len(slots))]
        table[key] = value
    outcome_of_data(data)


@settings(max_examples=250, deadline=None)
@given(st.dictionaries(st.sampled_from(KEYS), TREE, max_size=5))
def test_any_tree_of_known_keys_is_read_or_refused(data: dict[str, Any]) -> None:
    outcome_of_data(data)


@settings(max_examples=100, deadline=None)
@given(st.text(max_size=40))
def test_any_text_is_read_or_refused(text: str) -> None:
    outcome(text)


def _slots(table: Any) -> list[tuple[Any, Any]]:
    found = []
    for key, value in table.items() if isinstance(table, dict) else []:
        found.append((table, key))
        found += _slots(value)
    return found


def outcome_of_data(data: dict[str, Any]) -> None:
    """As `outcome`, for data that stand for a text read."""
    written = "".join(f"{_quoted(key)} = {_written(value)}\n" for key, value in data.items())
    outcome(written)


def _quoted(text: str) -> str:
    kept = "".join(c if c.isascii() and c.isprintable() and c not in '"\\' else _escape(c) for c in text)
    return f'"{kept}"'


def _escape(char: str) -> str:
    code = ord(char)
    return char if 0xD800 <= code < 0xE000 else f"\\U{code:08X}"  # TOML can't escape half a pair


def _written(value: Any) -> str:
    match value:
        case bool():
            return str(value).lower()
        case str():
            return _quoted(value)
        case list():
            return "[" + ", ".join(map(_written, value)) + "]"
        case dict():
            return "{" + ", ".join(f"{_quoted(k)} = {_written(v)}" for k, v in value.items()) + "}"
        case _:
            return str(value)
