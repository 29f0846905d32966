"""How soon an alarm is at who listens at the broker. By hand; no test.

    python -m tests.bench.alarm_latency_bench [--alarms 300] [--speed 1]

A whole daemon on the simulated bay (seven instruments on real wires, a run open) and a real mosquitto on this
computer. From handing in the entry that raises the alarm to the message at another client: the alarm's own
topic, the beacon, and the event, which waits for the journal. The floor is a bare message of the same client
to the same listener, in the same run.
"""

from __future__ import annotations

import argparse
import json
import random
import statistics
import tempfile
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion

from logger.app import Daemon
from logger.commands.demo import demo_daemon
from logger.core.entries import Circumstance
from logger.settings import MqttSettings
from tests.app.bays import running_bay, until
from tests.mosquitto import Mosquitto

ROOT = "bench"
GOAL_S = 0.250
WAYS = ("alarm", "beacon", "event", "floor")


class Listener:
    """Stamps what comes, by the way it came and the word in it."""

    def __init__(self, port: int) -> None:
        self.came: dict[tuple[str, str], float] = {}
        self.beacon = ""
        self._client = Client(CallbackAPIVersion.VERSION2)
        self._client.on_message = self._hear
        ready = threading.Event()
        self._client.on_connect = lambda *args: self._client.subscribe(f"{ROOT}/#", 1)
        self._client.on_subscribe = lambda *args: ready.set()
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        if not ready.wait(5.0):
            raise TimeoutError("the listener is not heard at the broker")

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def _hear(self, client: Client, userdata: Any, message: MQTTMessage) -> None:
        at_s, topic = time.monotonic(), message.topic.removeprefix(f"{ROOT}/")
        if topic == "alarm/store-behind/store":
            self._stamp("alarm", json.loads(message.payload)["what"], at_s)
        elif topic == "event/alarm":
            self._stamp("event", json.loads(message.payload)["data"]["what"], at_s)
        elif topic == "floor":
            self._stamp("floor", message.payload.decode(), at_s)
        elif topic == "beacon":
            self.beacon = message.payload.decode()
            self._stamp("beacon", f"{self.beacon} {len(self.came)}", at_s)

    def _stamp(self, way: str, word: str, at_s: float) -> None:
        self.came.setdefault((way, word), at_s)

    def await_it(self, way: str, word: str) -> float:
        return float(until(lambda: self.came.get((way, word)), 20.0, f"{word} by {way}"))


def measure(daemon: Daemon, ear: Listener, alarms: int) -> dict[str, list[float]]:
    """Seconds by each way. Each alarm is acknowledged and over before the next one."""
    took: dict[str, list[float]] = {way: [] for way in WAYS}
    chance = random.Random(1)
    speak: Callable[..., bool] = daemon.followers[0]._broker.publish  # type: ignore[attr-defined]
    for number in range(alarms):
        word = f"Trouble {number}"
        time.sleep(chance.uniform(0.02, 0.3))  # anywhere between two commits
        until(lambda: ear.beacon == "off", 20.0, "a quiet beacon")
        told = {"state": "behind", "message": word, "do": "Nothing."}
        begin_s = time.monotonic()
        daemon.loop.put(Circumstance(daemon.clock.now_ns(), "follower", "store", told))
        for way in ("alarm", "event"):
            took[way].append(ear.await_it(way, word) - begin_s)
        until(lambda: ear.beacon == "flashing", 20.0, "a flash")
        lit = [at_s for (way, _), at_s in ear.came.items() if way == "beacon" and at_s >= begin_s]
        took["beacon"].append(min(lit) - begin_s)
        begin_s = time.monotonic()
        speak(f"{ROOT}/floor", f"floor {number}")
        took["floor"].append(ear.await_it("floor", f"floor {number}") - begin_s)
        daemon.loop.put(Circumstance(daemon.clock.now_ns(), "follower", "store", {"state": "well"}))
        daemon.loop.submit({"action": "acknowledge", "alarm": "store-behind/store"}, "bench")
    return took


def shown(seconds: list[float]) -> str:
    ms = sorted(1000 * each for each in seconds)
    p99 = ms[min(len(ms) - 1, int(0.99 * len(ms)))]
    return f"p50 {statistics.median(ms):7.2f} ms   p99 {p99:7.2f} ms   longest {ms[-1]:7.2f} ms"


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    options.add_argument("--alarms", type=int, default=300)
    options.add_argument("--speed", type=float, default=1.0, help="of the simulated bay; 1 is life")
    told = options.parse_args()
    home = Path(tempfile.mkdtemp(prefix="tallydeck-bench-"))
    with Mosquitto(home) as broker, running_bay(home, speed=told.speed) as bay:
        daemon = demo_daemon(bay, home / "journal", 0, bay.speed, lambda found: None)
        settings = MqttSettings("127.0.0.1", broker.port, topic=ROOT)
        daemon.configuration = replace(daemon.configuration, mqtt=settings)
        daemon.start()
        ear = Listener(broker.port)
        try:
            daemon.loop.submit({"action": "start-run"}, "bench")
            until(lambda: daemon.followers[0].standing().state == "live", 20.0, "the connection")
            took = measure(daemon, ear, told.alarms)
        finally:
            ear.close()
            daemon.stop()
    for way in WAYS:
        print(f"{way:<7} {shown(took[way])}")
    late = sum(each > GOAL_S for each in took["alarm"])
    print(f"{told.alarms} alarms, {late} of them later than {1000 * GOAL_S:.0f} ms on their own topic")


if __name__ == "__main__":
    main()
