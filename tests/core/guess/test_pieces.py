"""What a listener is shown."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from logger.core.decode.layout import LineFormat
from logger.core.guess.pieces import Listener, printable


def test_a_piece_ends_with_its_line() -> None:
    listener = Listener()
    shown = listener.feed(b"1.2 kg\r\n1.", 0) + listener.feed(b"3 kg\r\n", 1)
    assert [each.data for each in shown] == [b"1.2 kg\r\n", b"1.3 kg\r\n"]


def test_a_pause_ends_a_piece() -> None:
    listener = Listener()
    assert listener.feed(b"\x05", 0) == []
    assert [each.data for each in listener.idle(10**9)] == [b"\x05"]


def test_sma_is_read_beside_the_bytes() -> None:
    listener = Listener()
    shown = listener.feed(b"\n 1G       1.234kg \r", 0) + listener.end()
    assert "1.234 kg gross stable" in "".join(each.sma for each in shown)


def test_a_layout_is_guessed_while_lines_come() -> None:
    listener = Listener()
    shown = [listener.feed(f"{n}.25 kg\r\n".encode(), n)[0] for n in range(4)]
    assert [bool(each.line) for each in shown] == [False, False, True, True]
    assert "3.25 kg" in shown[3].line


def test_lines_are_read_as_the_configuration_describes_them() -> None:
    listener = Listener(LineFormat("{number} {unit}"))
    listener.feed(b"1.2 kg\r\n", 0)
    assert listener.feed(b"1.3 kg\r\n", 1)[0].line == "1.3 kg"


def test_what_is_not_printable_is_named() -> None:
    assert printable(b"\x02a\x9c\x1f\r\n") == "<STX>a<9C><1F><CR><LF>"


@settings(deadline=None)
@given(st.lists(st.tuples(st.binary(max_size=90), st.integers(0, 10**8)), max_size=6))
def test_every_byte_is_shown_once_and_in_order(chunks: list[tuple[bytes, int]]) -> None:
    listener, at_ns, shown = Listener(), 0, []
    for data, later in chunks:
        at_ns += later
        shown += listener.feed(data, at_ns) if data else listener.idle(at_ns)
    shown += listener.end()
    assert b"".join(each.data for each in shown) == b"".join(data for data, _ in chunks)
