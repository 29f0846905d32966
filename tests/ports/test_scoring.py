"""What bytes at a wrong speed or format score, with bytes as a UART would deliver them."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.core.guess.cut import Burst
from logger.core.guess.score import CERTAIN, fit, top_bit

from .strangers import LINES, STRANGERS, Stranger
from .uart import Framing, garbled, levels, sample

SPEEDS = (300, 1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200)
FRAMINGS = ("8N1", "8N2", "7E1", "7O1", "7N2", "8E1", "8O1", "7N1")


def read_at(stranger: Stranger, read: Framing, lines: int = 12) -> tuple[list[Burst], int]:
    """Lines of a stranger as they arrive at another setting, a line a chunk."""
    chunks, errors = [], 0
    for number in range(lines):
        got, wrong = garbled(stranger.frames(number), stranger.setting, read)
        chunks.append((number * 200_000_000, got))
        errors += wrong
    return chunks, errors


@settings(deadline=None)
@given(st.binary(min_size=1, max_size=30), st.sampled_from(FRAMINGS), st.sampled_from(SPEEDS))
def test_the_model_gives_back_what_is_read_as_it_was_sent(data: bytes, framing: str, baud: int) -> None:
    """The UART model itself: without a mismatch every byte comes through, and no error is counted."""
    seven = framing.startswith("7")
    sent = bytes(byte & 0x7F for byte in data) if seven else data
    assert sample(levels(sent, (baud, framing)), (baud, framing)) == (sent, 0)


@pytest.mark.parametrize("stranger", STRANGERS, ids=lambda each: each.name)
@pytest.mark.parametrize("baud", SPEEDS)
def test_only_the_right_speed_is_certain(stranger: Stranger, baud: int) -> None:
    """Read as 8N1 at every speed; what needs another frame is left to the search."""
    own, framing = stranger.setting
    judged = fit(*read_at(stranger, (baud, "8N1")))
    readable = framing not in ("8E1", "8O1", "7N1")
    assert judged.certain == (baud == own and readable)


@pytest.mark.parametrize("name", sorted(LINES))
@pytest.mark.parametrize(
    ("framing", "says"), [("7E1", "E"), ("7O1", "O"), ("7N2", "M"), ("8N1", ""), ("8N2", "")]
)
def test_the_top_bit_of_bytes_read_as_8n1_tells_the_parity(name: str, framing: str, says: str) -> None:
    stranger = Stranger(name, (9600, framing), lambda n: LINES[name](n).encode())
    judged = fit(read_at(stranger, (9600, "8N1"))[0])
    assert judged.parity == says
    assert judged.score >= CERTAIN


@pytest.mark.parametrize("framing", ["8E1", "8O1"])
def test_parity_read_as_a_stop_bit_is_no_clean_text(framing: str) -> None:
    stranger = Stranger("x", (9600, framing), lambda n: LINES["padded with words"](n).encode())
    chunks, errors = read_at(stranger, (9600, "8N1"))
    assert fit(chunks, errors).score < 0.5 < fit(read_at(stranger, (9600, framing))[0]).score


def test_errors_that_the_uart_counts_lower_the_score() -> None:
    chunks = [(0, b"ST,GS,+   1.235 kg\r\n" * 4)]
    assert fit(chunks, errors=20).score < fit(chunks).score


def test_a_few_bytes_say_nothing_of_parity() -> None:
    assert top_bit(b"\xb1\xb2") == ""


@settings(deadline=None)
@given(st.binary(max_size=300), st.integers(0, 400))
def test_any_bytes_score_between_nothing_and_one(data: bytes, errors: int) -> None:
    assert 0.0 <= fit([(0, data)], errors).score <= 1.0


@settings(deadline=None)
@given(st.integers(0, 2**32))
def test_noise_is_never_certain(seed: int) -> None:
    from random import Random

    rng = Random(seed)
    assert not fit([(at * 10**8, rng.randbytes(24)) for at in range(12)]).certain
