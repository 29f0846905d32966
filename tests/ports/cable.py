"""A cable that can be plugged, unplugged and spoiled, with a person's hands on both ends.

The port under test sees a device path that stays the same, like a name under /dev/serial/by-id; behind
it stands a new pty at each plug, as a real adapter gets a new device.
"""

from __future__ import annotations

import os
import select
import threading
import time
import tty
from collections.abc import Callable, Sequence
from pathlib import Path
from types import TracebackType

from logger.core.decode.contract import Exchange
from logger.core.entries import Circumstance, Garbage, Reading
from logger.ports.serial import SerialPort

FRAME = b"\n 1G       1.234kg \r"
LISTEN = Exchange(timeout_s=0.2)
MakePort = Callable[..., SerialPort]
Item = Reading | Garbage | Circumstance


def await_true(condition: Callable[[], bool], what: str, timeout_s: float = 8.0) -> float:
    """Wait until it holds; give the seconds it took. AssertionError says what never came about."""
    begin_s = time.monotonic()
    while not condition():
        if time.monotonic() - begin_s > timeout_s:
            raise AssertionError(f"not within {timeout_s} s: {what}")
        time.sleep(0.002)
    return time.monotonic() - begin_s


def open_descriptors() -> int:
    return len(list(Path("/proc/self/fd").iterdir()))


class Sink:
    """Where a port puts its items."""

    def __init__(self) -> None:
        self.items: list[Item] = []

    def put(self, item: Item) -> None:
        self.items.append(item)

    @property
    def readings(self) -> list[Reading]:
        return [item for item in self.items if isinstance(item, Reading)]

    @property
    def garbage(self) -> list[Garbage]:
        return [item for item in self.items if isinstance(item, Garbage)]

    @property
    def links(self) -> list[str]:
        return [item.data["state"] for item in self.items if isinstance(item, Circumstance)]

    @property
    def last_why(self) -> str:
        return [item.data["why"] for item in self.items if isinstance(item, Circumstance)][-1]

    def await_link(self, *states: str) -> float:
        return await_true(lambda: self.links == list(states), f"links {states}, but {self.links}")

    def await_readings(self, count: int) -> float:
        return await_true(lambda: len(self.readings) >= count, f"{count} readings, but {self.items}")


class Cable:
    """The instrument's end of a serial line whose device path is `path`."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._master: int | None = None

    def __enter__(self) -> Cable:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.unplug()

    def plug(self) -> None:
        """A new device appears under the same name, in one step."""
        master, slave = os.openpty()
        tty.setraw(slave)
        new = self.path.with_suffix(".new")
        new.symlink_to(os.ttyname(slave))
        os.close(slave)
        os.set_blocking(master, False)
        old, self._master = self._master, master
        new.replace(self.path)
        if old is not None:
            os.close(old)

    def unplug(self) -> None:
        """The device hangs up and its name goes."""
        if self._master is None:
            return
        self.path.unlink()
        os.close(self._master)
        self._master = None

    def send(self, data: bytes) -> None:
        assert self._master is not None, "the cable is unplugged"
        while data:
            select.select([], [self._master], [], 5.0)
            data = data[os.write(self._master, data) :]

    def offer(self, data: bytes) -> None:
        """As much of it as is taken now; a moment's wait where that is nothing."""
        assert self._master is not None, "the cable is unplugged"
        if select.select([], [self._master], [], 0.02)[1]:
            os.write(self._master, data)

    def send_split(self, data: bytes, sizes: Sequence[int]) -> None:
        """In pieces of these sizes; what is left follows as the last piece."""
        for size in sizes:
            self.send(data[:size])
            data = data[size:]
        self.send(data)

    def received(self) -> bytes:
        """What the port has sent and nobody has taken yet."""
        if self._master is None:
            return b""
        try:
            return os.read(self._master, 4096)
        except OSError:  # nothing there, or the port has not opened its end
            return b""

    def await_request(self, request: bytes, timeout_s: float = 8.0) -> float:
        """Wait for these bytes from the port; give the seconds it took."""
        got = bytearray()

        def arrived() -> bool:
            got.extend(self.received())
            return request in got

        return await_true(arrived, f"{request!r} from the port", timeout_s)


def spoil(data: bytes, at: int) -> bytes:
    """The byte at this place with its top bit set, as a parity fault leaves it."""
    return data[:at] + bytes([data[at] | 0x80]) + data[at + 1 :]


def drop(data: bytes, at: int) -> bytes:
    """Without the byte at this place."""
    return data[:at] + data[at + 1 :]


class Answerer:
    """An instrument that answers each request it hears, until it is told to end."""

    def __init__(self, cable: Cable, request: bytes, answer: Callable[[int], bytes]) -> None:
        self._cable = cable
        self._request = request
        self._answer = answer
        self.asked_s: list[float] = []
        self._end = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)

    def __enter__(self) -> Answerer:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._end.set()
        self._thread.join(5.0)

    def _run(self) -> None:
        heard = b""
        while not self._end.wait(0.001):
            heard += self._cable.received()
            while self._request in heard:
                heard = heard.partition(self._request)[2]
                self.asked_s.append(time.monotonic())
                self._cable.send(self._answer(len(self.asked_s)))
