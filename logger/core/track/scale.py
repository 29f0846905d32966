"""One scale's readings -> mass delivered, rate, container changes. See `core.track.view` for the contract.

Readings are only collected as they come; once a second they are looked at together. `core.track.machine`
holds the states, `core.track.changes` what a step of the weight may be, `core.track.account` the mass,
`core.track.told` what people say of it.
"""

from __future__ import annotations

from logger.core.description import Channel, Container, FeedKind
from logger.core.track.corrections import DELIVERED, ESTIMATED, VAR, Corrections
from logger.core.track.machine import STEPS
from logger.core.track.told import Told
from logger.core.track.view import Recognised


class ScaleTrack(Told):
    """A track of one mass channel. ``solids_density`` in g/cm3; ``feed``: delivered means used.

    ``history_s`` is how long `delivered_at` reaches back.
    """

    def __init__(
        self,
        channel: Channel,
        container: Container,
        *,
        solids_density: float | None,
        feed: bool = False,
        feed_kind: FeedKind | None = None,
        history_s: int = 86400,
    ) -> None:
        kind = (feed_kind or FeedKind.HOPPER) if feed else None
        super().__init__(channel, container, solids_density, kind, history_s)
        self._kind = container.kind
        self._values: list[int] = []
        self._said = Corrections()
        self._late: list[Recognised] = []  # recognised between two ticks, because of what was said
        self._last_ns = 0

    def reading(self, at_ns: int, mg: int, stable: bool | None) -> None:
        """Take one usable reading (whole mg as shown). Hot: it only remembers."""
        self._values.append(mg)
        self._last_ns = at_ns

    def tick(self, now_s: int, expected_mg_s: float | None) -> list[Recognised]:
        """Close the second before ``now_s``; what was recognised in it."""
        values, view = self._values, self.view
        view.now_s = now_s
        self._expected = expected_mg_s
        if values:
            self._values = []
            view.last_reading_s = self._last_ns / 1e9
            self._noise.timing(len(values))
            self._noise.repeats(values, self._idle())
        events = STEPS[view.state](self, values, now_s)
        if self._sayings or self._away_s is not None:
            events = self._answer(events, now_s)
        if self._late:
            events, self._late = [*self._late, *events], []
        self._publish(now_s)
        return events

    def _publish(self, now_s: int) -> None:
        """Bring the view up to date; what people corrected comes on top of what was weighed."""
        super()._publish(now_s)
        view, said = self.view, self._said
        view.delivered_mg += said.at(now_s, DELIVERED)
        view.var_mg2 = max(0.0, view.var_mg2 + said.at(now_s, VAR))
        view.estimated_mg += said.at(now_s, ESTIMATED)

    def var_at(self, second: int) -> float:
        """`View.var_mg2` at an earlier station second."""
        account = self._account
        water = account.drainage.u_omega_s * account.history.at(second, 3)
        return max(0.0, account.history.at(second, 1) + self._said.at(second, VAR)) + water**2

    def estimated_at(self, second: int) -> float:
        """`View.estimated_mg` at an earlier station second."""
        return self._account.history.at(second, 2) + self._said.at(second, ESTIMATED)

    def tally(self, from_s: int, to_s: int) -> tuple[float, float, float]:
        """Mass delivered between two seconds, its standard uncertainty and its estimated part (mg)."""
        history, drainage, said = self._account.history, self._account.drainage, self._said
        mass = self.delivered_at(to_s) - self.delivered_at(from_s)
        # The levels' as they were then, so that a closed span's stays what it was.
        ends = self._level_vars.at(from_s) + self._level_vars.at(to_s)
        if self._feed is FeedKind.TUB:
            ends += self._scoops.var_at(from_s) + self._scoops.var_at(to_s)
        var = max(0.0, history.at(to_s, 1) - history.at(from_s, 1))
        var = ends + max(0.0, var + said.at(to_s, VAR) - said.at(from_s, VAR))
        wet = history.at(to_s, 3) - history.at(from_s, 3)
        # These two err the same way every time, so they add up before they are squared.
        water, displaced = drainage.u_omega_s * wet, self._account.gain_u * mass
        estimated = self.estimated_at(to_s) - self.estimated_at(from_s)
        return mass, (var + water**2 + displaced**2) ** 0.5, estimated
