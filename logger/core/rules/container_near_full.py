"""A container that is nearly full, or will be within minutes.

Formula: time left = (full - level) / rate; raised at `LEFT_S` or less, or within the last twentieth of what
the container holds; cleared when the level fell back by a quarter of it (it was changed). "Full" is what is
told (`full_kg`, gross as the scale shows it), else 95 % of the scale's capacity. Source: arithmetic. Tuning:
three minutes are time to fetch a container (common practice, no source). False alarms: none by noise, the
level being averaged; a rate that was overestimated warns early.
"""

from __future__ import annotations

from logger.core.description import ContainerKind, Outlet, Station
from logger.core.rules.contract import ChannelNow, Judgement, OutletNow, StationNow
from logger.core.rules.expected import ExpectedFlow
from logger.core.rules.said import Said, Watch, minutes
from logger.core.track.view import TrackState

KIND = "container-near-full"
LEFT_S = 180.0


class ContainerNearFull:
    """Judges all weighed outlets of a station."""

    kind = KIND

    def __init__(self, station: Station, expected: ExpectedFlow, left_s: float = LEFT_S) -> None:
        if not 0.0 <= left_s <= 3600.0:
            raise ValueError(f"time left {left_s:g} s must lie between 0 and 3600")
        self.left_s = left_s
        self._watch = Watch(expected)
        self._said = [Said(KIND, outlet.name, outlet.channel or "") for outlet in station.outlets]
        self._level_mg = [0.0] * len(station.outlets)

    def tick(self, now: StationNow) -> list[Judgement]:
        watched = self._watch.tick(now)
        found: list[Judgement] = []
        for number, outlet in enumerate(now.outlets):
            said = self._said[number]
            if not watched:
                found += said.clear(now.now_s, f"Outlet {said.subject} is no longer watched.")
            elif outlet.now is not None and outlet.now.track is not None:
                found += self._judge(number, outlet, outlet.now, now.now_s)
        return found

    def _judge(self, number: int, outlet: OutletNow, channel: ChannelNow, now_s: int) -> list[Judgement]:
        said, track = self._said[number], channel.track
        full = full_mg(outlet.outlet, channel)
        if full is None or track is None:
            return []
        view = track.view
        room = full - empty_mg(outlet.outlet, channel)
        if said.active:
            if view.state is TrackState.OFF or (
                view.state is TrackState.STEADY and view.level_mg < self._level_mg[number] - 0.25 * room
            ):
                return said.clear(now_s, f"The container of {said.subject} was changed.")
            return []
        if view.state is not TrackState.STEADY or now_s - view.changed_s < 3:
            return []
        left_mg = full - view.level_mg
        known = view.rate_mg_s > 3.0 * view.u_rate_mg_s and view.rate_mg_s > 0.0
        left_s = left_mg / shown_mg(view.rate_mg_s, outlet.outlet) if known else None
        if left_mg > 0.05 * room and (left_s is None or left_s > self.left_s):
            return []
        self._level_mg[number] = view.level_mg
        when = "is full" if left_mg <= 0 else "is nearly full"
        if left_s is not None and left_s > 0:
            when += f": about {minutes(left_s)} left"
        what = f"The container of {said.subject} {when}."
        told = {
            "level_kg": round(view.level_mg / 1e6, 6),
            "full_kg": round(full / 1e6, 6),
            "left_s": None if left_s is None else round(left_s, 1),
        }
        return said.say(True, now_s, what, "Change the container. Mind its weight when lifting.", told)


def full_mg(outlet: Outlet, channel: ChannelNow) -> float | None:
    """What the scale shows when the container must be changed; None where nothing was told."""
    if outlet.container.full_kg is not None:
        return outlet.container.full_kg * 1e6
    capacity = channel.channel.capacity_kg
    return None if capacity is None else 0.95 * capacity * 1e6


def shown_mg(delivered: float, outlet: Outlet) -> float:
    """What the scale shows of delivered solids: m (1 - 1/density) where the container stands brim-full."""
    density = outlet.solids_density
    if outlet.container.kind is not ContainerKind.BRIM_FULL or density is None or density <= 1.0:
        return delivered
    return delivered * (1.0 - 1.0 / density)


def empty_mg(outlet: Outlet, channel: ChannelNow) -> float:
    """What the scale shows with the container empty, as far as known."""
    track = channel.track
    tare = None if track is None else track.view.tare_mg
    if tare is None:
        tare = (outlet.container.tare_kg or 0.0) * 1e6
    return tare
