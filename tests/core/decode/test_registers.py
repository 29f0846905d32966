"""Numbers in registers: every type in every order, exact, and nothing lost."""

from __future__ import annotations

import math
import struct
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.client.mixin import ModbusClientMixin

from logger.core.decode.registers import CODES, ORDERS, RegisterFormat
from logger.core.entries import Garbage, Reading

NAMES = {name: ModbusClientMixin.DATATYPE[name.upper()] for name in CODES}
SIZES = {name: struct.calcsize(f">{code}") for name, code in CODES.items()}


def registers(data: bytes) -> list[int]:
    return [int.from_bytes(data[at : at + 2], "big") for at in range(0, len(data), 2)]


def kept(item: Reading | Garbage, number: str, order: str) -> bytes:
    """The registers' bytes, as the record can give them back."""
    form = RegisterFormat(number, order, "L")
    return item.raw or form.write(item) if isinstance(item, Reading) else item.raw


def readable(number: str, value: float) -> bool:
    """Whether this is a number that fits 64 bits with its sign."""
    return math.isfinite(value) and -(2**63) <= value < 2**63 and (value, number[0]) != (-(2.0**63), "f")


@pytest.mark.parametrize("number", CODES)
@given(st.binary(min_size=8, max_size=8))
def test_high_and_low_register_first_read_as_pymodbus_reads_them(number: str, data: bytes) -> None:
    data = data[: SIZES[number]]
    for order, word_order in (("ABCD", "big"), ("CDAB", "little")):
        theirs = ModbusClientMixin.convert_from_registers(
            registers(data),
            NAMES[number],
            word_order=word_order,  # type: ignore[arg-type]
        )
        assert_reads(number, order, data, theirs)  # type: ignore[arg-type]


@pytest.mark.parametrize("number", CODES)
@given(st.binary(min_size=8, max_size=8))
def test_registers_with_their_bytes_exchanged_read_as_struct_reads_them(number: str, data: bytes) -> None:
    """DCBA is little-endian throughout; BADC is that with the registers the other way round."""
    data = data[: SIZES[number]]
    (value,) = struct.unpack(f"<{CODES[number]}", data)
    assert_reads(number, "DCBA", data, value)
    turned = struct.pack(f">{SIZES[number] // 2}H", *reversed(registers(data)))
    assert_reads(number, "BADC", turned, value)


def assert_reads(number: str, order: str, data: bytes, value: float) -> None:
    item = RegisterFormat(number, order, "L").read(data, 1, "x")
    assert isinstance(item, Reading) == readable(number, value)
    exact = [Fraction(r.number) * Fraction(10) ** r.exp for r in [item] if isinstance(r, Reading)]
    code = f">{CODES[number]}"
    assert [struct.pack(code, type(value)(each)) for each in exact] == [
        struct.pack(code, value + 0)
        for _ in exact  # + 0: the number of -0.0 is 0, its raw bytes are kept
    ]


@given(st.floats(width=32, allow_nan=False, min_value=-(2.0**62), max_value=2.0**62))
def test_a_float_is_told_with_as_few_digits_as_give_it_back(value: float) -> None:
    data = struct.pack(">f", value)
    item = RegisterFormat("float32", "ABCD", "L").read(data, 1, "x")
    assert isinstance(item, Reading)
    digits = len(str(abs(item.number)))
    assert digits <= 9
    fewer = [struct.pack(">f", float(f"{value:.{n}g}")) for n in range(1, digits)]
    assert data not in fewer


@given(st.floats(allow_nan=False, min_value=-(2.0**62), max_value=2.0**62))
def test_a_long_float_is_told_as_python_writes_it(value: float) -> None:
    """`repr` is the shortest decimal that gives the same float back."""
    item = RegisterFormat("float64", "ABCD", "L").read(struct.pack(">d", value), 1, "x")
    assert isinstance(item, Reading)
    assert Fraction(item.number) * Fraction(10) ** item.exp == Fraction(repr(value))


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
@given(st.binary(min_size=8, max_size=8))
def test_whatever_the_registers_hold_comes_out_whole(order: str, number: str, data: bytes) -> None:
    data = data[: SIZES[number]]
    assert kept(RegisterFormat(number, order, "L").read(data, 1, "x"), number, order) == data


@pytest.mark.parametrize("number", CODES)
@given(st.binary(max_size=12))
def test_bytes_of_another_number_come_out_whole(number: str, data: bytes) -> None:
    item = RegisterFormat(number, "ABCD", "L").read(data, 1, "x")
    assert kept(item, number, "ABCD") == data
    assert isinstance(item, Garbage) >= (len(data) != SIZES[number])


@given(st.sampled_from([n for n in CODES if "int" in n]), st.binary(min_size=8, max_size=8))
def test_counts_of_a_step_come_out_whole(number: str, data: bytes) -> None:
    """0.05 L a count: what fits is a multiple of the step, and is written as the same bytes again."""
    data = data[: SIZES[number]]
    form = RegisterFormat(number, "CDAB", "L", 5, -2)
    item = form.read(data, 1, "x")
    raw = item.raw or form.write(item) if isinstance(item, Reading) else item.raw
    assert raw == data


@pytest.mark.parametrize(
    ("number", "reading"),
    [
        ("float32", Reading(1, "x", 1, 39, "L")),
        ("float64", Reading(1, "x", 1, 400, "L")),
        ("int16", Reading(1, "x", 32768, 0, "L")),
        ("uint16", Reading(1, "x", -1, 0, "L")),
        ("uint16", Reading(1, "x", 15, -1, "L")),
    ],
)
def test_a_number_that_registers_cannot_hold_is_refused(number: str, reading: Reading) -> None:
    with pytest.raises(ValueError, match=r"does not fit|no whole number"):
        RegisterFormat(number, "ABCD", "L").write(reading)


@pytest.mark.parametrize(
    ("number", "wire", "reason"),
    [
        ("float32", "7fc00000", "not-a-number"),
        ("float32", "ff800000", "infinite"),
        ("float64", "7ff0000000000000", "infinite"),
        ("uint64", "ffffffffffffffff", "too-large"),
        ("float64", "7e37e43c8800759c", "too-large"),  # 1e300: the registers' order is not the one told
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
