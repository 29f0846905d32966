"""A person who reads what `tallydeck prove` says and does it, at instruments on real wires."""

from __future__ import annotations

import contextlib
import io
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from random import Random

from logger.clock import Clock
from logger.commands.keyboard import Stroke
from logger.simulator.instruments import Meter, Sma
from logger.simulator.scale import ScaleModel, Shown
from logger.simulator.scenario import Scale
from logger.simulator.wires import PtyWire

CONFIGURATION = """
[bay]
name = "Foundry bay"
[instruments.concentrate]
port = "{home}/scale"
mode = "repeat"
resolution = "5 g"
capacity = "30 kg"
zero_tracking = "off"
unit = "kg"
[instruments.wash-water]
port = "{home}/meter"
dialect = "line"
quantity = "flow"
resolution = "0.1 L/min"
unit = "L/min"
[instruments.wash-water.line]
layout = "FLOW{{number:8}} {{unit}}"
[stations.table]
outlets = ["concentrate"]
[stations.table.container]
kind = "drains"
[stations.table.water.wash]
meter = "wash-water"
band = "12 L/min to 18 L/min"
[journal]
directory = "{home}/journal"
"""


def configuration(home: Path, *changes: tuple[str, str]) -> Path:
    text = CONFIGURATION.format(home=home)
    for before, after in changes:
        assert before in text
        text = text.replace(before, after)
    path = home / "bay.toml"
    path.write_text(text)
    return path


@dataclass
class Post:
    """A scale and a meter at their wires, with what lies and flows there.

    Either it lives by itself, in life's time (`alive`), or its time goes on by `step` alone, so that a
    machine that is slow makes a test slower and not different.
    """

    home: Path
    tracking: bool = False
    load_kg: float = 0.0
    draining_kg: float = 0.0
    flow_l_min: float = 0.0
    plans: list[tuple[float, Callable[[], None]]] = field(default_factory=list)

    def __post_init__(self) -> None:
        scale = Scale(noise_kg=0.001, vibration_kg=0.0, zero_tracking=self.tracking)
        self.model = ScaleModel(scale, Random(5))
        self.now_s = 0.0
        self.scale, self.meter = PtyWire(self.home / "scale"), PtyWire(self.home / "meter")
        self.posts: list[tuple[PtyWire, Sma | Meter]] = [
            (self.scale, Sma(self._show, self.model, 0.2)),
            (self.meter, Meter(lambda: Shown(f"{self.flow_l_min:.2f}", "L/min", None), 0.4)),
        ]
        self._lock = threading.RLock()
        self._stop = threading.Event()

    def clock(self) -> Clock:
        """Station time that goes on by `step`."""
        return Clock(boottime_ns=lambda: 10**12 + round(self.now_s * 1e9))

    def later(self, after_s: float, do: Callable[[], None]) -> None:
        with self._lock:
            self.plans.append((self.now_s + after_s, do))

    def add(self, after_s: float, kg: float, over_s: float = 0.0, steps: int = 1) -> None:
        """Put ``kg`` on; a negative mass takes it off."""

        def put() -> None:
            self.load_kg += kg / steps

        for k in range(steps):
            self.later(after_s + over_s * k / steps, put)

    def clear(self) -> None:
        self.load_kg = self.draining_kg = 0.0

    def unplug(self) -> None:
        with self._lock:
            self.scale.unplug()

    def _show(self) -> Shown:
        return self.model.read(self.now_s, self.load_kg + self.draining_kg)

    def _run(self) -> None:
        began = time.monotonic()
        while not self._stop.wait(0.004):
            self.step(time.monotonic() - began - self.now_s)

    def step(self, by_s: float) -> None:
        """Let some time pass: do what is planned, let water drain, hear and say what is due."""
        with self._lock:
            self.now_s += by_s
            due = [plan for plan in self.plans if plan[0] <= self.now_s]
            self.plans = [plan for plan in self.plans if plan[0] > self.now_s]
            for plan in sorted(due, key=lambda plan: plan[0]):
                plan[1]()
            self.draining_kg *= 0.5 ** (by_s / 5.0)
            for wire, instrument in self.posts:
                for frame in [*instrument.hear(wire.receive(), self.now_s), *instrument.say(self.now_s)]:
                    wire.send(frame)

    @contextlib.contextmanager
    def plugged(self) -> Iterator[Post]:
        """At its wires; time stands still but for `step`."""
        self.scale.plug()
        self.meter.plug()
        try:
            yield self
        finally:
            self.scale.unplug()
            self.meter.unplug()

    @contextlib.contextmanager
    def alive(self) -> Iterator[Post]:
        """At its wires, in life's time."""
        thread = threading.Thread(target=self._run, daemon=True)
        with self.plugged():
            thread.start()
            try:
                yield self
            finally:
                self._stop.set()
                thread.join()


Deeds = list[tuple[str, Callable[["Person"], None]]]


class Person:
    """Reads the console; at each phrase it knows it does its deed. Time goes on as it is polled (`Keys`)."""

    def __init__(self, text: io.StringIO, post: Post, deeds: Deeds) -> None:
        self.post = post
        self._text = text
        self._deeds = deeds
        self._read = 0
        self._strokes: list[Stroke] = []

    def press(self, after_s: float, key: str = "go") -> None:
        self.post.later(after_s, lambda: self._strokes.append(Stroke(key)))

    def say(self, after_s: float, text: str) -> None:
        self.post.later(after_s, lambda: self._strokes.append(Stroke("", text)))

    def poll(self, asking: str, wait_s: float) -> list[Stroke]:
        self.post.step(0.2)
        time.sleep(0.003)  # the ports hand on what came
        new = self._text.getvalue()[self._read :]
        self._read += len(new)
        for phrase, deed in self._deeds:
            if phrase in new:
                deed(self)
        strokes, self._strokes = self._strokes, []
        return strokes
