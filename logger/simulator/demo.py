"""A simulated bay on real wires, at a multiple of life's speed.

Instruments of the foundry bay (`foundry_scenario`); names are those of the channels:

============  ==========================================  =========  ============  ==================
name          dialect                                     asked      wire          resolution
============  ==========================================  =========  ============  ==================
feed          SMA SCP-0499                                repeats R  pty           0.01 kg
concentrate   SMA SCP-0499                                poll W     pty           0.002 kg
middlings     ``ST,GS,+   1.234 kg`` CR LF                streams    pty           0.005 kg
tailings      SMA SCP-0499                                poll W     TCP           0.01 kg
fines         SMA SCP-0499                                poll W     pty           0.005 kg
wash-water    ``FLOW   14.10 L/min`` CR LF                streams    pty           0.1 L/min
feed-water    ``FLOW    2.60 L/min`` CR LF                streams    pty           0.05 L/min
============  ==========================================  =========  ============  ==================

Containers: concentrate, middlings and tailings drain (tares 0.85-1.15, 0.85-1.15, 2.2-2.8 kg; full at
12, 12, 30 kg); fines stand brim-full of 10 kg of water (full at 30 kg). The fifth outlet, the spill tray,
has no scale. Densities: concentrate 8.8, middlings 4.5, tailings 2.65, fines 2.6 g/cm3. Shares of the
feed: 0.145, 0.10, 0.64, 0.065 and 0.05; lags from feed to outlet 42, 36, 24, 34 and 24 s.

At a speed of 5 the feed starts after 4 s of watching, product arrives from 9 s on, the concentrate's
container is changed at 30 s, the concentrate clogs at 66 s and is cleared at 86 s.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from functools import partial
from pathlib import Path
from random import Random
from typing import Any

from logger.simulator.bay import SimulatedBay
from logger.simulator.foundry import foundry_actions, foundry_scenario
from logger.simulator.instruments import Described, Instrument, Meter, Sma
from logger.simulator.scenario import Scenario
from logger.simulator.script import Event
from logger.simulator.troubles import Trouble
from logger.simulator.wires import PtyWire, Spoiler, TcpWire, Wire

log = logging.getLogger(__name__)

SPEED = 5.0
"""How many times faster than life the demo runs."""

WIRING: Mapping[str, tuple[str, str]] = {
    "middlings": ("described", "pty"),
    "tailings": ("sma", "tcp"),
    "wash-water": ("meter", "pty"),
    "feed-water": ("meter", "pty"),
}
"""Channel -> (dialect, wire) where it is not the usual: SMA, or a meter for the water, on a pty."""

_TURN_S = 0.01  # between looks at the wires
_LATE_S = 1.0  # more than this behind is not made up for


class _Post:
    """An instrument at its wire."""

    def __init__(self, channel: str, instrument: Instrument, wire: Wire, rng: Random) -> None:
        self.channel = channel
        self.instrument = instrument
        self.wire = wire
        self.line = Spoiler(rng)
        self.plugged = True


class DemoBay:
    """The simulated bay for demo and tests.

    ``directory`` gets the links to the ptys. ``speed`` is simulated seconds a second, 0.1 to 20.
    Readings come ``rate_hz`` times a simulated second where the instrument sends by itself.
    """

    def __init__(
        self,
        directory: str | Path,
        speed: float = SPEED,
        seed: int = 1,
        scenario: Scenario | None = None,
        *,
        wiring: Mapping[str, tuple[str, str]] = WIRING,
        rate_hz: float = 5.0,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        if not 0.1 <= speed <= 20.0:
            raise ValueError(f"a speed of {speed:g} is outside 0.1 to 20 times life")
        self.directory = Path(directory)
        self.speed = speed
        self.scenario = foundry_scenario() if scenario is None else scenario
        self._bay = SimulatedBay(self.scenario, seed)
        self._clock = clock
        self._lock = threading.Lock()
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        self._posts = [
            self._post(channel, *wiring.get(channel, self._usual(channel)), rate_hz=rate_hz, seed=seed)
            for channel in self.scenario.channels
        ]

    def _usual(self, channel: str) -> tuple[str, str]:
        return ("sma" if self.scenario.meter(channel) is None else "meter", "pty")

    def _post(self, channel: str, dialect: str, wire: str, *, rate_hz: float, seed: int) -> _Post:
        show = partial(self._show, channel)
        instrument: Instrument
        if dialect == "sma":
            instrument = Sma(show, self._bay.scales[channel], 1.0 / rate_hz)
        elif dialect == "described":
            instrument = Described(show, 1.0 / rate_hz)
        else:
            instrument = Meter(show, 1.0)
        end: Wire = TcpWire() if wire == "tcp" else PtyWire(self.directory / channel.replace(" ", "-"))
        return _Post(channel, instrument, end, Random(f"{seed}/wire/{channel}"))

    def _show(self, channel: str) -> Any:
        return self._bay.show(channel, self._bay.now_s)

    def start(self) -> None:
        """Plug everything in and begin; returns when the wires are there."""
        if self._thread is not None:
            raise RuntimeError("this bay runs already; make another one to begin afresh")
        self.directory.mkdir(parents=True, exist_ok=True)
        for post in self._posts:
            post.wire.plug()
        self._thread = threading.Thread(target=self._run, name="simulated-bay", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """End and take the wires away; safe to call twice."""
        self._stop.set()
        if self._thread is not None:
            self._thread.join(5.0)
        for post in self._posts:
            post.wire.unplug()

    @property
    def urls(self) -> dict[str, str]:
        """Instrument -> where its port finds it. Complete after `start`."""
        return {post.channel: post.wire.url for post in self._posts}

    @property
    def now_s(self) -> float:
        """Simulated time since the start."""
        return self._bay.now_s

    @property
    def script(self) -> Iterator[tuple[float, dict[str, Any]]]:
        """What the operator says, and at what simulated time: ``(t_s, action)`` in order of time."""
        return foundry_actions()

    def hurry(self, trouble: Trouble) -> None:
        """Let a trouble happen now."""
        with self._lock:
            self._bay.hurry(trouble)

    def events(self) -> list[Event]:
        """What truly happened so far."""
        with self._lock:
            return self._bay.events

    def truth(self) -> dict[str, Any]:
        """Where every gram is now: ``t_s``, ``used_kg``, ``hold_up_kg``, ``astray_kg``, and by outlet
        ``delivered_kg``, ``reported_kg``, ``lost_kg`` (see `bay.Truth`)."""
        with self._lock:
            physics = self._bay.physics
            balance = physics.balance()
            return {
                "t_s": physics.now_s,
                "used_kg": balance.used,
                "hold_up_kg": balance.hold_up,
                "astray_kg": balance.astray,
                "delivered_kg": {p.outlet.name: p.delivered_kg for p in physics.places},
                "reported_kg": {p.outlet.name: p.reported_kg() for p in physics.places},
                "lost_kg": {p.outlet.name: p.lost_kg for p in physics.places},
            }

    def _run(self) -> None:
        begun_s = self._clock()
        while not self._stop.wait(_TURN_S):
            behind_s = self._clock() - begun_s - self._bay.now_s / self.speed
            if behind_s > _LATE_S:
                log.warning(
                    "the simulated bay was held up for %.1f s; it goes on from where it was", behind_s
                )
                begun_s += behind_s
            with self._lock:
                goal_s = (self._clock() - begun_s) * self.speed
                while self._bay.now_s < goal_s:
                    self._bay.step()
                for post in self._posts:
                    self._serve(post)

    def _serve(self, post: _Post) -> None:
        state, now_s = self._bay.scales[post.channel], self._bay.now_s
        if state.unplugged == post.plugged:
            post.plugged = not state.unplugged
            if post.plugged:
                post.wire.plug()
            else:
                post.wire.unplug()
        if not post.plugged:
            return
        frames = post.instrument.hear(post.wire.receive(), now_s) + post.instrument.say(now_s)
        if state.silent:
            return
        data = post.line.through(frames, state.scale.missing, state.garbled)
        if data:
            post.wire.send(data)
