"""One channel's recent past, second by second, and how lumpily its mass arrives."""

from __future__ import annotations

from array import array
from collections import deque
from math import exp, sqrt

from logger.core.description import ContainerKind, Outlet, ZeroTracking
from logger.core.rules.contract import ChannelNow
from logger.core.rules.lags import MASK, SPAN, LagScores
from logger.core.rules.notice import dither_mg2
from logger.core.track.view import Track, TrackState

SCOOP_S = 30  # a longer disturbance of a tub is no scoop
HELD_S = 6  # a track may redraw its history from so long before it saw a disturbance
SETTLE_S = 3  # after a disturbance no window starts or is judged
FELL_S = 4  # over so long a small sample makes the smoothed weight fall
FELL_SDS = 5.0
HAND_S = 6  # a hand lies on the scale so long before it takes something (assumed, no source)
PHI_MG = 10_000.0  # lumpiness before anything is learned: 10 g, assumed, no source
WANDER = 0.10  # slow wander of a share before anything is learned, a fraction; assumed, no source
WANDER_MOST = 0.15  # above it no shortfall could ever count
LUMP_WINDOWS = (8, 64)  # s
LUMP_MEMORY_S = 7200.0  # lumps are what the material and the deck make of it, and change slowly
LUMP_PRIOR = 24.0  # windows of 8 s that the assumed lumpiness is worth

NOISE_DOUBT = 0.5  # how far, as a fraction, what lasts of the noise may be off (assumed, no source)


class Lumps:
    """Lumpiness and wander of one outlet, from what was missing over 8 and 64 seconds."""

    def __init__(self, phi_mg: float = PHI_MG) -> None:
        self._assumed = phi_mg
        self._square = [0.0, 0.0]
        self._mass = [0.0, 0.0]
        self._noise = 0.0  # in the windows of 8 s
        self._weight = [0.0, 0.0]
        self.phi_mg = phi_mg
        self.wander = WANDER

    def learn(self, which: int, expected_mg: float, missing_mg: float, noise_mg2: float) -> None:
        """One window of ``LUMP_WINDOWS[which]`` seconds; ``noise_mg2`` is what reading noise adds to it."""
        keep = exp(-LUMP_WINDOWS[which] / LUMP_MEMORY_S)
        self._square[which] = self._square[which] * keep + missing_mg * missing_mg - noise_mg2
        self._mass[which] = self._mass[which] * keep + expected_mg
        self._weight[which] = self._weight[which] * keep + 1.0
        if which == 0:
            self._noise = self._noise * keep + noise_mg2
        self._settle()

    @property
    def windows(self) -> float:
        """How many windows of 8 s the lumpiness rests on, the assumption counted.

        Noise takes from what a window tells: the variance of a mean square goes with the square of all of it,
        and the noise itself is not known better than to `NOISE_DOUBT`, however many windows there are.
        """
        return self._telling() + LUMP_PRIOR

    def _telling(self) -> float:
        signal = self._assumed * self._mass[0]
        if signal <= 0.0:
            return 0.0
        part = self._noise / signal
        return 1.0 / ((1.0 + part) ** 2 / self._weight[0] + 0.5 * (NOISE_DOUBT * part) ** 2)

    def _settle(self) -> None:
        n8, n64 = self._weight
        if n8 < 2.0 or self._mass[0] <= 0.0:
            return
        a8, m8 = self._mass[0] / n8, self._square[0] / n8
        pull = LUMP_PRIOR
        raw = max(m8 / a8, 0.0)
        told = self._telling()
        self.phi_mg = min(max((raw * told + self._assumed * pull) / (told + pull), 500.0), 300_000.0)
        if n64 >= 1.0:
            a64, m64 = self._mass[1] / n64, self._square[1] / n64
            square = max(a64 * a64 - a8 * a8, 1.0)
            slow = (m64 - m8 - self.phi_mg * (a64 - a8)) / square
            sure = n64 * square * square / (2.0 * max(m64, 1.0) ** 2)  # 1 / variance of slow, Gaussian
            prior = 1.0 / WANDER**4  # the assumed square is as uncertain as it is large
            mixed = (slow * sure + WANDER**2 * prior) / (sure + prior)
            self.wander = min(sqrt(max(mixed, 0.0004)), WANDER_MOST)


