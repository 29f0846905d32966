"""Readings that come as messages: plain numbers and JSON, exactly or not at all."""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.core.decode.message import MAX_MESSAGE, MessageDecoder, MessageFormat
from logger.core.entries import Garbage, Reading

PLAIN = MessageFormat(unit="kg")
JSON = MessageFormat(("weight", "net"), "kg", ("weight", "unit"), ("at_rest",))


def read(payload: bytes, form: MessageFormat = PLAIN) -> Reading | Garbage:
    return MessageDecoder("a", form).read(payload, 7)


@pytest.mark.parametrize(
    ("payload", "number", "exp"),
    [
        (b"12.34", 1234, -2),
        (b"-0.005", -5, -3),
        (b"+ 12", 12, 0),
        (b" 12.340\r\n", 12340, -3),
        (b"0", 0, 0),
        (b"999999999999999999", 999999999999999999, 0),
    ],
)
def test_a_plain_number_is_read_digit_by_digit(payload: bytes, number: int, exp: int) -> None:
    reading = read(payload)
    assert isinstance(reading, Reading)
    assert reading[:6] == (7, "a", number, exp, "kg", None)


@pytest.mark.parametrize(
    ("payload", "reason"),
    [
        (b"", "bad-number"),
        (b"12,34", "bad-number"),
        (b"12.34 kg", "bad-number"),
        (b"1e3", "bad-number"),
        (b"nan", "bad-number"),
        (b"--5", "bad-number"),
        (b"9" * 19, "bad-number"),
        ("１２".encode(), "bad-number"),
        (b"\xff\xfe", "not-utf8"),
        (b"1" * (MAX_MESSAGE + 1), "too-long"),
    ],
)
def test_what_is_no_plain_number_is_garbage_with_its_reason(payload: bytes, reason: str) -> None:
    found = read(payload)
    assert isinstance(found, Garbage)
    assert (found.reason, found.raw) == (reason, payload[:MAX_MESSAGE])


def test_fields_are_found_by_their_ways() -> None:
    reading = read(b'{"weight": {"net": 12.340, "unit": "lb", "tare": 1}, "at_rest": false, "n": 5}', JSON)
    assert isinstance(reading, Reading)
    assert (reading.number, reading.exp, reading.unit, reading.stable) == (12340, -3, "lb", False)


def test_a_field_may_stand_in_a_list() -> None:
    form = MessageFormat(("scales", "1", "net"), "kg")
    reading = read(b'{"scales": [{"net": 1}, {"net": 2}]}', form)
    assert isinstance(reading, Reading)
    assert reading.number == 2


def test_rest_may_be_left_out_of_a_message() -> None:
    reading = read(b'{"weight": {"net": 1, "unit": "kg"}}', JSON)
    assert isinstance(reading, Reading)
    assert reading.stable is None


@pytest.mark.parametrize(
    ("text", "number", "exp"),
    [("5e-05", 5, -5), ("1.5E2", 15, 1), ('"12.5"', 125, -1), ('" 7 "', 7, 0), ("-0.1e+1", -1, 0)],
)
def test_a_json_number_may_have_an_exponent_or_stand_in_quotes(text: str, number: int, exp: int) -> None:
    reading = read(f'{{"v": {text}}}'.encode(), MessageFormat(("v",), "kg"))
    assert isinstance(reading, Reading)
    assert (reading.number, reading.exp) == (number, exp)


@pytest.mark.parametrize(
    ("payload", "reason"),
    [
        (b'{"weight": {"net": 12', "not-json"),
        (b"[" * 4000, "not-json"),
        (b"12.34", "no-value"),
        (b"[]", "no-value"),
        (b'{"weight": 12}', "no-value"),
        (b'{"weight": {"net": null, "unit": "kg"}}', "no-value"),
        (b'{"weight": {"net": true, "unit": "kg"}}', "no-value"),
        (b'{"weight": {"net": [1], "unit": "kg"}}', "no-value"),
        (b'{"weight": {"net": NaN, "unit": "kg"}}', "bad-number"),
        (b'{"weight": {"net": 1e400, "unit": "kg"}}', "bad-number"),
        (b'{"weight": {"net": 1e99, "unit": "kg"}}', "bad-number"),
        (b'{"weight": {"net": "one", "unit": "kg"}}', "bad-number"),
        (b'{"weight": {"net": 1}}', "no-unit"),
        (b'{"weight": {"net": 1, "unit": ""}}', "no-unit"),
        (b'{"weight": {"net": 1, "unit": "stone"}}', "unknown-unit"),
        (b'{"weight": {"net": 1, "unit": ["kg"]}}', "unknown-unit"),
        (b'{"weight": {"net": 1, "unit": "kg"}, "at_rest": "yes"}', "bad-stable"),
        (b'{"weight": {"net": 1, "unit": "kg"}, "at_rest": 1}', "bad-stable"),
    ],
)
def test_json_that_is_not_as_described_is_garbage_with_its_reason(payload: bytes, reason: str) -> None:
    found = read(payload, JSON)
    assert isinstance(found, Garbage)
    assert (found.reason, found.raw) == (reason, payload)


@given(st.binary(min_size=1, max_size=200))
def test_whatever_comes_is_one_reading_or_one_piece_of_garbage(payload: bytes) -> None:
    for form in (PLAIN, JSON):
        found = read(payload, form)
        kept = found.raw or MessageDecoder("a", form).encode(found)
        assert kept == payload


JSON_TREE = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.sampled_from(["kg", "12.5", "", "\ud800"]),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(st.sampled_from(["weight", "net", "unit", "at_rest", "0"]), inner, max_size=4)
    ),
    max_leaves=10,
)


@given(JSON_TREE)
def test_whatever_json_comes_is_one_reading_or_one_piece_of_garbage(tree: object) -> None:
    payload = json.dumps(tree).encode()
    found = read(payload, JSON)
    assert (found.raw or MessageDecoder("a", JSON).encode(found)) == payload


@given(st.integers(-(10**18) + 1, 10**18 - 1), st.integers(-6, 0), st.sampled_from([True, False, None]))
def test_a_message_in_its_plain_form_needs_no_raw_bytes(number: int, exp: int, stable: bool | None) -> None:
    for form, rest in ((PLAIN, None), (JSON, stable)):
        decoder = MessageDecoder("a", form)
        wanted = Reading(7, "a", number, exp, "kg", rest)
        found = decoder.read(decoder.encode(wanted), 7)
        assert found == wanted


@pytest.mark.parametrize(
    ("settings", "word"),
    [
        ({}, "no unit"),
        ({"unit": "kg", "stable": ("rest",)}, "plain number has no other fields"),
        ({"unit": "kg", "value": ("a", "")}, "no way to a field"),
        ({"unit": "kg", "value": ("a",) * 9}, "no way to a field"),
    ],
)
def test_a_format_that_can_not_be_is_refused_when_it_is_made(settings: dict[str, object], word: str) -> None:
    with pytest.raises(ValueError, match=word):
        MessageFormat(**settings)
