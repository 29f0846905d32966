"""Whose turn it is on a Modbus bus. Pure: times come in as numbers, monotonic seconds.

One question is on the wire at a time. A device that does not answer is left alone for 0.25 s, 0.5 s and so
on up to 8 s, so the others lose one of its time-outs each time and no more; one that refuses a register
keeps answering for its others. An RTU answer does not say which question it belongs to: after a time-out a
device with several registers must first have answered one question and then kept still for a time-out,
before what it says is believed.
"""

from __future__ import annotations

from collections.abc import Callable, Container, Iterable
from dataclasses import dataclass, field
from enum import Enum

from logger.ports.schedule import Backoff

MISSED = 3  # so many questions without an answer, one after the other, and a device is called dead


class Trust(Enum):
    """Whether an answer of a device is to the question just asked."""

    SURE = "sure"
    LATE = "late"  # it missed one, so its next answer may be to that one
    STILL = "still"  # it has answered since, and is to keep still for a time-out


@dataclass(slots=True, eq=False)
class Turn:
    """One instrument's place in the round."""

    name: str
    interval_s: float
    timeout_s: float
    device: Device
    backoff: Backoff
    due_s: float = 0.0
    refused: int = 0  # exceptions, one after the other


@dataclass(slots=True, eq=False)
class Device:
    """One device number on the bus, with all its instruments."""

    number: int
    backoff: Backoff
    turns: list[Turn] = field(default_factory=list)
    missed: int = 0  # questions without an answer, one after the other
    trust: Trust = Trust.SURE

    @property
    def dead(self) -> bool:
        return self.missed >= MISSED


class Turns:
    """The round. ``tells_apart``: answers name their question (TCP), so a late one does no harm.

    ``asked``: (name, device, interval_s, timeout_s) of each instrument; ``backoff`` makes one.
    """

    def __init__(
        self,
        asked: Iterable[tuple[str, int, float, float]],
        tells_apart: bool,
        backoff: Callable[[], Backoff],
    ) -> None:
        self._tells_apart = tells_apart
        devices: dict[int, Device] = {}
        self.all: list[Turn] = []
        for name, number, interval_s, timeout_s in asked:
            device = devices.setdefault(number, Device(number, backoff()))
            turn = Turn(name, interval_s, timeout_s, device, backoff())
            device.turns.append(turn)
            self.all.append(turn)
        self.devices = list(devices.values())

    def next(self, among: Container[str]) -> Turn | None:
        """The one of these that has waited longest, or has the shortest wait before it."""
        turns = [turn for turn in self.all if turn.name in among]
        return min(turns, key=lambda turn: turn.due_s, default=None)

    def begin(self, now_s: float) -> None:
        """The wire was opened: everyone may be asked, and nothing is held against anybody."""
        for device in self.devices:
            device.missed, device.trust = 0, Trust.SURE
            device.backoff.mended()
        for turn in self.all:
            turn.due_s, turn.refused = now_s, 0
            turn.backoff.mended()

    def sent(self, turn: Turn, now_s: float) -> None:
        """Its question went out. Intervals are kept, but what was missed is not made up for."""
        turn.due_s = max(turn.due_s + turn.interval_s, now_s)

    def answered(self, turn: Turn, now_s: float) -> bool:
        """An answer with a number came; whether it may be believed."""
        if not self._alive(turn, now_s):
            return False
        turn.refused = 0
        turn.backoff.mended()
        return True

    def was_refused(self, turn: Turn, now_s: float) -> bool:
        """The device answered that it won't: it lives, and this register is left alone for a while.

        False where the refusal may be to an earlier question.
        """
        if not self._alive(turn, now_s):
            return False
        turn.refused += 1
        turn.due_s = max(turn.due_s, now_s + turn.backoff.wait_s())
        return True

    def was_missed(self, turn: Turn, now_s: float) -> None:
        """No answer in time: all of the device is left alone for a while."""
        device = turn.device
        device.missed += 1
        if not self._tells_apart and len(device.turns) > 1:
            device.trust = Trust.LATE
        self._hold(device, now_s + max(turn.timeout_s, device.backoff.wait_s()))

    def stray(self, now_s: float) -> None:
        """Bytes came that nobody asked for: whoever has just come back may be answering late."""
        for device in self.devices:
            if device.trust is Trust.STILL:
                device.trust = Trust.LATE
                self._hold(device, now_s + max(turn.timeout_s for turn in device.turns))

    def _alive(self, turn: Turn, now_s: float) -> bool:
        device = turn.device
        device.missed = 0
        device.backoff.mended()
        if device.trust is Trust.LATE:
            device.trust = Trust.STILL
            self._hold(device, now_s + max(each.timeout_s for each in device.turns))
            return False
        device.trust = Trust.SURE
        return True

    def _hold(self, device: Device, until_s: float) -> None:
        for turn in device.turns:
            turn.due_s = max(turn.due_s, until_s)
