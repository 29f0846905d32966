"""A container that is nearly full, or will be within minutes.

Formula: time left = (full - gross) / rate; raised at `LEFT_S` or less, or within the last twentieth of what
the container holds; cleared when the level fell back by a quarter of it (it was changed). "Full" is what is
told (`full_kg`, gross), else 95 % of the scale's capacity. Gross is what the scale shows; where the tare was
pressed at the scale (its tare shows less than half of what one weighs) content + tare. The time's 95 %
interval is that of the rate, from low = left / (1 + 2 u) to high = left / (1 - 2 u), u relative. Source:
arithmetic. Tuning: three minutes are time to fetch a container (common practice, no source). False alarms:
none by noise, the level being averaged; a rate that was overestimated warns early.
"""

from __future__ import annotations

from logger.core.description import ContainerKind, Outlet, Station
from logger.core.rules.contract import ChannelNow, Evidence, Judgement, OutletNow, StationNow
from logger.core.rules.expected import ExpectedFlow
from logger.core.rules.said import Said, Watch, minutes
from logger.core.track.view import TrackState

KIND = "container-near-full"
LEFT_S = 180.0
LEAST_TARE_MG = 200_000.0  # lighter than any container in use: common practice, no source
PRESSED = 0.5


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
        self._tare_mg = [0.0] * len(station.outlets)  # of the latest container that was put there untared

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
        if view.tare_mg is not None and view.tare_mg > LEAST_TARE_MG:
            self._tare_mg[number] = view.tare_mg
        gross = gross_mg(outlet.outlet, channel, self._tare_mg[number])
        room = full - max(empty_mg(outlet.outlet, channel), self._tare_mg[number])
        if said.active:
            if view.state is TrackState.OFF or (
                view.state is TrackState.STEADY and view.level_mg < self._level_mg[number] - 0.25 * room
            ):
                return said.clear(now_s, f"The container of {said.subject} was changed.")
            return []
        if view.state is not TrackState.STEADY or now_s - view.changed_s < 3:
            return []
        left_mg = full - gross
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
            "level_kg": round(gross / 1e6, 6),
            "full_kg": round(full / 1e6, 6),
            "left_s": None if left_s is None else round(left_s, 1),
        }
        if left_s is not None and left_s > 0.0:
            spread = 2.0 * view.u_rate_mg_s / view.rate_mg_s  # below two thirds: known
            told["left_low_s"] = round(left_s / (1.0 + spread), 1)
            told["left_high_s"] = round(left_s / (1.0 - spread), 1)
        return said.say(True, now_s, what, "Change the container. Mind its weight when lifting.", told)

    def evidence(self, subject: str, now: StationNow) -> Evidence | None:
        """The time left (s) as it is seen now: see `Evidence`."""
        number = next((k for k, o in enumerate(now.outlets) if o.outlet.name == subject), None)
        channel = None if number is None else now.outlets[number].now
        if number is None or channel is None or channel.track is None:
            return None
        outlet, view = now.outlets[number].outlet, channel.track.view
        full, held = full_mg(outlet, channel), self._watch.why_not(now)
        if full is None:
            held = "neither how much the container takes nor the scale's capacity was told"
        elif view.state is not TrackState.STEADY:
            held = held or "the scale is not at rest"
        left_s, extra = None, {}
        if full is not None:
            gross = gross_mg(outlet, channel, self._tare_mg[number])
            extra = {"level_kg": round(gross / 1e6, 4), "full_kg": round(full / 1e6, 4)}
            if view.rate_mg_s > max(3.0 * view.u_rate_mg_s, 0.0):
                left_s = (full - gross) / shown_mg(view.rate_mg_s, outlet)
        return Evidence(KIND, subject, "s", left_s, self.left_s, falls=True, quiet_because=held, extra=extra)


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


def gross_mg(outlet: Outlet, channel: ChannelNow, tare_mg: float = 0.0) -> float:
    """Container and content (mg), also after the tare was pressed at the scale.

    ``tare_mg``: what the container weighs, where the configuration does not say; 0 unknown.
    """
    if channel.track is None:
        return 0.0
    view, told = channel.track.view, outlet.container
    if told.tare_kg is not None:
        tare_mg = told.tare_kg * 1e6
    elif told.tare_low_kg is not None and told.tare_high_kg is not None:
        tare_mg = 0.5e6 * (told.tare_low_kg + told.tare_high_kg)
    if view.tare_mg is None or view.content_mg is None or view.tare_mg >= PRESSED * tare_mg:
        return view.level_mg
    return view.content_mg + tare_mg


def empty_mg(outlet: Outlet, channel: ChannelNow) -> float:
    """What the scale shows with the container empty, as far as known."""
    track = channel.track
    tare = None if track is None else track.view.tare_mg
    if tare is None:
        tare = (outlet.container.tare_kg or 0.0) * 1e6
    return tare
