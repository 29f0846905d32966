"""The fold of one station: its outlets, rules and alarms, once a second."""

from __future__ import annotations

from typing import Any

from logger.core.alarms import AlarmChange, AlarmTable
from logger.core.books import StationBook
from logger.core.description import Station
from logger.core.expected_grades import Grades, expected_from, informed
from logger.core.holdup import HoldUp, hold_up
from logger.core.pace import Pace, PaceFold
from logger.core.rhythm import Rhythm
from logger.core.rules.book import station_rules
from logger.core.rules.contract import ChannelNow, Judgement, OutletNow, StationNow
from logger.core.rules.expected import ExpectedFlow
from logger.core.rules.notice import noise_density, noticed_in_s
from logger.core.rules.outlet_not_delivering import MARGIN, WANDER_LEAST
from logger.core.rules.recovery import recovery
from logger.core.tally import SaidMasses, Tally, tally

NS = 10**9
LATER = 1.3
"""Stops were noticed so much later than the bound with what the rule asks: measured on tuning bays of
tests/bench/testbay (seeds 60 to 65, hopper and tub, 45 full stops)."""
SHOWN_LATE_S = 1.5  # a scale's own filter, and that rules look once a second (assumed, no source)
DECKS_KEPT = 64


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
        self.rules = station_rules(station, self.expected)
        self.rhythm = Rhythm(station, self.expected)
        self._pace = PaceFold(station, self.expected)
        self._decks: dict[int, HoldUp | None] = {}  # what lay on the deck when a run ended
        self._runs = False
        self._recovered: tuple[Tally, dict[str, Any] | None] | None = (
            None  # it is asked oftener than it changes
        )
        self._grades: Grades = {}

    def tick(self, now_s: int) -> list[AlarmChange]:
        """Close the second before ``now_s``; the channels' tracks have been ticked already."""
        now = self.now
        now.now_s = now_s
        now.began_s = now.began_s or self._first_reading_s()
        now.feed_stopped_since_s = self._stopped_since_s()
        self.expected.tick(now)
        changes: list[AlarmChange] = []
        for rule in self.rules:
            for judgement in rule.tick(now):
                self._note(judgement)
                changes += self.alarms.judge(judgement, self.station.name, now_s * NS)
        self.rhythm.tick(now)
        self._pace.tick(now)
        return changes

    def _first_reading_s(self) -> int:
        channels = [self.now.feed, *(outlet.now for outlet in self.now.outlets), *self.now.water]
        firsts = [c.first_reading_s for c in channels if c is not None and c.first_reading_s > 0.0]
        return int(min(firsts, default=0.0))

    def _note(self, judgement: Judgement) -> None:
        """Let later rules see what earlier ones judged."""
        key = (judgement.kind, judgement.subject)
        if judgement.active:
            self.now.active[key] = judgement.since_s
        else:
            self.now.active.pop(key, None)
        if judgement.kind == "feed-stopped":
            self.now.feed_stopped_since_s = self._stopped_since_s()
        self.rhythm.note(judgement, self.now)

    def _stopped_since_s(self) -> int | None:
        """Since when no feed comes: as the rule judges, or as was said."""
        judged = self.now.active.get(("feed-stopped", "feed"))
        said = self.now.paused_since_s
        known = [since_s for since_s in (judged, said) if since_s is not None]
        return min(known) if known else None

    def heed(self, book: StationBook) -> None:
        """What was said of runs and pauses, as it stands now."""
        run, pause = book.open_run, book.paused
        if self._runs and run is None:
            self._remember_deck()
        self._runs = run is not None
        self.now.run_since_s = None if run is None else run.start_ns // NS
        stopped_ns = None if pause is None else pause.from_ns
        if run is not None and run.feed_ended_ns is not None:
            stopped_ns = run.feed_ended_ns
        self.now.paused_since_s = None if stopped_ns is None else stopped_ns // NS

    def expect(self, grades: Grades) -> None:
        """What earlier lots of the material tell of the open run's products; said where the books change."""
        if grades != self._grades:
            self._grades, self._recovered = grades, None

    def notice_s(self, index: int) -> float | None:
        """How soon a stop of that outlet would be noticed (s); None: it can't be watched, or isn't yet."""
        past, outlet = self.expected.outlets[index], self.now.outlets[index]
        rate_mg_s = self.expected.rate_mg_s(index)
        if past is None or rate_mg_s is None or outlet.now is None or outlet.now.track is None:
            return None
        view = outlet.now.track.view
        resolution_mg = outlet.now.channel.resolution_kg * 1e6
        noise = noise_density(view.noise_mg, resolution_mg, view.interval_s or 1.0)
        found = noticed_in_s(
            rate_mg_s,
            past.lumps.phi_mg,
            noise,
            wander=max(past.lumps.wander, WANDER_LEAST),
            margin=MARGIN,
            doubted=lambda nats: self.expected.doubted(index, nats),
        )
        return None if found is None else LATER * found + SHOWN_LATE_S

    @property
    def pace(self) -> Pace | None:
        """How far feeding by hand is ahead of its target; None where nobody feeds by scoop."""
        return self._pace.pace(self.now)

    def tally(self, from_s: int, to_s: int, said: SaidMasses | None = None) -> Tally:
        deck = self.deck() if to_s >= self.now.now_s else self._decks.get(to_s)
        return tally(self.now, from_s, to_s, said, deck)

    def deck(self) -> HoldUp | None:
        """What lies on the deck now; None where the feed is not weighed, or was not seen yet."""
        return hold_up(self.now, self.expected, self.rhythm.plugged_at)

    def recovery(self, told: Tally) -> dict[str, Any] | None:
        """The live recovery by a tally (`rules.recovery`); None where it can't be told."""
        if self._recovered is None or self._recovered[0] != told:
            found = recovery(informed(self.station, self._grades), told)
            if found is not None:
                found["expected_from"] = expected_from(self.station, self._grades, found)
            self._recovered = told, found
        return self._recovered[1]

    def _remember_deck(self) -> None:
        """A run that ended now is asked about later, when its last minutes are no more to be seen."""
        now_s = self.now.now_s
        self._decks[now_s] = self._decks[now_s + 1] = self.deck()
        while len(self._decks) > DECKS_KEPT:
            del self._decks[next(iter(self._decks))]