class Past:
    """What a scale delivered, for the last half hour, and when it could not be believed.

    ``by_hand``: a tub that a person feeds from; every scoop disturbs it, and that is no reason for doubt.
    ``gain``: mg delivered for each mg shown. ``catches``: it stands under an outlet; near zero it
    may track its zero and swallow a trickle, and is not believed there unless that is known to be off.
    """

    def __init__(self, *, by_hand: bool = False, gain: float = 1.0, catches: bool = False) -> None:
        self.by_hand = by_hand
        self._gain = gain
        self._catches = catches
        self.near_zero_s: int | None = None  # since when
        self.delivered = array("d", bytes(8 * SPAN))
        self.began_s: int | None = None
        self.now_s = 0
        self.lost_s: int | None = None  # last second before the present disturbance
        self.good_since_s: int | None = None  # None: not to be judged now
        self.fell_s: int | None = None  # when a fall was last seen that the track took for no disturbance
        self.gaps: deque[tuple[int, int]] = deque(maxlen=64)  # (last good second, first good second)
        self.reading_var_mg2 = 0.0  # of the present level
        self.noise = 0.0  # noise density of the readings, mg^2 s
        self.lasting = (0.0, 0.0, 0.0)  # what means over 1, 4 and 12 s do not average out, mg^2

    def add(self, now_s: int, channel: ChannelNow) -> None:
        """Close a second. Differences of the track's own history, so that a correction of it is no flow."""
        track = channel.track
        if track is None or track.view.state is TrackState.WAITING:
            return
        if self.began_s is None or now_s - self.now_s >= SPAN:
            self._begin(now_s)
        else:
            self._copy(track, self.now_s, now_s)
        view = track.view
        steady = view.state is TrackState.STEADY
        if not steady and self.lost_s is None:
            self.lost_s = max(now_s - HELD_S, self.began_s or now_s)
        elif steady and self.lost_s is not None:  # only now is it known what passed meanwhile
            self._copy(track, max(self.lost_s, now_s - SPAN + 1), now_s)
            self.lost_s = None
        d = channel.channel.resolution_kg * 1e6
        tracks = self._catches and channel.channel.zero_tracking is not ZeroTracking.OFF
        zero = tracks and abs(view.level_mg) <= 3.0 * max(d, view.noise_mg)
        self.near_zero_s = (self.near_zero_s or now_s) if zero and steady else None
        if self.by_hand:
            short = view.state is TrackState.DISTURBED and now_s - view.state_since_s < SCOOP_S
            self._mark(now_s, steady or short)
        else:
            settled = now_s - max(view.changed_s, view.steady_since_s) >= SETTLE_S
            if self.fell_s is not None and now_s - self.fell_s < SETTLE_S:
                settled = False
            self._mark(now_s, steady and settled and not zero)
        self.noise = self._gain**2 * view.interval_s * (view.noise_mg**2 + d * d / 12.0)
        square = self._gain**2
        rounding = dither_mg2(view.noise_mg, d)
        one, four, twelve = view.beat_mg2
        self.lasting = (square * (rounding + one), square * (rounding + four), square * (rounding + twelve))
        self.reading_var_mg2 = max(view.level_var_mg2, self._gain**2 * d * d / 48.0)

    def fall(self, sd_mg: float) -> None:
        """Doubt the latest seconds if the weight fell by more than noise of ``sd_mg`` explains: product never
        leaves by itself, so a hand took some (a sample smaller than the track takes for a disturbance)."""
        now = self.now_s
        if self.good_since_s is None or now - FELL_S < self.good_since_s:
            return
        if min(self.got(now - 2, now), self.got(now - FELL_S, now)) >= -FELL_SDS * sd_mg:
            return
        self.fell_s, since = now, max(now - FELL_S - HAND_S, self.good_since_s)
        self._mark(now, good=False)
        self.gaps[-1] = (since, now)

    def _begin(self, now_s: int) -> None:
        self.began_s = self.now_s = now_s
        self.delivered[now_s & MASK] = 0.0
        self.lost_s = self.good_since_s = None
        self.gaps.append((now_s, now_s))

    def _copy(self, track: Track, from_s: int, to_s: int) -> None:
        """Take the seconds after ``from_s`` from the track's history."""
        at, ring = track.delivered_at, self.delivered
        shift = ring[from_s & MASK] - at(from_s)
        for second in range(from_s + 1, to_s + 1):
            ring[second & MASK] = at(second) + shift
        self.now_s = to_s

    def _mark(self, now_s: int, good: bool) -> None:
        if good and self.good_since_s is None:
            self.gaps[-1] = (self.gaps[-1][0], now_s)
            self.good_since_s = now_s
        elif not good and self.good_since_s is not None:
            self.gaps.append((now_s - 2, now_s))
            self.good_since_s = None

    def pieces(self, from_s: int, to_s: int) -> list[tuple[int, int]]:
        """The parts of a window in which the scale could be believed."""
        start = max(from_s, self.now_s - SPAN + 1)
        if self.began_s is None:
            return []
        if self.gaps[-1][1] <= start and self.good_since_s is not None:
            start = max(start, self.began_s)
            return [(start, to_s)] if start < to_s else []
        found = []
        start = max(start, self.began_s)
        for gap_from, gap_to in self.gaps:
            if gap_to <= start:
                continue
            if gap_from >= to_s:
                break
            if gap_from > start:
                found.append((start, gap_from))
            start = max(start, gap_to)
        if start < to_s and (self.good_since_s is not None or to_s <= self.gaps[-1][0]):
            found.append((start, to_s))
        return found

    def whole(self, from_s: int, to_s: int) -> bool:
        """Whether nothing disturbed the scale in between."""
        return self.pieces(from_s, to_s) == [(from_s, to_s)]

    def mean(self, from_s: int, to_s: int) -> float:
        """Mean of what was delivered by the end of the seconds after ``from_s`` up to ``to_s`` (mg)."""
        ring = self.delivered
        return sum([ring[second & MASK] for second in range(from_s + 1, to_s + 1)]) / (to_s - from_s)

    def mean_var(self, span: int) -> float:
        """Variance (mg^2) of a mean of the level over so many seconds, by reading noise."""
        return self.noise / span + self.lasting[0 if span < 4 else 1 if span < 12 else 2]

    def got(self, from_s: int, to_s: int) -> float:
        """Delivered (mg) between two seconds of the last half hour."""
        return self.delivered[to_s & MASK] - self.delivered[from_s & MASK]


