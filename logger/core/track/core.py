"""What every part of a track shares: its state, its thresholds, the beginning of an episode, the view."""

from __future__ import annotations

from math import log

from logger.core.description import Channel, Container, ContainerKind, FeedKind, ZeroTracking
from logger.core.track.account import Account
from logger.core.track.changes import KG, Knowledge
from logger.core.track.episode import Episode, Plateau
from logger.core.track.history import Marks
from logger.core.track.ledger import Ledger, Record
from logger.core.track.noise import Noise
from logger.core.track.pour import Pour
from logger.core.track.rate import Rate
from logger.core.track.saying import Saying
from logger.core.track.scoops import Scoops
from logger.core.track.view import TrackState, View

STATES: dict[TrackState, frozenset[TrackState]] = {
    TrackState.WAITING: frozenset({TrackState.STEADY}),
    TrackState.STEADY: frozenset({TrackState.DISTURBED, TrackState.SILENT, TrackState.FROZEN}),
    TrackState.DISTURBED: frozenset({TrackState.STEADY, TrackState.OFF, TrackState.SILENT}),
    TrackState.OFF: frozenset({TrackState.DISTURBED, TrackState.STEADY, TrackState.SILENT}),
    TrackState.SILENT: frozenset({TrackState.DISTURBED, TrackState.STEADY}),
    TrackState.FROZEN: frozenset({TrackState.DISTURBED, TrackState.SILENT, TrackState.STEADY}),
}
"""Legal transitions; any other raises."""

FROZEN_SCORE = 16.0  # -n ln p(same value): e^-16 by chance
LINGER = ("step-up", "refill")
LINGER_S = 5  # these must last so long: an elbow can be as still as a load, for a while
LINGER_SCOOPED_S = 2  # the next scoop may be due
HOLD_S, HOLD_FEED_S = 0.5, 2.0  # distrusted before a jump
REVIEW_S = 30
REJOIN_S = 180  # an older base is believed again when the weight comes back to it within this time


