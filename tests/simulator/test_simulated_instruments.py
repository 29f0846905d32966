"""Simulated instruments speak their dialects. SMA frames: SCP-0499 field layout (seen in a transcription)."""

from __future__ import annotations

from random import Random

import pytest

from logger.simulator.instruments import Described, Meter, Sma, sma_weight
from logger.simulator.scale import ScaleModel, Shown
from logger.simulator.scenario import Scale
from logger.simulator.wires import Spoiler


class Bench:
    """A scale with a load that the test sets."""

    def __init__(self) -> None:
        self.load_kg = 1.234
        self.now_s = 0.0
        self.keys = ScaleModel(
            Scale(resolution_kg=0.001, noise_kg=0.0, vibration_kg=0.0, filter_s=0.0), Random(1)
        )
        self.sma = Sma(self.show, self.keys, 0.1)
        for _ in range(10):
            self.show()

    def show(self) -> Shown:
        self.now_s += 0.1
        return self.keys.read(self.now_s, self.load_kg)

    def ask(self, command: bytes) -> list[bytes]:
        return self.sma.hear(b"\n" + command + b"\r", self.now_s)


@pytest.mark.parametrize(
    ("shown", "frame"),
    [
        (Shown("5.025", "lb", True), b"\n 1G       5.025lb \r"),  # the document's own example
        (Shown("0.000", "lb", True, "zero"), b"\nZ1G       0.000lb \r"),  # the document's own example
        (Shown("-1.50", "kg", False, "ok", True), b"\n 1NM      -1.50kg \r"),
        (Shown("30.10", "kg", None, "over"), b"\nO1G       30.10kg \r"),
    ],
)
def test_a_weight_is_laid_out_as_the_standard_says(shown: Shown, frame: bytes) -> None:
    assert sma_weight(shown) == frame
    assert len(frame) == 20


def test_w_gives_the_weight_now() -> None:
    assert Bench().ask(b"W") == [b"\n 1G       1.234kg \r"]


def test_p_waits_until_the_weight_is_stable() -> None:
    bench = Bench()
    bench.load_kg = 2.0
    assert bench.ask(b"P") == []
    answers = [frame for _ in range(20) for frame in bench.sma.say(bench.now_s)]
    assert answers == [b"\n 1G       2.000kg \r"]


def test_r_repeats_until_the_next_command() -> None:
    bench = Bench()
    assert len(bench.ask(b"R")) == 1
    start_s = bench.now_s
    assert sum(len(bench.sma.say(start_s + k * 0.05)) for k in range(1, 41)) == pytest.approx(20, abs=1)
    assert len(bench.ask(b"W")) == 1
    assert [bench.sma.say(100.0 + k) for k in range(5)] == [[]] * 5


def test_z_zeroes_t_tares_c_brings_gross_back_and_u_changes_the_unit() -> None:
    bench = Bench()
    assert bench.ask(b"T") == [b"\n 1N       0.000kg \r"]
    assert bench.ask(b"C") == [b"\n 1G       1.234kg \r"]
    assert bench.ask(b"Z") == [b"\nZ1G       0.000kg \r"]
    assert bench.ask(b"U")[0].endswith(b"lb \r")


@pytest.mark.parametrize("command", [b"X", b"", b"WW", b"\xff"])
def test_an_unknown_command_is_answered_with_a_question_mark(command: bytes) -> None:
    assert Bench().ask(command) == [b"\n?\r"]


def test_about_lines_end() -> None:
    bench = Bench()
    assert bench.ask(b"A") == [b"\nSMA:2/1.1\r"]
    assert [bench.ask(b"B") for _ in range(8)][-1] == [b"\nEND:\r"]


def test_commands_may_come_byte_by_byte_and_several_at_once() -> None:
    bench = Bench()
    answers = [frame for byte in b"\nW\r" for frame in bench.sma.hear(bytes([byte]), 0.0)]
    assert answers == [b"\n 1G       1.234kg \r"]
    assert len(bench.sma.hear(b"\nW\r\nW\r", 0.0)) == 2


def test_an_endless_command_is_a_line_error_and_is_forgotten() -> None:
    bench = Bench()
    assert bench.sma.hear(b"x" * 100, 0.0) == [b"\n!\r"]
    assert bench.ask(b"W") == [b"\n 1G       1.234kg \r"]


@pytest.mark.parametrize(
    ("shown", "line"),
    [
        (Shown("1.234", "kg", True), b"ST,GS,+   1.234 kg\r\n"),
        (Shown("-0.50", "kg", False, "ok", True), b"US,NT,-    0.50 kg\r\n"),
        (Shown("99.9", "kg", None, "over"), b"OL,GS, -------- kg\r\n"),
    ],
)
def test_a_described_line_has_fixed_columns(shown: Shown, line: bytes) -> None:
    assert Described(lambda: shown).say(0.0) == [line]
    assert len(line) == 20


def test_a_streamer_keeps_its_rate_and_ignores_questions() -> None:
    meter = Meter(lambda: Shown("14.10", "L/min", None), 0.5)
    assert meter.hear(b"\nW\r", 0.0) == []
    said = [frame for k in range(1000) for frame in meter.say(k * 0.01)]
    assert said == [b"FLOW   14.10 L/min\r\n"] * 20


def test_a_line_loses_and_spoils_the_stated_fractions() -> None:
    frame = b"\n 1G       1.234kg \r"
    line = Spoiler(Random(1), split=0.0)
    came = [line.through([frame], 0.1, 0.3) for _ in range(2000)]
    assert sum(one == b"" for one in came) == pytest.approx(200 + 1800 * 0.3 / 80, rel=0.25)
    assert sum(one == frame for one in came) == pytest.approx(2000 * 0.9 * 0.7, rel=0.05)


def test_split_frames_come_whole_in_the_end() -> None:
    frames = [f"{k:04d}\r\n".encode() for k in range(500)]
    line = Spoiler(Random(1), split=0.5)
    came = [line.through([frame], 0.0, 0.0) for frame in frames]
    assert b"".join([*came, line.through([], 0.0, 0.0)]) == b"".join(frames)
    assert came != frames
