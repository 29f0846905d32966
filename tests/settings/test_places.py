"""The line of every key, against the standard library's reading of the same text."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.settings.places import locate

CONFIG = Path(__file__).parents[2] / "config"

HARD = r'''# comment with [brackets] and = signs
top = 1
"quoted key" = "a # no comment"
'literal.key'.sub = 'C:\path'
multi = """
[not.a.table]
still = "text" \"""
"""
lit = """"two quotes at the end"""""
raw = QQQ
[not.a.table]
QQQ
dotted . key = 1979-05-27T07:32:00Z
list = [ # comment ]
  "one", # two
  [ 1, 2 ],
  { a = 1, b = { c = [ 3 ] } },
]
inline = { x = 1, y.z = "}" }
empty = {}
none = []
[ table . "sub table" ]
a = true
[[rows]]
a = 1
[[rows]]
a = 2
[rows.under]
b = 3
[[rows.deep]]
c = 4
'''.replace("QQQ", "'''")


def _paths(value: Any, path: tuple[str | int, ...] = ()) -> Iterator[tuple[str | int, ...]]:
    """Every path of the read data."""
    if path:
        yield path
    items: Any = (
        value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    )
    for key, item in items:
        yield from _paths(item, (*path, key))


def _key(path: tuple[str | int, ...]) -> str:
    return next(str(part) for part in reversed(path) if isinstance(part, str))


def test_every_path_of_a_hard_text_has_its_line() -> None:
    places = locate(HARD)
    assert set(places.lines) == set(_paths(tomllib.loads(HARD)))
    lines = HARD.split("\n")
    for path in places.lines:
        end = path[-1]
        assert isinstance(end, int) or _key(path) in lines[places.lines[path] - 1]


def test_the_items_of_a_list_have_the_lines_they_stand_on() -> None:
    places = locate('a = [\n  "x",\n\n  "y", "z",\n]\n')
    assert [places.lines["a", i] for i in range(3)] == [2, 4, 4]


def test_tables_of_a_list_have_the_lines_of_their_headings() -> None:
    places = locate("[[r]]\na = 1\n[[r]]\na = 2\n[r.s]\nb = 1\n")
    assert (places.lines["r", 0], places.lines["r", 1]) == (1, 3)
    assert (places.lines["r", 1, "a"], places.lines["r", 1, "s", "b"]) == (4, 6)


@pytest.mark.parametrize("path", sorted(CONFIG.glob("*.toml")), ids=lambda path: path.name)
def test_every_path_of_a_configuration_has_its_line(path: Path) -> None:
    text = path.read_text("utf-8")
    assert set(locate(text).lines) == set(_paths(tomllib.loads(text)))


@pytest.mark.parametrize("path", sorted(CONFIG.glob("*.toml")), ids=lambda path: path.name)
def test_a_values_span_holds_that_value_and_nothing_else(path: Path) -> None:
    text = path.read_text("utf-8")
    data = tomllib.loads(text)
    for place, (start, end) in locate(text).spans.items():
        value: Any = data
        for part in place:
            value = value[part]
        assert tomllib.loads(f"x = {text[start:end]}") == {"x": value}


def test_a_path_that_the_file_lacks_has_the_line_of_the_table_around_it() -> None:
    assert locate("\n[a.b]\nc = 1\n").line(("a", "b", "missing", "deeper")) == 2
    assert locate("").line(("a",)) is None


TEXT = st.text(alphabet=st.sampled_from("ab\"'\\\n\t =[]{},.#é"), max_size=12)
SCALAR = st.one_of(st.integers(-9, 9), st.booleans(), TEXT)
VALUE = st.recursive(
    SCALAR, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(TEXT, inner, max_size=3), max_leaves=8
)


def _quoted(text: str) -> str:
    escaped = "".join(c if c.isalnum() or c in " #=[]{},.'" else f"\\u{ord(c):04X}" for c in text)
    return f'"{escaped}"'


def _written(value: Any) -> str:
    match value:
        case bool():
            return str(value).lower()
        case str():
            return _quoted(value)
        case list():
            return "[" + ",\n".join(map(_written, value)) + "]"
        case dict():
            return "{ " + ", ".join(f"{_quoted(k)} = {_written(v)}" for k, v in value.items()) + " }"
        case _:
            return str(value)


@settings(max_examples=150, deadline=None)
@given(st.dictionaries(TEXT, st.dictionaries(TEXT, VALUE, max_size=3), max_size=3))
def test_any_text_gives_a_line_for_every_path(data: dict[str, dict[str, Any]]) -> None:
    text = "".join(
        f"[{_quoted(name)}] # heading\n"
        + "".join(f"{_quoted(k)} = {_written(v)}\n" for k, v in table.items())
        for name, table in data.items()
    )
    assert tomllib.loads(text) == data
    assert set(locate(text).lines) == set(_paths(data))
