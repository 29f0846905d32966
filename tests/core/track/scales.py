"""A made-up scale to drive tracks with. Masses in g, times in s; the track's own mg stay in its view."""

from __future__ import annotations

from collections.abc import Callable
from random import Random

from logger.core.description import Channel, Container, FeedKind
from logger.core.track.scale import ScaleTrack
from logger.core.track.view import Recognised

EPOCH_S = 1_000
RATE = 3.0  # g/s, 10.8 kg/h
ON_S = 30  # product comes from then on


class Bench:
    """A scale under a made-up force: ``force_g(t)`` read at 5 Hz, in steps of 5 g, with 2 g of noise.

    Where the force is None the scale says nothing.
    """

    def __init__(
        self, track: ScaleTrack, seed: int = 1, hz: int = 5, step_g: float = 5.0, noise_g: float = 2.0
    ) -> None:
        self.track, self.rng = track, Random(seed)
        self.hz, self.step_g, self.noise_g = hz, step_g, noise_g
        self.events: list[Recognised] = []
        self.t = 0
        self.epoch_s = EPOCH_S

    def play(
        self, seconds: int, force_g: Callable[[float], float | None], expected_g_s: float | None = None
    ) -> list[Recognised]:
        """Go on for some seconds; what was recognised in them."""
        found: list[Recognised] = []
        for _ in range(seconds):
            for i in range(self.hz):
                t = self.t + i / self.hz
                force = force_g(t)
                if force is not None:
                    shown = round((force + self.rng.gauss(0, self.noise_g)) / self.step_g) * self.step_g
                    at_ns = self.epoch_s * 10**9 + round(t * 1000) * 10**6
                    self.track.reading(at_ns, round(shown * 1000), None)
            self.t += 1
            expected = None if expected_g_s is None else expected_g_s * 1000
            found += self.track.tick(self.epoch_s + self.t, expected)
        self.events += found
        return found

    def until(self, t: int, force_g: Callable[[float], float | None]) -> list[Recognised]:
        return self.play(t - self.t, force_g)

    @property
    def delivered_g(self) -> float:
        return self.track.view.delivered_mg / 1000

    def at(self, t: float) -> float:
        """Delivered (g) at a time of this bench, from the history."""
        return self.track.delivered_at(self.epoch_s + int(t)) / 1000


def outlet(container: Container | None = None, density: float | None = None, shows: str = "gross") -> Bench:
    return Bench(ScaleTrack(Channel("out", shows=shows), container or Container(), solids_density=density))


def feed(kind: FeedKind) -> Bench:
    return Bench(ScaleTrack(Channel("in"), Container(), solids_density=None, feed=True, feed_kind=kind))


def product_g(t: float) -> float:
    """What came out by then: nothing for half a minute, then 3 g/s."""
    return RATE * max(0.0, t - ON_S)


def flowing(tare_g: float = 1000.0, until: int = 200, container: Container | None = None) -> Bench:
    """An outlet whose container stands at ``tare_g`` and fills at 3 g/s."""
    bench = outlet(container)
    bench.play(until, lambda t: tare_g + product_g(t))
    return bench


def kinds(events: list[Recognised]) -> list[str]:
    return [event.what for event in events]
