"""Modbus frames of one master: a question out, the bytes of its answer in. No wire here.

Sources: MODBUS Application Protocol Specification V1.1b3 (questions, answers, exceptions), MODBUS over Serial
Line V1.02 (RTU), MODBUS Messaging on TCP/IP V1.0b (TCP). pymodbus builds the questions and reckons the CRC.
Answers are cut out here: a master knows device, function and length (on TCP the transaction too) of the only
answer it waits for, so it finds it behind noise and among other devices' frames, where a framer that takes
any frame would have to drop all.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass

from pymodbus.framer import FramerRTU, FramerSocket
from pymodbus.pdu import DecodePDU
from pymodbus.pdu.register_message import ReadHoldingRegistersRequest, ReadInputRegistersRequest

FRAMINGS = ("rtu", "tcp")
MAX_PENDING = (
    512  # more than the longest frame of either kind (256 and 260), so a babbling wire can't grow it
)
_REQUESTS = {"holding": ReadHoldingRegistersRequest, "input": ReadInputRegistersRequest}


@dataclass(frozen=True, slots=True)
class Question:
    """Read ``size`` bytes of registers from ``register`` (from 0) on, ``kind`` holding or input."""

    device: int
    kind: str
    register: int
    size: int


@dataclass(frozen=True, slots=True)
class Answer:
    """What a device said: the registers' bytes, or the code of a Modbus exception. ``raw``: the frame."""

    data: bytes
    exception: int
    raw: bytes


class Frames:
    """One exchange after the other: `ask`, then `hear` until it gives an answer, or `forget`."""

    def __init__(self, framing: str) -> None:
        if framing not in FRAMINGS:
            raise ValueError(f'framing "{framing}" is not known; use one of {", ".join(FRAMINGS)}')
        self._tcp = framing == "tcp"
        self._framer = (FramerSocket if self._tcp else FramerRTU)(DecodePDU(False))
        self._number = 0
        self._expected: tuple[tuple[bytes, int], ...] = ()  # how an answer begins, and its length
        self._sent = self._buffer = b""

    def ask(self, question: Question) -> bytes:
        """The frame to send; an earlier question is forgotten. ValueError where it can't be asked."""
        device, size = question.device, question.size
        self._number = self._number % 65000 + 1
        request = _REQUESTS[question.kind](
            dev_id=device, transaction_id=self._number, address=question.register, count=size // 2
        )
        function = request.function_code
        if self._tcp:
            said = struct.pack(">HHHBBB", self._number, 0, 3 + size, device, function, size)
            refused = struct.pack(">HHHBB", self._number, 0, 3, device, function | 0x80)
            self._expected = (said, len(said) + size), (refused, 9)
        else:
            said, refused = bytes((device, function, size)), bytes((device, function | 0x80))
            self._expected = (said, 3 + size + 2), (refused, 5)
        self._buffer = b""
        self._sent = self._framer.buildFrame(request)
        return self._sent

    def hear(self, data: bytes) -> Answer | None:
        """Take bytes as they came; the answer, once it is complete. What stood around it is `forget`'s."""
        self._buffer += data
        # An RS485 adapter may echo the question. No answer begins with all of it, so that is no loss.
        if not self._tcp and self._buffer.startswith(self._sent):
            self._buffer = self._buffer[len(self._sent) :]
        for prefix, size in self._expected:
            at = self._buffer.find(prefix)
            while at >= 0:
                frame = self._buffer[at : at + size]
                if len(frame) == size and self._sound(frame):
                    self._buffer = self._buffer[:at] + self._buffer[at + size :]
                    self._expected = ()
                    return self._answer(frame, prefix)
                at = self._buffer.find(prefix, at + 1)
        return None

    def shed(self) -> bytes:
        """Give what is too old to be part of an answer that is still coming."""
        cut = len(self._buffer) - MAX_PENDING
        if cut <= 0:
            return b""
        shed, self._buffer = self._buffer[:cut], self._buffer[cut:]
        return shed

    def forget(self) -> bytes:
        """Give what is pending, and wait for no answer any more."""
        left, self._buffer, self._expected, self._sent = self._buffer, b"", (), b""
        return left

    def _sound(self, frame: bytes) -> bool:
        return self._tcp or FramerRTU.check_CRC(frame[:-2], int.from_bytes(frame[-2:], "big"))

    def _answer(self, frame: bytes, prefix: bytes) -> Answer:
        body = frame[len(prefix) : None if self._tcp else -2]
        refused = prefix[-1] & 0x80 and len(body) == 1
        return Answer(b"", body[0], frame) if refused else Answer(body, 0, frame)
