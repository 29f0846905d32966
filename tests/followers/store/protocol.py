"""Line protocol read as the reference describes it, apart from the library that writes it.

InfluxData, "Line protocol" (docs.influxdata.com/influxdb/v2/reference/syntax/line-protocol), sections
"Elements of line protocol", "Special characters" and "Data types and format".
"""

from __future__ import annotations

from typing import NamedTuple

NS_OF_INT64 = (-(2**63), 2**63 - 1)


class Parsed(NamedTuple):
    measurement: str
    tags: dict[str, str]
    fields: dict[str, object]
    time_ns: int


def _cut(text: str, at: int, ends: str, *, quotes: bool = False) -> int:
    """Where the piece that begins at ``at`` ends: at one of ``ends`` that is not escaped nor quoted."""
    quoted = False
    while at < len(text):
        if text[at] == "\\" and at + 1 < len(text):
            at += 2
            continue
        if quotes and text[at] == '"':
            quoted = not quoted
        elif not quoted and text[at] in ends:
            break
        at += 1
    return at


def _plain(text: str, escaped: str) -> str:
    found, at = "", 0
    while at < len(text):
        if text[at] == "\\" and text[at + 1 : at + 2] and text[at + 1] in escaped:
            at += 1
        found += text[at]
        at += 1
    return found


def _value(text: str) -> object:
    if text.startswith('"'):
        assert text.endswith('"')
        assert len(text) > 1
        return _plain(text[1:-1], '"\\')
    if text in ("true", "false"):
        return text == "true"
    return int(text[:-1]) if text.endswith("i") else float(text)


def parsed(line: str) -> Parsed:
    """One line; AssertionError, ValueError where it is none."""
    assert "\n" not in line
    end = _cut(line, 0, ", ")
    measurement, tags = _plain(line[:end], ", "), dict[str, str]()
    while line[end] == ",":
        key_end = _cut(line, end + 1, "=, ")
        assert line[key_end] == "="
        value_end = _cut(line, key_end + 1, ", =")
        assert line[value_end] in ", "
        key, value = line[end + 1 : key_end], line[key_end + 1 : value_end]
        assert key
        assert value
        assert key not in tags
        tags[_plain(key, ",= ")], end = _plain(value, ",= "), value_end
    fields: dict[str, object] = {}
    while True:
        key_end = _cut(line, end + 1, "=")
        value_end = _cut(line, key_end + 1, ", ", quotes=True)
        key = _plain(line[end + 1 : key_end], ",= ")
        assert key not in fields
        fields[key], end = _value(line[key_end + 1 : value_end]), value_end
        if line[end] == " ":
            break
    time_ns = int(line[end + 1 :])
    assert NS_OF_INT64[0] <= time_ns <= NS_OF_INT64[1]
    return Parsed(measurement, tags, fields, time_ns)