class OutletPast(Past):
    """One weighed outlet's history and what was learned of it."""

    def __init__(self, outlet: Outlet) -> None:
        brim = outlet.container.kind is ContainerKind.BRIM_FULL and (outlet.solids_density or 0.0) > 1.0
        gain = 1.0 / (1.0 - 1.0 / (outlet.solids_density or 2.0)) if brim else 1.0
        super().__init__(gain=gain, catches=True)
        self.outlet = outlet
        self.drains = outlet.container.kind in (ContainerKind.DRAINS, ContainerKind.UNKNOWN)
        self.scores = LagScores(outlet)
        # Where water is kept, every lump brings its own.
        retains = outlet.container.kind is ContainerKind.RETAINS
        self.lumps = Lumps(4.0 * PHI_MG if retains else PHI_MG)
        self.share: float | None = outlet.expected_share
        self.sum_x = 0.0  # of feed, mg, forgotten with MEMORY_S
        self.sum_y = 0.0  # of product
        self.fed_s = 0.0  # seconds of feed behind the share
        self.product_since_s: int | None = None
        self.half_minutes: deque[float] = deque(maxlen=20)

    @property
    def learned(self) -> bool:
        """Whether the share rests on the outlet's own product, and no longer on what was told."""
        return self.fed_s >= 90.0 or len(self.half_minutes) >= 4