class Core:
    """State of a track; `core.track.scale.ScaleTrack` is the public face."""

    def __init__(
        self,
        channel: Channel,
        container: Container,
        solids_density: float | None,
        feed: FeedKind | None,
        history_s: int,
    ) -> None:
        gain, gain_u = _gain(container.kind, solids_density)
        self.view = View()
        self._feed = feed
        self._account = Account(
            gain,
            1 if feed is None else -1,
            gain_u,
            drains=feed is None and container.kind is ContainerKind.DRAINS,
            history_s=history_s,
        )
        self._know = Knowledge.told(channel, container)
        self._tare_told = None if container.tare_kg is None else container.tare_kg * KG
        self._noise = Noise(channel.resolution_kg * KG, channel.interval_s)
        self._rate = Rate(feed is FeedKind.TUB)
        self.view.by_scoop = feed is FeedKind.TUB
        self._ledger = Ledger()
        self._level_vars = Marks(history_s)
        self._sayings: tuple[Saying, ...] = ()  # what was said ahead of its step of the weight
        self._stood_s = 0  # since when the present container stands there
        self._away_s: int | None = None  # since when nothing is caught, as a person said
        self._level = self._level_var = 0.0
        self._pace = 0.0  # what the level moved by in the last second (mg)
        self._scooped_s = 0
        self._scoops = Scoops()
        self._falls: list[int] = []  # when a hopper's weight fell in a step
        # Level, its variance, count of readings and pace of the latest seconds.
        self._past: list[tuple[float, float, int, float]] = []
        self._episode: Episode | None = None
        self._former: tuple[Episode, int] | None = None  # an older base that may come back, and until when
        self._pour: Pour | None = None  # seen, but perhaps not all of it
        self._credits: list[Record] = []  # estimates that a pour may yet replace
        self._review: tuple[Record, float, float] | None = None  # a refill whose use may be known better soon
        self._expected: float | None = None
        self._first_s = 0
        # Within so much of its zero a scale may track a trickle away; 0: known not to.
        self._zero = 0.0 if channel.zero_tracking is ZeroTracking.OFF else 2.5 * channel.resolution_kg * KG
        self._swallowed = 0.0  # mass expected while it stood there: it may have come, unseen

    def _begin(self, now_s: int, first: int, *, silent: bool = False) -> None:
        """Set the account back to before the disturbance, which ``first`` readings of this second precede."""
        start_s = now_s if silent else now_s - 1
        hold_s = HOLD_S if self._feed is None else HOLD_FEED_S
        doubtful = 0 if silent else hold_s / (self._noise.interval_s or 0.2) - first
        while doubtful > 0 and self._past:
            self._level, self._level_var, count, self._pace = self._past.pop()
            doubtful -= count
            start_s -= 1
        account, noise = self._account, self._noise
        own, u_own = self._rate.own(
            account.history,
            start_s,
            self._rate.lumps(noise.q),
            account.gain**2 * self._level_var,
        )
        if self._feed is FeedKind.TUB and (start_s - self._scooped_s) * own > 1.5 * self._rate.scoop_mg:
            own = u_own = 0.0  # nobody is scooping now
        level = self._level
        e = self._episode = Episode(
            start_s, level, self._level_var, account.delivered(level), account.var, account.estimated,
            account.base, account.carried, own, u_own, self._rate.lumps(noise.q), silent, own=own,
            low=level, high=level, dip=level,
        )  # fmt: skip
        e.rate = self._expect(e)
        e.seconds = float(max(0, now_s - 1 - start_s))
        e.credit = e.rate * e.seconds
        self._past.clear()
        self._review = None  # the rate after it will not be known undisturbed
        noise.broken()

    def _open(self) -> Episode:
        if self._episode is None:
            raise ValueError(f"a track that is {self.view.state} must have an open episode")
        return self._episode

    def _expect(self, e: Episode) -> float:
        return self._rate.expect(e.own, self._expected)

    def _carry(self) -> Episode:
        """Count a second by expectation."""
        e = self._open()
        e.rate = self._expect(e)
        e.seconds += 1.0
        e.credit += e.rate
        return e

    def _idle(self) -> bool:
        """Does nothing flow, as far as can be told?"""
        return self.view.rate_mg_s < 2.0 * self.view.u_rate_mg_s and not self._expected

    def _slope(self) -> float:
        """Trend of the weight as the scale shows it (mg/s)."""
        return 0.0 if self._feed is FeedKind.TUB else self._rate.mg_s / self._account.scale

    def _gate(self) -> tuple[float, float]:
        """How far a reading may lie above and below the level before it counts as a jump (mg)."""
        noise, slope = self._noise, abs(self._slope())
        scatter = float((noise.sigma**2 + self._level_var) ** 0.5)
        sharp = max(30_000.0, 7.0 * scatter, 4.0 * self._know.resolution)
        lump = min(noise.q / slope, 40_000.0) if slope > 1.0 else 0.0
        blunt = max(250_000.0, 8.0 * scatter, 25.0 * lump) + 2.0 * max(slope, abs(self._pace))
        sharp += 0.6 * max(abs(self._pace), slope)  # a surge may end within the second
        return (blunt, sharp) if self._feed is None else (sharp, blunt)

    def _slid(self, rise: float) -> bool:
        """Has the second's mean stepped the way product never moves it, though no reading stands out?"""
        back = -rise if self._feed is None else rise
        noise = self._noise
        if back < 15_000.0 + abs(self._pace) or back < 1.5 * self._know.resolution:
            return False
        return bool(back * back > 36.0 * (self._level_var + noise.q + noise.r))

    def _tolerance(self, e: Episode, f: Plateau) -> float:
        least = max(3.0 * self._know.resolution, 10_000.0)
        return max(least, 5.0 * float((e.level_var + f.var) ** 0.5)) + abs(self._pace)

    def _patience(self) -> float:
        return max(3.0, 6.0 * self._noise.interval_s)

    def _under_way(self, e: Episode) -> tuple[float, float]:
        """Of a scoop that is being taken: what is out of the tub already, and the variance of that."""
        scoop = self._rate.scoop_mg
        out = min(1.0, max(0.0, (e.level - e.means[-1]) / scoop))
        digging = e.spans[-1] > 0.1 * scoop  # then nobody can tell
        return out * scoop, scoop * scoop * (0.25 if digging else 0.05 + out * (1.0 - out))

    def _frozen(self) -> bool:
        """Would chance alone never repeat a reading so often, with mass expected to move it?"""
        p = self._noise.p_same
        if not 0.0 < p < 0.98 or -self._noise.same_count * log(p) < FROZEN_SCORE:
            return False
        return bool(self._expected) or self._rate.mg_s > 2.0 * self._rate.u_mg_s

    def _enter(self, state: TrackState, now_s: int) -> None:
        view = self.view
        if state not in STATES[view.state]:
            raise ValueError(f"a track cannot go from {view.state} to {state}")
        view.state, view.state_since_s = state, now_s

    def _steady_again(self, now_s: int) -> None:
        self._episode = self._pour = None
        self._past.clear()
        self._noise.broken()
        self._enter(TrackState.STEADY, now_s)
        self.view.steady_since_s = self.view.changed_s = now_s

    def _publish(self, now_s: int) -> None:
        """Bring the view and the history up to date."""
        view, account, noise, rate = self.view, self._account, self._noise, self._rate
        e = self._episode
        if view.state is TrackState.WAITING:
            return
        if e is None:
            view.delivered_mg = account.delivered(self._level)
            if abs(self._level) < self._zero and self._expected and self._feed is None:
                self._swallowed += max(0.0, self._expected)
            view.var_mg2, view.estimated_mg = account.var, account.estimated
            view.level_mg = self._level
            # Where in the second it was weighed, and the scale's own smoothing: some tenths of a second.
            late = noise.q / 3.0 + (0.4 * self._slope()) ** 2
            view.level_var_mg2 = account.gain**2 * (max(self._level_var, noise.floor) + noise.beat + late)
            self._level_vars.note(now_s, view.level_var_mg2)
        else:
            credit = 0.0 if view.state is TrackState.FROZEN or self._away_s is not None else e.credit
            credit = 0.0 if self._feed is FeedKind.TUB else credit  # it comes in scoops, none of them now
            view.delivered_mg = e.delivered + credit
            view.var_mg2 = e.var + (e.credit_u() ** 2 if credit else 0.0)
            view.estimated_mg = e.estimated + credit
            if self._feed is FeedKind.TUB and e.means and not e.off:
                taken, var = self._under_way(e)
                view.delivered_mg += taken
                view.var_mg2 += var
            view.level_mg = e.means[-1] if e.means else e.level
        view.var_mg2 += self._swallowed**2
        drainage = account.drainage
        if e is None:
            drainage.follow(now_s, account.gain * self._level, view.level_var_mg2**0.5, account.history)
        account.history.append(now_s, (view.delivered_mg, view.var_mg2, view.estimated_mg, drainage.wet))
        if e is None:
            rate.update(
                account.history, view.delivered_mg, noise.q, view.level_var_mg2, now_s - self._first_s
            )
            rate.compare(self._expected)
            view.rate_mg_s, view.u_rate_mg_s, view.rate_window_s = rate.mg_s, rate.u_mg_s, rate.window_s
        if drainage.active:
            view.delivered_mg -= drainage.omega_s * drainage.wet
            view.var_mg2 += (drainage.u_omega_s * drainage.wet) ** 2
        view.content_mg = None if view.tare_mg is None else view.level_mg - view.tare_mg
        view.noise_mg, view.interval_s = noise.sigma, noise.interval_s
        view.beat_mg2 = (noise.beat, noise.beat4, noise.beat12)
        view.same_count, view.p_same = noise.same_count, noise.p_same


def _gain(kind: ContainerKind, density: float | None) -> tuple[float, float]:
    """Mass that settles for each mg the scale shows, and its relative uncertainty where density is unknown.

    A container brim-full of water loses the water each particle displaces: shown = m (1 - 1/density).
    """
    if kind is not ContainerKind.BRIM_FULL:
        return 1.0, 0.0
    if density is None or density <= 1.0:
        return 1.0, 0.25  # ores and metals of 2.6 to 8.9 g/cm3 show 62 to 89 % of their mass
    return 1.0 / (1.0 - 1.0 / density), 0.0
