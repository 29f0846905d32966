"""What one bay costs a broker, a store and its own computer, measured on some at once. Run by hand:

    python -m tests.bench.many_bays_bench [bays] [seconds]

Every bay is a `tallydeck serve` of its own: seven instruments of the simulated foundry at life's speed, a run
open (`tests/app/fleet.py`). All share a mosquitto and an InfluxDB engine behind nginx, each behind a proxy
that counts bytes; a listener counts the messages. `deploy/MANY-BAYS.md` reckons with what is printed.
"""

from __future__ import annotations

import contextlib
import socket
import sys
import tempfile
import threading
import time
from collections import Counter
from contextlib import ExitStack
from pathlib import Path
from typing import NamedTuple

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion

from tests.app.fleet import Fleet, links, numbers_of
from tests.mosquitto import Mosquitto
from tests.program import Manageable
from tests.servers import TOKEN, Influx


class Meter(Manageable):
    """A proxy before a port that counts the bytes each way, and the connections."""

    def __init__(self, port: int) -> None:
        self._goal = port
        self.up = self.down = self.connections = 0
        self._server = socket.create_server(("127.0.0.1", 0))
        self.port = self._server.getsockname()[1]

    def start(self) -> None:
        threading.Thread(target=self._accept, daemon=True).start()

    def kill(self) -> None:
        with contextlib.suppress(OSError):
            self._server.shutdown(socket.SHUT_RDWR)
        self._server.close()

    def _accept(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                near, _ = self._server.accept()
                far = socket.create_connection(("127.0.0.1", self._goal))
                self.connections += 1
                threading.Thread(target=self._carry, args=(near, far, "up"), daemon=True).start()
                threading.Thread(target=self._carry, args=(far, near, "down"), daemon=True).start()

    def _carry(self, source: socket.socket, goal: socket.socket, way: str) -> None:
        with contextlib.suppress(OSError):
            while data := source.recv(65_536):
                setattr(self, way, getattr(self, way) + len(data))
                goal.sendall(data)
        for end in (source, goal):
            with contextlib.suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)


class Ear:
    """Counts all messages, by the kind of topic: those that are state, and events."""

    def __init__(self, port: int) -> None:
        self.messages: Counter[str] = Counter()
        self._client = Client(CallbackAPIVersion.VERSION2)
        self._client.on_connect = lambda *args: self._client.subscribe("tallydeck/#", 0)
        self._client.on_message = lambda client, data, message: self._count(message.topic)
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()

    def _count(self, topic: str) -> None:
        self.messages["event" if topic.split("/")[2] == "event" else "state"] += 1


class Seen(NamedTuple):
    """All that is counted, each with the moment it was looked at (s)."""

    state: tuple[int, float]
    events: tuple[int, float]
    published: tuple[int, float]
    sent: tuple[int, float]
    points: tuple[int, float]
    cpu: tuple[float, float]


def look(store: Influx, to_store: Meter, to_broker: Meter, ear: Ear, pids: list[int]) -> Seen:
    now_s = time.monotonic()
    counts = (ear.messages["state"], ear.messages["event"], to_broker.up, to_store.up)
    points = len(store.held())
    cpu_s, cpu_at_s = sum(numbers_of(pid)["cpu_s"] for pid in pids), time.monotonic()
    return Seen(*((count, now_s) for count in counts), (points, now_s), (cpu_s, cpu_at_s))


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 20
    seconds = float(sys.argv[2]) if len(sys.argv) > 2 else 60.0
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder)
        (home / "token").write_text(TOKEN)
        with ExitStack() as stack:
            store = stack.enter_context(Influx(home))
            to_store = stack.enter_context(Meter(store.port))
            broker = stack.enter_context(Mosquitto(home))
            to_broker = stack.enter_context(Meter(broker.port))
            text = links(
                store=f"http://127.0.0.1:{to_store.port}", token=str(home / "token"), broker=to_broker.port
            )
            fleet = stack.enter_context(Fleet(home, count, text))
            pids = [member.daemon.process.pid for member in fleet.members if member.daemon is not None]
            ear = Ear(broker.port)
            time.sleep(10.0)  # what was said at the start is through
            before = look(store, to_store, to_broker, ear, pids)
            time.sleep(seconds)
            after = look(store, to_store, to_broker, ear, pids)
            most_mb = max(numbers_of(pid)["peak_mb"] for pid in pids)
            answered = store.query("SHOW SERIES EXACT CARDINALITY")
            series = sum(row[0] for each in answered for row in each["values"])
    show(count, seconds, before, after)
    print(
        f"the largest daemon: {most_mb:.0f} MB; series in the store, a bay with one run: {series / count:.0f}"
    )


def show(count: int, seconds: float, before: Seen, after: Seen) -> None:
    def rate(new: tuple[float, float], old: tuple[float, float]) -> float:
        return (new[0] - old[0]) / (new[1] - old[1]) / count

    print(f"{count} bays, {seconds:.0f} s; a bay, each second:")
    print(f"  points to the store              {rate(after.points, before.points):9.1f}")
    print(f"  bytes to the store, HTTP, gzip   {rate(after.sent, before.sent):9.0f}")
    print(f"  messages of state to the broker  {rate(after.state, before.state):9.2f}")
    print(f"  events to the broker             {rate(after.events, before.events):9.3f}")
    print(f"  bytes to the broker              {rate(after.published, before.published):9.0f}")
    print(f"  the daemon's share of a core     {rate(after.cpu, before.cpu):9.3f}")


if __name__ == "__main__":
    main()
