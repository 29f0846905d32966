"""Modbus devices for the tests: pymodbus servers on TCP and on a pty pair, and a line that can be spoiled."""

from __future__ import annotations

import asyncio
import os
import select
import threading
import time
import tty
from collections.abc import Coroutine
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import Any

from pymodbus.constants import ExcCodes
from pymodbus.server import ModbusSerialServer, ModbusTcpServer
from pymodbus.server.base import ModbusBaseServer
from pymodbus.simulator import DataType, SimData, SimDevice

from logger.core.decode.registers import RegisterFormat
from logger.core.entries import Garbage, Reading
from logger.ports.frames import Question
from logger.ports.modbus import Asked

from .cable import Cable, Sink, await_true

LITRES = RegisterFormat("uint16", "ABCD", "L/min", 1, -2)
"""What a register of the devices here holds, where a test has nothing else in mind."""


def ask(name: str, device: int = 1, register: int = 0, **more: Any) -> Asked:
    """An instrument that reads one unsigned register of 0.01 L/min every 20 ms."""
    form = more.pop("format", LITRES)
    question = Question(device, more.pop("kind", "holding"), register, form.size)
    return Asked(name, question, form, more.pop("interval_s", 0.02), more.pop("timeout_s", 0.1))


def device(number: int, registers: dict[int, list[int]], *, dead: bool = False, fails: int = 0) -> SimDevice:
    """A device with these holding and input registers, from each key on; ``fails`` is an exception's code."""

    async def never(*_: object) -> ExcCodes | None:
        if fails:
            return ExcCodes(fails)
        if dead:
            await asyncio.sleep(3600)
        return None

    data = [SimData(at, values=held, datatype=DataType.REGISTERS) for at, held in registers.items()]
    return SimDevice(number, data, action=never)


class _Server:
    """A server in a thread of its own; `restart` it as often as a test likes."""

    def __init__(self, devices: list[SimDevice]) -> None:
        self._devices = devices
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever, daemon=True)
        self._server: ModbusBaseServer | None = None
        self.asked_s: list[tuple[float, int]] = []  # when, which device

    def _noted(self, sending: bool, pdu: Any) -> Any:
        if not sending:
            self.asked_s.append((time.monotonic(), pdu.dev_id))
        return pdu

    async def _made(self) -> ModbusBaseServer:
        raise NotImplementedError

    async def _begin(self) -> None:
        self._server = await self._made()
        await self._server.serve_forever(background=True)

    async def _end(self) -> None:
        assert self._server is not None
        await self._server.shutdown()
        here = asyncio.current_task()
        for task in asyncio.all_tasks() - {here}:  # a dead device's answer
            task.cancel()
        await asyncio.sleep(0)

    def _do(self, what: Coroutine[Any, Any, None]) -> None:
        asyncio.run_coroutine_threadsafe(what, self._loop).result(5.0)

    def hold(self, number: int, register: int, values: list[int]) -> None:
        """Set registers of a device."""
        assert self._server is not None
        self._do(self._server.async_setValues(number, 16, register, values))

    def stop(self) -> None:
        if self._server is not None:
            self._do(self._end())
            self._server = None

    def restart(self) -> None:
        self._do(self._begin())

    def __enter__(self) -> Any:
        self._thread.start()
        self.restart()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(5.0)
        self._loop.close()


class TcpDevices(_Server):
    """Devices behind one TCP address."""

    port = 0

    async def _made(self) -> ModbusBaseServer:
        import socket

        if not self.port:
            with socket.create_server(("127.0.0.1", 0)) as free:
                self.port = free.getsockname()[1]
        return ModbusTcpServer(self._devices, address=("127.0.0.1", self.port), trace_pdu=self._noted)

    @property
    def url(self) -> str:
        return f"socket://127.0.0.1:{self.port}"


class RtuDevices(_Server):
    """Devices on the far pty of a pair."""

    def __init__(self, devices: list[SimDevice]) -> None:
        super().__init__(devices)
        self.master, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self.master, False)

    async def _made(self) -> ModbusBaseServer:
        return ModbusSerialServer(
            self._devices, port=os.ttyname(self._slave), baudrate=9600, trace_pdu=self._noted
        )

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        super().__exit__(kind, error, trace)
        os.close(self.master)
        os.close(self._slave)


@dataclass
class Spoil:
    """What the line does to what goes over it."""

    dead: set[int] = field(default_factory=set)  # devices whose questions get lost
    noise: bytes = b""  # comes before each answer
    tail: bytes = b""  # comes after each answer
    echo: bool = False  # the master hears itself
    flip: int = 0  # so many answers have their last byte spoiled
    late_s: dict[int, float] = field(default_factory=dict)  # device -> how long its answers are held up


class Line:
    """A serial line between the bus under test, which opens ``cable.path``, and devices on a pty."""

    def __init__(self, path: Path, devices: RtuDevices) -> None:
        self.cable = Cable(path)
        self.spoil = Spoil()
        self.questions: list[bytes] = []
        self._devices = devices
        self._end = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._held: list[tuple[float, bytes]] = []

    def __enter__(self) -> Line:
        self.cable.plug()
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._end.set()
        self._thread.join(5.0)
        self.cable.unplug()

    def _run(self) -> None:
        asked = b""
        while not self._end.is_set():
            select.select([self._devices.master], [], [], 0.001)
            asked += self.cable.received()
            while len(asked) >= 8:  # every question of ours has 8 bytes
                self._question(asked[:8])
                asked = asked[8:]
            try:
                answer = os.read(self._devices.master, 4096)
            except OSError:
                answer = b""
            if answer:
                self._answer(answer)
            now_s = time.monotonic()
            for due in [each for each in self._held if each[0] <= now_s]:
                self._held.remove(due)
                self._send(due[1])

    def _question(self, frame: bytes) -> None:
        self.questions.append(frame)
        if self.spoil.echo:
            self._send(frame)
        if frame[0] not in self.spoil.dead:
            os.write(self._devices.master, frame)

    def _answer(self, answer: bytes) -> None:
        spoil = self.spoil
        if spoil.flip:
            spoil.flip -= 1
            answer = answer[:-1] + bytes([answer[-1] ^ 1])
        self._held.append(
            (time.monotonic() + spoil.late_s.get(answer[0], 0.0), spoil.noise + answer + spoil.tail)
        )

    def _send(self, data: bytes) -> None:
        try:
            self.cable.send(data)
        except (OSError, AssertionError, TypeError):  # unplugged meanwhile
            pass


class Bay:
    """Where the instruments of a bus put their items, told apart by name."""

    def __init__(self) -> None:
        self.sinks: dict[str, Sink] = {}
        self.items: list[Any] = []

    def put(self, item: Any) -> None:
        self.items.append(item)
        name = item.channel if isinstance(item, Reading | Garbage) else item.subject
        self[name].put(item)

    def __getitem__(self, name: str) -> Sink:
        return self.sinks.setdefault(name, Sink())

    def await_all(self, count: int, *names: str) -> None:
        """So many readings of each."""
        for name in names:
            await_true(lambda name=name: len(self[name].readings) >= count, f"{count} readings of {name}")
