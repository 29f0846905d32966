"""Station time from hand-wound clocks: it never runs backwards, whatever the wall clock does."""

from __future__ import annotations

import ctypes
import struct
import time
from pathlib import Path
from typing import Any

import pytest

from logger import clock as clocks
from logger.clock import Clock, read_boot_id, set_from_outside, stopwatch_ns
from logger.core.entries import Circumstance, Tick
from logger.core.walltime import WallTime
from logger.journal.journal import Journal, boot_offset, last_moment

S = 10**9
YEAR_2026 = 1_772_000_000 * S


class Hands:
    """A boot-monotonic clock and a wall clock, moved by hand."""

    def __init__(self, boottime_ns: int, wall_ns: int) -> None:
        self.boottime_ns, self.wall_ns = boottime_ns, wall_ns

    def pass_time(self, ns: int) -> None:
        self.boottime_ns += ns
        self.wall_ns += ns

    def clock(self, speed: float = 1.0, boot_id: str = "boot", **told: Any) -> Clock:
        return Clock(
            speed, boottime_ns=lambda: self.boottime_ns, wall_ns=lambda: self.wall_ns, boot_id=boot_id, **told
        )


def test_station_time_begins_as_the_wall_clock_and_ignores_its_steps() -> None:
    """A step of the wall clock is told by `step_ns` and moves nothing else."""
    hands = Hands(40 * S, YEAR_2026)
    clock = hands.clock()
    assert clock.now_ns() == clock.wall_ns() == YEAR_2026
    assert clock.offset_ns == YEAR_2026 - 40 * S
    hands.pass_time(5 * S)
    hands.wall_ns += 3600 * S
    assert clock.now_ns() == YEAR_2026 + 5 * S
    assert clock.wall_ns() == YEAR_2026 + 3605 * S
    assert clock.step_ns() == 3600 * S
    hands.wall_ns -= 7200 * S
    assert clock.now_ns() == YEAR_2026 + 5 * S
    assert clock.step_ns() == -3600 * S


def test_not_before_raises_and_never_lowers() -> None:
    """After an entry of the future, station time goes on one nanosecond later."""
    clock = Hands(0, YEAR_2026).clock()
    clock.not_before(YEAR_2026 - 1)
    assert clock.now_ns() == YEAR_2026
    clock.not_before(YEAR_2026)
    assert clock.now_ns() == YEAR_2026 + 1
    clock.not_before(YEAR_2026 + 60 * S)
    assert clock.now_ns() == YEAR_2026 + 60 * S + 1
    assert clock.step_ns() == -60 * S - 1


def test_the_offset_of_the_same_boot_is_kept() -> None:
    """A restart of the program after the wall clock was set goes on in the same station time."""
    hands = Hands(10 * S, 0)
    first = hands.clock()
    hands.pass_time(30 * S)
    hands.wall_ns = YEAR_2026
    second = hands.clock()
    second.keep_offset(first.offset_ns)
    assert second.now_ns() == first.now_ns() == 30 * S
    assert second.step_ns() == YEAR_2026 - 30 * S
    second.keep_offset(None)
    assert second.now_ns() == 30 * S


@pytest.mark.parametrize("speed", [60, 0.5])
def test_at_another_speed_time_scales_from_the_making_of_the_clock_on(speed: float) -> None:
    """The demo: the wall clock follows, there are no steps, and the boot is its own."""
    hands = Hands(1000 * S, YEAR_2026)
    clock = hands.clock(speed)
    assert clock.now_ns() == YEAR_2026
    hands.pass_time(10 * S)
    hands.wall_ns += 99 * S
    assert clock.now_ns() == clock.wall_ns() == YEAR_2026 + int(10 * S * speed)
    assert clock.step_ns() == 0
    assert clock.boot_id not in ("boot", hands.clock(speed).boot_id)


@pytest.mark.parametrize("speed", [0, -1, float("nan")])
def test_a_speed_that_is_not_positive_is_refused(speed: float) -> None:
    with pytest.raises(ValueError, match="must be above 0"):
        Clock(speed)


def test_the_real_clocks_agree_with_the_system() -> None:
    """CLOCK_BOOTTIME, the wall clock, and a stopwatch that moves on."""
    began = stopwatch_ns()
    clock = Clock()
    assert abs(clock.now_ns() - time.time_ns()) < S
    assert abs(clock.mono_ns() - time.clock_gettime_ns(time.CLOCK_BOOTTIME)) < S
    assert abs(clock.step_ns()) < S
    readings = [clock.now_ns() for _ in range(1000)]
    assert readings == sorted(readings)
    assert stopwatch_ns() > began


