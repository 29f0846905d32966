"""Frames on the wire against the standards' own examples.

Source: MODBUS over Serial Line Specification V1.02 and MODBUS Application Protocol V1.1b3 (CRC-16 with the
polynomial A001 reflected, start FFFF, low byte first; "123456789" gives 4B37). The frames 11 03 00 6B 00 03
and 01 03 00 00 00 0A with their check bytes are the usual printed examples; recomputed.
"""

from __future__ import annotations

import pytest
from pymodbus.framer import FramerRTU

from logger.ports.frames import Frames, Question


def crc(data: bytes) -> int:
    """CRC-16/MODBUS bit by bit, as the specification's appendix describes it."""
    value = 0xFFFF
    for byte in data:
        value ^= byte
        for _ in range(8):
            value = (value >> 1) ^ 0xA001 if value & 1 else value >> 1
    return value


def test_the_check_value_of_the_published_text() -> None:
    assert crc(b"123456789") == 0x4B37


def test_a_printed_check_of_two_bytes() -> None:
    """02 07 is followed by 41 12 on the line."""
    assert crc(b"\x02\x07").to_bytes(2, "little").hex() == "4112"


@pytest.mark.parametrize("data", [b"123456789", b"\x02\x07", bytes.fromhex("1103006b0003")])
def test_the_librarys_check_is_the_specifications(data: bytes) -> None:
    """The library gives it as a big-endian number whose bytes go out as they stand: low byte first."""
    assert FramerRTU.compute_CRC(data).to_bytes(2, "big") == crc(data).to_bytes(2, "little")


@pytest.mark.parametrize(
    ("device", "register", "count", "frame"),
    [(0x11, 0x6B, 3, "1103006b00037687"), (0x01, 0, 10, "01030000000ac5cd")],
)
def test_a_question_goes_out_as_printed(device: int, register: int, count: int, frame: str) -> None:
    question = Question(device, "holding", register, 2 * count)
    assert Frames("rtu").ask(question).hex() == frame


def test_input_registers_are_asked_with_function_4() -> None:
    assert Frames("rtu").ask(Question(1, "input", 0, 2))[1] == 4


def test_on_tcp_a_question_has_a_header_and_no_check() -> None:
    """MODBUS Messaging on TCP/IP V1.0b: transaction, protocol 0, length 6, unit, then the question."""
    frame = Frames("tcp").ask(Question(0x11, "holding", 0x6B, 6))
    assert frame[2:].hex() == "000000061103006b0003"


def test_an_answer_is_found_behind_noise_and_a_spoiled_one_is_not() -> None:
    answer = bytes.fromhex("010302") + (1234).to_bytes(2, "big")
    good = answer + crc(answer).to_bytes(2, "little")
    frames = Frames("rtu")
    frames.ask(Question(1, "holding", 0, 2))
    assert frames.hear(b"\x00\xff" + good[:-1] + bytes([good[-1] ^ 1])) is None
    frames.forget()
    frames.ask(Question(1, "holding", 0, 2))
    found = frames.hear(b"\x00\xff" + good)
    assert found is not None
    assert found.data == (1234).to_bytes(2, "big")


def test_an_exception_answers_with_its_code() -> None:
    answer = bytes.fromhex("018302")
    frames = Frames("rtu")
    frames.ask(Question(1, "holding", 0, 2))
    found = frames.hear(answer + crc(answer).to_bytes(2, "little"))
    assert found is not None
    assert found.exception == 2


def test_on_tcp_the_answer_to_an_earlier_question_is_not_taken() -> None:
    """The transaction number tells them apart, device, function and length being the same."""
    frames = Frames("tcp")
    question = Question(1, "holding", 0, 2)
    first, second = frames.ask(question), frames.ask(question)
    late = first[:2] + bytes.fromhex("0000000501030204d2")
    right = second[:2] + bytes.fromhex("00000005010302002a")
    assert frames.hear(late) is None
    found = frames.hear(right)
    assert found is not None
    assert found.data == b"\x00\x2a"
    assert frames.forget() == late


def test_on_a_line_the_answer_of_another_device_is_not_taken() -> None:
    answer = bytes.fromhex("02030204d2")
    frames = Frames("rtu")
    frames.ask(Question(1, "holding", 0, 2))
    assert frames.hear(answer + crc(answer).to_bytes(2, "little")) is None


@pytest.mark.parametrize("size", range(1, 7))
def test_an_answer_in_two_pieces_is_put_together(size: int) -> None:
    answer = bytes.fromhex("01030204d2")
    answer += crc(answer).to_bytes(2, "little")
    frames = Frames("rtu")
    frames.ask(Question(1, "holding", 0, 2))
    assert frames.hear(answer[:size]) is None
    found = frames.hear(answer[size:])
    assert found is not None
    assert found.raw == answer
