"""Numbers in registers: every type in every order, exact, and nothing lost."""

from __future__ import annotations

import struct
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.client.mixin import ModbusClientMixin

from logger.core.decode.registers import CODES, ORDERS, RegisterFormat
from logger.core.entries import Garbage, Reading

NAMES = {name: ModbusClientMixin.DATATYPE[name.upper()] for name in CODES}


def registers(data: bytes) -> list[int]:
    return [int.from_bytes(data[at : at + 2], "big") for at in range(0, len(data), 2)]


@pytest.mark.parametrize("number", CODES)
@given(st.binary(min_size=8, max_size=8))
def test_high_and_low_register_first_read_as_pymodbus_reads_them(number: str, data: bytes) -> None:
    size = struct.calcsize(f">{CODES[number]}")
    for order, word_order in (("ABCD", "big"), ("CDAB", "little")):
        theirs = ModbusClientMixin.convert_from_registers(
            registers(data[:size]),
            NAMES[number],
            word_order=word_order,  # type: ignore[arg-type]
        )
        ours = RegisterFormat(number, order, "L").read(data[:size], 1, "x")
        if isinstance(ours, Garbage):
            assert number == "uint64" or not -1e308 < float(theirs) < 1e308  # type: ignore[arg-type]
        else:
            exact = Fraction(ours.number) * Fraction(10) ** ours.exp
            assert struct.pack(f">{CODES[number]}", type(theirs)(exact)) == struct.pack(  # type: ignore[call-arg]
                f">{CODES[number]}", theirs
            )


@pytest.mark.parametrize(
    ("order", "wire"),
    [("ABCD", "3f9d70a4"), ("CDAB", "70a43f9d"), ("BADC", "9d3fa470"), ("DCBA", "a4709d3f")],
)
def test_a_float_in_the_four_orders_of_a_32_bit_number(order: str, wire: str) -> None:
    """1.23 is 3F9D 70A4, low register first 70A4 3F9D (IEEE 754 single); bytes exchanged by hand."""
    reading = RegisterFormat("float32", order, "L/min").read(bytes.fromhex(wire), 5, "x")
    assert reading == Reading(5, "x", 123, -2, "L/min")


@pytest.mark.parametrize("order", ORDERS)
@pytest.mark.parametrize("number", CODES)
@given(st.binary(max_size=12))
def test_whatever_the_registers_hold_comes_out_whole(order: str, number: str, data: bytes) -> None:
    form = RegisterFormat(number, order, "L")
    item = form.read(data, 1, "x")
    if isinstance(item, Garbage):
        assert item.raw == data
    else:
        assert (item.raw or form.write(item)) == data


@pytest.mark.parametrize(
    ("number", "wire", "reason"),
    [
        ("float32", "7fc00000", "not-a-number"),
        ("float32", "ff800000", "infinite"),
        ("float64", "7ff0000000000000", "infinite"),
        ("uint64", "ffffffffffffffff", "too-large"),
        ("uint16", "01", "wrong-size"),
    ],
)
def test_what_is_no_number_is_garbage_with_its_bytes(number: str, wire: str, reason: str) -> None:
    data = bytes.fromhex(wire)
    assert RegisterFormat(number, "ABCD", "L").read(data, 1, "x") == Garbage(1, "x", data, reason)


def test_a_count_is_exact_in_its_step() -> None:
    """A register of 1234 counts of 0.05 L/min."""
    form = RegisterFormat("uint16", "ABCD", "L/min", 5, -2)
    assert form.read(bytes.fromhex("04d2"), 1, "x") == Reading(1, "x", 6170, -2, "L/min")


def test_a_negative_zero_keeps_its_bytes() -> None:
    reading = RegisterFormat("float32", "ABCD", "kg").read(bytes.fromhex("80000000"), 1, "x")
    assert (reading.number, reading.raw) == (0, bytes.fromhex("80000000"))  # type: ignore[union-attr]


@pytest.mark.parametrize(
    ("fields", "message"),
    [
        (("int8", "ABCD", "L"), "use one of int16"),
        (("int16", "ACBD", "L"), "use one of ABCD"),
        (("float32", "ABCD", "L", 5, 0), "only whole numbers have a step"),
        (("int16", "ABCD", "L", 0, 0), "more than nothing"),
    ],
)
def test_a_format_that_cannot_be_is_refused(fields: tuple[object, ...], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        RegisterFormat(*fields)  # type: ignore[arg-type]