def test_the_boot_id_is_the_kernels_or_one_of_this_start(tmp_path: Path) -> None:
    """Where there is none to be read, each start counts as a boot."""
    file = tmp_path / "boot_id"
    file.write_text("0b1c-77\n")
    assert read_boot_id(file) == "0b1c-77"
    file.write_bytes(b"\xff\xfe")
    assert read_boot_id(file).startswith("start-")
    missing = tmp_path / "none"
    assert read_boot_id(missing) != read_boot_id(missing)


def _run(path: Path, hands: Hands, boot_id: str) -> tuple[list[int], Circumstance, Circumstance]:
    """One start of the program, as the application does it, of 3 s: the times entered, two facts."""
    clock = hands.clock(boot_id=boot_id)
    clock.keep_offset(boot_offset(path, clock.boot_id))
    clock.not_before(last_moment(path))
    journal = Journal.open(path, boot_id=clock.boot_id, offset_ns=clock.offset_ns, ballast_bytes=0)
    boot = Circumstance(clock.now_ns(), "boot", "", {"boot": boot_id, "offset_ns": clock.offset_ns})
    moments = []
    for _ in range(3):
        hands.pass_time(S)
        moments.append(clock.now_ns())
        journal.append([Tick(moments[-1], journal.last_seq + 1)])
    anchor = Circumstance(clock.now_ns(), "clock", "", {"boot": boot_id, "step_ns": clock.step_ns()})
    journal.close()
    return moments, boot, anchor


def test_a_wall_clock_that_is_behind_after_a_reboot_never_reorders_entries(tmp_path: Path) -> None:
    """Three boots, the second in 1970, the third an hour early: times rise, and each is resolved."""
    path = tmp_path / "journal.db"
    walltime = WallTime()
    entered, true_times = [], []
    for boot_id, wall_ns in (("a", YEAR_2026), ("b", 0), ("c", YEAR_2026 - 3600 * S), ("c", YEAR_2026)):
        hands = Hands(20 * S if wall_ns != YEAR_2026 else 60 * S, wall_ns)
        moments, boot, anchor = _run(path, hands, boot_id)
        walltime.apply(boot)
        walltime.apply(anchor)
        entered += moments
        true_times += [wall_ns + second * S for second in (1, 2, 3)]
        assert [walltime.resolve(at_ns, boot_id) for at_ns in moments] == true_times[-3:]
    assert entered == sorted(set(entered))


@pytest.mark.parametrize(
    ("outside", "battery", "behind", "up_s", "believed"),
    [
        (True, False, False, 5, True),
        (False, True, False, 5, True),
        (False, True, True, 5, False),  # its battery is empty: the last entry lies in the future
        (True, True, True, 5, True),
        (False, False, False, 599, False),
        (False, False, False, 600, True),  # nobody will ever set it
    ],
)
def test_when_the_wall_clock_is_believed(
    monkeypatch: pytest.MonkeyPatch, outside: bool, battery: bool, behind: bool, up_s: int, believed: bool
) -> None:
    monkeypatch.setattr(clocks, "set_from_outside", lambda: outside)
    monkeypatch.setattr(clocks, "kept_without_power", lambda: battery)
    clock = Hands(up_s * S, YEAR_2026).clock(trust_after_s=600.0)
    clock.not_before(YEAR_2026 + (60 * S if behind else -S))
    assert clock.trusted() is believed


def test_a_demo_believes_its_own_time() -> None:
    assert Hands(0, YEAR_2026).clock(speed=5.0).trusted()


def test_the_kernel_says_whether_its_clock_is_steered() -> None:
    """Its answer agrees with the status it fills in (linux/timex.h: STA_UNSYNC 0x40, STA_CLOCKERR 0x1000)."""
    room = ctypes.create_string_buffer(512)
    assert ctypes.CDLL(None).adjtimex(room) >= 0
    (status,) = struct.unpack_from("@i", room.raw, struct.calcsize("@Illll"))
    assert set_from_outside() is not bool(status & (0x40 | 0x1000))


def test_a_clock_is_kept_without_power_where_linux_lists_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(clocks, "CLOCKS", tmp_path / "rtc")
    assert not clocks.kept_without_power()
    (tmp_path / "rtc" / "rtc0").mkdir(parents=True)
    assert clocks.kept_without_power()
