"""A person at simulated scales: hears the session's instructions, does them in simulated time, reads nothing.

Forces come from what lies on each scale; the scale's own model shows them. Everything is drawn from one seed.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from random import Random

from logger.core.description import (
    Bay,
    Channel,
    Container,
    ContainerKind,
    Feed,
    Outlet,
    Station,
    ZeroTracking,
)
from logger.core.entries import Reading
from logger.core.proof.session import Session
from logger.core.proof.values import Complaint, Instruct, Judged, Result, Test, Word
from logger.simulator.scale import ScaleModel
from logger.simulator.scenario import Scale

NS = 10**9
T0_NS = 1_700_000_000 * NS


def bay_of(
    channel: Channel, kind: ContainerKind = ContainerKind.DRAINS, water: tuple[Channel, ...] = ()
) -> Bay:
    """A bay with one outlet on one scale."""
    station = Station("table", Feed(), (Outlet(channel.name, channel.name, Container(kind)),))
    return Bay("Foundry bay", (station,), (channel, *water))


def scale(**changes: object) -> Channel:
    told: dict[str, object] = {"unit": "kg", "resolution_kg": 0.005, "capacity_kg": 30.0, "interval_s": 0.2}
    return Channel("concentrate", **(told | changes))  # type: ignore[arg-type]


@dataclass
class Bench:
    """One scale with its load, and a script: step key -> what to do when it is asked for.

    A deed is a function of this bench that plans changes of the load with `later`.
    """

    channel: Channel
    model: ScaleModel
    rng: Random
    deeds: dict[str, Callable[[Bench], None]] = field(default_factory=dict)
    load_kg: float = 0.0
    extra: Callable[[float], float] = lambda at_s: 0.0
    now_s: float = 0.0
    silent: bool = False
    words: list[Word] = field(default_factory=list)
    _plans: list[tuple[float, int, Callable[[], None]]] = field(default_factory=list)
    session: Session | None = None

    def later(self, after_s: float, do: Callable[[], None]) -> None:
        self._plans.append((self.now_s + after_s, len(self._plans), do))

    def add(self, after_s: float, kg: float, over_s: float = 0.0, steps: int = 1) -> None:
        """Put ``kg`` on, at once or in equal steps."""

        def put(share: float) -> Callable[[], None]:
            def do() -> None:
                self.load_kg += share

            return do

        for k in range(steps):
            self.later(after_s + over_s * k / max(1, steps), put(kg / steps))

    def press(self, after_s: float, key: str = "go") -> None:
        self.later(after_s, lambda: self.hear(self._session.press(self.now_ns, key)))

    def say(self, after_s: float, text: str) -> None:
        self.later(after_s, lambda: self.hear(self._session.answer(self.now_ns, text)))

    @property
    def _session(self) -> Session:
        assert self.session is not None
        return self.session

    @property
    def now_ns(self) -> int:
        return T0_NS + round(self.now_s * NS)

    def hear(self, words: list[Word]) -> None:
        self.words += words
        for word in words:
            if isinstance(word, Instruct) and word.key in self.deeds:
                self.deeds[word.key](self)

    def run(
        self, tests: list[Test], bay: Bay, *, most_s: float = 3000.0, patience_s: float = 30.0
    ) -> list[Result]:
        """Play it to the end; AssertionError where it never ends."""
        self.session = Session(bay, tests, interactive=True, resolution=False, patience_s=patience_s)
        self.hear(self.session.begin(self.now_ns))
        end_s = self.now_s + most_s
        while not self.session.over:
            assert self.now_s < end_s, f"stuck at {[w for w in self.words if isinstance(w, Instruct)][-1]}"
            self.now_s += 0.2
            for plan in sorted(p for p in self._plans if p[0] <= self.now_s):
                self._plans.remove(plan)
                plan[2]()
            if not self.silent:
                self.session.take(self.read())
            self.hear(self.session.tick(self.now_ns))
        return self.session.results

    def read(self) -> Reading:
        shown = self.model.read(self.now_s, self.load_kg + self.extra(self.now_s))
        whole, _, decimals = shown.value.partition(".")
        mode = "net" if shown.net else "gross"
        number = int(whole + decimals)
        return Reading(
            self.now_ns,
            self.channel.name,
            number,
            -len(decimals),
            shown.unit,
            shown.stable,
            shown.status,
            mode,
        )

    @property
    def complaints(self) -> list[str]:
        return [word.text for word in self.words if isinstance(word, Complaint)]

    @property
    def judged(self) -> list[Result]:
        return [word.result for word in self.words if isinstance(word, Judged)]


def bench(seed: int, channel: Channel, **changes: object) -> Bench:
    """A still scale of the channel's resolution, with a little noise; changes go to the model."""
    quiet: dict[str, object] = {
        "resolution_kg": channel.resolution_kg,
        "capacity_kg": channel.capacity_kg,
        "noise_kg": 0.3 * channel.resolution_kg,
        "vibration_kg": 0.0,
        "zero_tracking": channel.zero_tracking is ZeroTracking.ON,
    }
    model = ScaleModel(Scale(**(quiet | changes)), Random(f"{seed}/scale"))  # type: ignore[arg-type]
    return Bench(channel, model, Random(f"{seed}/hands"))
