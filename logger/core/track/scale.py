"""One scale's readings -> mass delivered, rate, container changes. See `core.track.view` for the contract.

Readings are only collected as they come; once a second they are looked at together. `core.track.machine`
holds the states, `core.track.changes` what a step of the weight may be, `core.track.account` the mass.
"""

from __future__ import annotations

from logger.core.description import Channel, Container, FeedKind
from logger.core.track.corrections import DELIVERED, ESTIMATED, VAR, Corrections
from logger.core.track.machine import STEPS, Machine
from logger.core.track.view import Recognised, TrackState


class ScaleTrack(Machine):
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
        self._values: list[int] = []
        self._said = Corrections()
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
        self._publish(now_s)
        return events

    def _publish(self, now_s: int) -> None:
        """Bring the view up to date; what people corrected comes on top of what was weighed."""
        super()._publish(now_s)
        view, said = self.view, self._said
        view.delivered_mg += said.at(now_s, DELIVERED)
        view.var_mg2 += said.at(now_s, VAR)
        view.estimated_mg += said.at(now_s, ESTIMATED)

    def delivered_at(self, second: int) -> float:
        """Cumulative delivered mass (mg) at an earlier station second, from the track's history."""
        return self._account.delivered_at(second) + self._said.at(second, DELIVERED)

    def var_at(self, second: int) -> float:
        """`View.var_mg2` at an earlier station second."""
        account = self._account
        water = account.drainage.u_omega_s * account.history.at(second, 3)
        return account.history.at(second, 1) + self._said.at(second, VAR) + water**2

    def estimated_at(self, second: int) -> float:
        """`View.estimated_mg` at an earlier station second."""
        return self._account.history.at(second, 2) + self._said.at(second, ESTIMATED)

    def tally(self, from_s: int, to_s: int) -> tuple[float, float, float]:
        """Mass delivered between two seconds, its standard uncertainty and its estimated part (mg)."""
        history, drainage, said = self._account.history, self._account.drainage, self._said
        mass = self.delivered_at(to_s) - self.delivered_at(from_s)
        var = 2.0 * self.view.level_var_mg2 + max(0.0, history.at(to_s, 1) - history.at(from_s, 1))
        var += said.at(to_s, VAR) - said.at(from_s, VAR)
        wet = history.at(to_s, 3) - history.at(from_s, 3)
        # These two err the same way every time, so they add up before they are squared.
        water, displaced = drainage.u_omega_s * wet, self._account.gain_u * mass
        estimated = self.estimated_at(to_s) - self.estimated_at(from_s)
        return mass, (var + water**2 + displaced**2) ** 0.5, estimated

    def container_set(self, now_s: int, tare_mg: float | None) -> None:
        """The operator says a fresh container stands there; ``tare_mg`` where it was not empty."""
        view = self.view
        if view.state is TrackState.WAITING:
            view.tare_mg = tare_mg
            return
        e = self._episode
        if e is not None:  # counts as over: what was expected is what passed
            self._level = e.means[-1] if e.means else e.level
            self._level_var = self._noise.r + self._noise.floor
            self._account.rebase(self._level, e.delivered + e.credit)
            self._account.var = e.var + e.credit_u() ** 2 + self._account.gain**2 * self._level_var
            self._account.estimated = e.estimated + e.credit
            self._steady_again(now_s)
        view.tare_mg = self._level if tare_mg is None else tare_mg
        self._know.learn_tare(view.tare_mg)
        self._account.drainage.changed()
        self._account.drainage.broken()
        self._former = None
        self._publish(now_s)

    def adjust(self, second: int, delta_mg: float, u_mg: float) -> None:
        """A correction: delivered mass from ``second`` on changes by ``delta_mg`` (u: standard)."""
        self._shift(second, second, delta_mg, u_mg * u_mg, 0.0)

    def correct(self, number: int, was: str | None = None, credit_mg: float | None = None) -> float:
        """Correct a recognised event; it is applied here, and the change (mg) returned. A later one wins.

        ``was``: ``product``, ``nothing`` or ``change``; or the mass that passed. KeyError: unknown number.
        """
        record = self._ledger.get(number)
        should = self._ledger.should(record, was, credit_mg)
        delta, record.counted = should - record.counted, should
        weighed = was == "product" or credit_mg is not None
        self._shift(record.from_s, record.to_s, delta, 0.0, -record.estimated if weighed else 0.0)
        if weighed:
            record.estimated = 0.0
        if was == "change" and number == self._ledger.count:
            self.view.tare_mg = self._account.base
        self._credits = [r for r in self._credits if r.number != number]
        self._review = None
        return delta

    def _shift(self, from_s: int, to_s: int, delta: float, var: float, estimated: float) -> None:
        self._said.add(from_s, to_s, (delta, var, estimated))
        self.view.delivered_mg += delta
        self.view.var_mg2 += var
        self.view.estimated_mg += estimated
