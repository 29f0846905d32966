"""The fold of one channel: from readings in any unit to a track in whole milligrams, or nanolitres."""

from __future__ import annotations

from math import inf

from logger.core.description import Bay, Channel, Container, Outlet, Station
from logger.core.entries import USABLE, Garbage, Reading
from logger.core.rules.book import channel_rules
from logger.core.rules.contract import ChannelNow
from logger.core.track.flow import FlowTrack
from logger.core.track.scale import ScaleTrack
from logger.core.track.view import Recognised
from logger.core.units import mg_ratio

NS = 10**9


class ChannelFold:
    """What is kept of one channel. ``last`` and ``readings`` are set by the bay, reading by reading."""

    def __init__(self, channel: Channel, bay: Bay) -> None:
        flow = FlowTrack(channel) if channel.quantity == "flow" else None
        self.now = ChannelNow(channel, _track(channel, bay), flow)
        self.rules = channel_rules(channel)
        self.last: Reading | None = None
        self.last_usable: Reading | None = None
        self.readings = 0
        self.message = ""
        self.expected_mg_s: float | None = None
        self._unit: tuple[str, int] = ("", 0)
        self._ratio: tuple[int, int] | None = None
        self._why = "beyond-capacity"  # the last reading that could not be believed
        # No scale shows a quarter more than its capacity: such a number is a fault of the line, no weight.
        self._most_mg = inf if channel.capacity_kg is None else 1.25e6 * channel.capacity_kg

    def take(self, reading: Reading) -> None:
        """Take a usable reading: convert it exactly and hand it to the track. The hot path."""
        if self.now.flow is not None:
            self._water(reading)
            return
        unit = (reading.unit, reading.exp)
        if unit != self._unit:
            self._unit = unit
            self._ratio = mg_ratio(*unit)
        ratio = self._ratio
        track = self.now.track
        if ratio is not None and track is not None:
            numerator, denominator = ratio
            if denominator == 1:
                mg = reading.number * numerator
            else:
                mg = (2 * reading.number * numerator + denominator) // (2 * denominator)
            if -self._most_mg <= mg <= self._most_mg:
                self.last_usable = reading
                track.reading(reading.at_ns, mg, reading.stable)
        else:
            self.last_usable = reading

    def _water(self, reading: Reading) -> None:
        assert self.now.flow is not None  # noqa: S101  (asked before)
        why = self.now.flow.reading(reading.at_ns, reading.number, reading.unit, reading.exp)
        if why:
            self._why = why
        else:
            self.last_usable = reading

    def garbage(self, piece: Garbage) -> None:
        """Count what could not be read."""
        now = self.now
        now.garbage += 1
        now.last_garbage_s, now.garbage_reason = piece.at_ns / NS, piece.reason

    def woke(self, now_s: int) -> None:
        """The daemon was down until now: silence counts from here."""
        if self.now.readings:
            self.now.last_reading_s = self.now.last_usable_s = float(now_s)

    def tick(self, now_s: int) -> list[Recognised]:
        """Close the second before ``now_s``."""
        now, last = self.now, self.last
        if now.flow is not None:
            now.flow.tick(now_s)
            now.value = now.flow.view.rate_l_min or 0.0
        if last is not None and self.readings != now.readings:
            now.readings = self.readings
            now.last_reading_s = last.at_ns / NS
            if now.first_reading_s == 0.0:
                now.first_reading_s = now.last_reading_s
            now.unit, now.mode, now.status = last.unit, last.mode, last.status
            usable = self.last_usable
            if usable is not last and now.status in USABLE:
                now.status = self._why
            if usable is not None:
                now.last_usable_s = usable.at_ns / NS
                if self._ratio is not None:
                    now.value = float(usable.number * self._ratio[0] / self._ratio[1] / 1e6)
        return [] if now.track is None else now.track.tick(now_s, self.expected_mg_s)


def _track(channel: Channel, bay: Bay) -> ScaleTrack | None:
    """The track of a channel: a feed's, an outlet's, or a bare scale's; None for a flow."""
    if channel.quantity != "mass":
        return None
    for station in bay.stations:
        if station.feed.channel == channel.name:
            return _feed_track(channel, station)
        for outlet in station.outlets:
            if outlet.channel == channel.name:
                return _outlet_track(channel, outlet)
    return ScaleTrack(channel, Container(), solids_density=None)


def _feed_track(channel: Channel, station: Station) -> ScaleTrack:
    return ScaleTrack(channel, Container(), solids_density=None, feed=True, feed_kind=station.feed.kind)


def _outlet_track(channel: Channel, outlet: Outlet) -> ScaleTrack:
    return ScaleTrack(channel, outlet.container, solids_density=outlet.solids_density)
