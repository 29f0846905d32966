"""The fold of one station: its outlets, rules and alarms, once a second."""

from __future__ import annotations

from typing import Any

from logger.core.alarms import AlarmChange, AlarmTable
from logger.core.description import Station
from logger.core.rules.book import station_rules
from logger.core.rules.contract import ChannelNow, Judgement, OutletNow, StationNow
from logger.core.rules.expected import ExpectedFlow
from logger.core.rules.notice import noise_density, noticed_in_s
from logger.core.tally import Tally, tally

NS = 10**9


class StationFold:
    """Routes each second to the expected flow, then the rules, then the alarm table."""

    def __init__(self, station: Station, channels: dict[str, ChannelNow], alarms: AlarmTable) -> None:
        self.station = station
        self.alarms = alarms
        feed = None if station.feed.channel is None else channels[station.feed.channel]
        outlets = [
            OutletNow(outlet, None if outlet.channel is None else channels[outlet.channel])
            for outlet in station.outlets
        ]
        water = [channels[w.channel] for w in station.water]
        self.now = StationNow(station, 0, feed, outlets, water=water)
        self.expected = ExpectedFlow(station)
        self.rules = station_rules(station, self.expected, channels)

    def tick(self, now_s: int) -> list[AlarmChange]:
        """Close the second before ``now_s``; the channels' tracks have been ticked already."""
        now = self.now
        now.now_s = now_s
        self.expected.tick(now)
        changes: list[AlarmChange] = []
        for rule in self.rules:
            for judgement in rule.tick(now):
                self._note(judgement)
                changes += self.alarms.judge(judgement, self.station.name, now_s * NS)
        return changes

    def _note(self, judgement: Judgement) -> None:
        """Let later rules see what earlier ones judged."""
        key = (judgement.kind, judgement.subject)
        if judgement.active:
            self.now.active[key] = judgement.since_s
        else:
            self.now.active.pop(key, None)
        if judgement.kind == "feed-stopped":
            self.now.feed_stopped_since_s = judgement.since_s if judgement.active else None

    def open_run(self, start_s: int) -> None:
        self.now.run_since_s = start_s

    def close_run(self) -> None:
        self.now.run_since_s = None

    def notice_s(self, index: int) -> float | None:
        """How soon a stop of that outlet would be noticed (s); None: it can't be watched, or isn't yet."""
        past, outlet = self.expected.outlets[index], self.now.outlets[index]
        rate_mg_s = self.expected.rate_mg_s(index)
        if past is None or rate_mg_s is None or outlet.now is None or outlet.now.track is None:
            return None
        view = outlet.now.track.view
        resolution_mg = outlet.now.channel.resolution_kg * 1e6
        noise = noise_density(view.noise_mg, resolution_mg, view.interval_s or 1.0)
        return noticed_in_s(rate_mg_s, past.lumps.phi_mg, noise, wander=past.lumps.wander)

    def tally(self, from_s: int, to_s: int) -> Tally:
        return tally(self.now, from_s, to_s)

    def tally_json(self, from_s: int, to_s: int) -> dict[str, Any]:
        return self.tally(from_s, to_s).to_json()
