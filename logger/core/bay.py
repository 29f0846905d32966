"""The fold of the whole bay: `Bay.apply` takes one entry and answers what is concluded from it.

Pure: the same entries give the same findings to the byte. Before an entry is taken, one tick is made
for each whole second of station time that passed since the last, so a journal, a CSV and life fold
alike. Per reading only integers are touched; floating point is used once a second, in the ticks.
"""

from __future__ import annotations

from collections import deque
from typing import Any

from logger.core import actions
from logger.core.alarm_said import alarm_said
from logger.core.alarms import AlarmChange, AlarmTable
from logger.core.bookkeeping import BOOKED, Bookkeeper
from logger.core.books import Books, Change, Refused, Run
from logger.core.channel import ChannelFold
from logger.core.containers import Containers
from logger.core.description import Bay as BayDescription
from logger.core.description import Station
from logger.core.entries import USABLE, Action, Circumstance, Entry, Finding, Garbage, Reading
from logger.core.rates import rates_json
from logger.core.rules.contract import Judgement
from logger.core.rules.subjects import station_subjects
from logger.core.station import StationFold
from logger.core.walltime import WallTime

NS = 10**9
LONGEST_GAP_S = 3600
"""A longer silence of the whole bay is not ticked through second by second; its last hour is."""
TALLY_EVERY_S = 60
RATES_EVERY_S = 10
RECOGNISED_KEPT = 200

_RECORD_REMEDY = "Free disk space or replace the disk; what is held is entered when there is room."


class Bay:
    """State of the whole bay after the entries applied so far."""

    def __init__(self, description: BayDescription) -> None:
        self.description = description
        self.books = Books({s.name: _by_hand(s) for s in description.stations})
        self.alarms = AlarmTable()
        self.walltime = WallTime()
        self.channels = {c.name: ChannelFold(c, description) for c in description.channels}
        now = {name: fold.now for name, fold in self.channels.items()}
        self.stations = {s.name: StationFold(s, now, self.alarms) for s in description.stations}
        self.keeper = Bookkeeper(self.books, self.stations, self.channels)
        self.station_of_channel = {
            channel: s.name for s in description.stations for channel in _channels_of(s)
        }
        self._know_alarms()
        self.recognised: deque[dict[str, Any]] = deque(maxlen=RECOGNISED_KEPT)
        self.containers = Containers(self.channels, self.stations, self.books, self.recognised)
        self.at_ns = 0
        self.seq = 0
        self.unknown_channels: dict[str, int] = {}
        self._next_ns = 0  # the next whole second that is due; 0 before the first entry

    def _know_alarms(self) -> None:
        """Every alarm that could be raised here has its id from the start."""
        for name, fold in self.stations.items():
            for kind, subject, channel in station_subjects(fold.station, [rule.kind for rule in fold.rules]):
                self.alarms.expect(kind, subject, channel, name)
        for name, channel_fold in self.channels.items():
            for rule in channel_fold.rules:
                self.alarms.expect(rule.kind, name, name, self.station_of_channel.get(name, ""))
        for kind in ("record-at-risk", "journal-set-aside"):
            self.alarms.expect(kind, "journal")

    # ------------------------------------------------------------------ the one way in

    def apply(self, entry: Entry) -> list[Finding]:
        """Take one entry; answer the findings it causes. Entries come in the order of seq."""
        found: list[Finding] = []
        at_ns = entry.at_ns
        if at_ns >= self._next_ns:
            self._advance(entry, found)
        if at_ns > self.at_ns:
            self.at_ns = at_ns
        self.seq = entry.seq
        if type(entry) is Reading:
            channel = self.channels.get(entry.channel)
            if channel is None:
                self._unknown(entry.channel)
            else:
                channel.last = entry
                channel.readings += 1
                if entry.status in USABLE:
                    channel.take(entry)
        elif type(entry) is Action:
            self._act(entry, found)
        elif type(entry) is Garbage:
            if entry.channel in self.channels:
                self.channels[entry.channel].garbage(entry)
        elif type(entry) is Circumstance:
            self._circumstance(entry, found)
        return found

    def finish(self) -> list[Finding]:
        """Close the running second and one more: for a replay, after its last entry."""
        found: list[Finding] = []
        for second in (self._next_ns // NS, self._next_ns // NS + 1):
            self._tick(second, found)
        self._next_ns += 2 * NS
        return found

    # ------------------------------------------------------------------ time

    def _advance(self, entry: Entry, found: list[Finding]) -> None:
        second = entry.at_ns // NS
        if self._next_ns == 0 or (type(entry) is Circumstance and entry.kind == "boot"):
            # Nothing was read while the daemon was down: that time is not silence of an instrument.
            for channel in self.channels.values():
                channel.woke(second)
        else:
            due = self._next_ns // NS
            for each in range(max(due, second - LONGEST_GAP_S), second + 1):
                self._tick(each, found)
        self._next_ns = (second + 1) * NS

    def _tick(self, now_s: int, found: list[Finding]) -> None:
        """Close the second before ``now_s``: tracks, then channel rules, then stations."""
        self.at_ns = now_s * NS
        for channel in self.channels.values():
            for recognised in channel.tick(now_s):
                found += self.containers.told(channel.now.channel.name, recognised, now_s * NS, self.seq)
        for channel in self.channels.values():
            station = self.station_of_channel.get(channel.now.channel.name, "")
            for rule in channel.rules:
                for judgement in rule.tick(now_s, channel.now):
                    self._alarms(self.alarms.judge(judgement, station, now_s * NS), found)
        for fold in self.stations.values():
            self._alarms(fold.tick(now_s), found)
            for outlet in fold.now.outlets:
                if outlet.now is not None:
                    self.channels[outlet.now.channel.name].expected_mg_s = outlet.expected_mg_s
        self._alarms(self.alarms.tick(now_s * NS), found)
        self._changes(self.keeper.tick(now_s), now_s * NS, found)
        if now_s % RATES_EVERY_S == 0:
            for run in self.open_runs():
                told = rates_json(self.stations[run.station].now) | {"run": run.run}
                found.append(self._finding(now_s * NS, "rates", run.station, told))
        if now_s % TALLY_EVERY_S == 0:
            for run in self.open_runs():
                told = self.run_tally(run)
                del told["rhythm"]  # told when the run ends; each minute it would swell the record
                found.append(self._finding(now_s * NS, "tally", run.run, told))

    # ------------------------------------------------------------------ findings

    def _finding(self, at_ns: int, kind: str, subject: str, data: dict[str, Any]) -> Finding:
        return Finding(at_ns, kind, subject, self.seq, data)

    def _alarms(self, changes: list[AlarmChange], found: list[Finding]) -> None:
        found += [self._finding(c.at_ns, "alarm", c.id, c.to_json()) for c in changes]

    def _changes(self, changes: list[Change], at_ns: int, found: list[Finding]) -> None:
        found += [self._finding(at_ns, c.kind, c.subject, c.data) for c in changes]

    def _unknown(self, channel: str) -> None:
        if channel in self.unknown_channels or len(self.unknown_channels) < 100:
            self.unknown_channels[channel] = self.unknown_channels.get(channel, 0) + 1

    # ------------------------------------------------------------------ circumstances

    def _circumstance(self, entry: Circumstance, found: list[Finding]) -> None:
        self.walltime.apply(entry)
        if entry.kind == "link" and entry.subject in self.channels:
            channel = self.channels[entry.subject]
            channel.now.link_up = entry.data.get("state") == "up"
            channel.message = "" if channel.now.link_up else str(entry.data.get("why", ""))
        elif entry.kind == "journal":
            self._journal(entry, found)
        elif entry.kind == "follower":
            self._follower(entry, found)

    def _journal(self, entry: Circumstance, found: list[Finding]) -> None:
        """The record itself is in trouble: ``not-recorded`` until ``recorded``; ``set-aside`` once."""
        state, message = entry.data.get("state"), str(entry.data.get("message", ""))
        if state == "set-aside":
            what, do = (
                f"The journal was set aside: {message}.",
                "Keep that file; the past may be saved from it.",
            )
            steps: tuple[bool, ...] = (True, False)  # over at once, and shown until somebody has seen it
            kind = "journal-set-aside"
        else:
            what = message or "The journal writes again."
            do = str(entry.data.get("do", "")) or _RECORD_REMEDY
            steps = (state != "recorded",)
            kind = "record-at-risk"
        for active in steps:
            judgement = Judgement(kind, "journal", "", active, entry.at_ns // NS, what, do)
            self._alarms(self.alarms.judge(judgement, "", entry.at_ns), found)

    def _follower(self, entry: Circumstance, found: list[Finding]) -> None:
        """The store or the broker does not take what is sent: ``behind`` or ``paused`` until ``well``."""
        state, name, kind = entry.data.get("state"), entry.subject, f"{entry.subject}-behind"
        known = self.alarms.find(f"{kind}/{name}")
        if state == "expected" and (known is None or not known.judged.active):
            self.alarms.expect(kind, name)
            return
        active = state in ("behind", "paused")
        what = str(entry.data.get("message", "")) if active else f"The {name} takes what is sent again."
        do = str(entry.data.get("do", ""))
        judgement = Judgement(kind, name, "", active, entry.at_ns // NS, what, do)
        self._alarms(self.alarms.judge(judgement, "", entry.at_ns), found)

    # ------------------------------------------------------------------ actions

    def _act(self, entry: Action, found: list[Finding]) -> None:
        try:
            earlier = self.books.taken(entry.id, entry.body)
            if earlier is not None:
                found.append(self._finding(entry.at_ns, "repeated", entry.id, {"seq": earlier}))
                return
            self._do(entry, found)
        except Refused as refused:
            data = {"action": entry.body.action, "reason": str(refused)}
            found.append(self._finding(entry.at_ns, "refused", entry.body.action, data))
            return
        self.books.remember(entry)

    def _do(self, entry: Action, found: list[Finding]) -> None:
        body: Any = entry.body
        match body:
            case actions.Withdraw() if (seq := self.containers.spoke(body.entry)) is not None:
                found += self.containers.withdraw(entry, seq)
                self.keeper.corrected(self.at_ns)
            case _ if isinstance(body, BOOKED):
                self._changes(self.keeper.act(entry, self.at_ns), entry.at_ns, found)
            case (
                actions.ContainerSet()
                | actions.ContainerChanged()
                | actions.ContainerAway()
                | actions.Decanted()
                | actions.SampleTaken()
                | actions.Correct()
            ):
                found += self.containers.act(entry)
                self.keeper.corrected(self.at_ns)
            case actions.NoStop():
                self._no_stop(entry, body, found)
            case (
                actions.Acknowledge()
                | actions.Shelve()
                | actions.Unshelve()
                | actions.TakeOutOfService()
                | actions.ReturnToService()
                | actions.ResetAlarm()
            ):
                self._alarms(alarm_said(self.alarms, body, entry.at_ns), found)

    def _no_stop(self, entry: Action, body: actions.NoStop, found: list[Finding]) -> None:
        fold = self.stations[self.books.station_of(body.station)]
        at_s = None if body.time_ns is None else body.time_ns // NS
        try:
            began_s = fold.rhythm.no_stop(body.outlet, at_s, undo=body.undo)
        except ValueError as error:
            raise Refused(str(error)) from None
        told = {"station": fold.station.name, "outlet": body.outlet, "began_s": began_s, "undo": body.undo}
        found.append(self._finding(entry.at_ns, "no-stop", body.outlet, told))

    # ------------------------------------------------------------------ questions

    def open_runs(self) -> list[Run]:
        """Open runs, in the order of the stations."""
        books = (self.books.stations[name].open_run for name in self.stations)
        return [run for run in books if run is not None]

    def run_tally(self, run: Run) -> dict[str, Any]:
        """The tally of a run in the replay's form; for an open one, up to now."""
        return self.keeper.run_tally(run, self.at_ns)


def _channels_of(station: Any) -> list[str]:
    named = [station.feed.channel, *(o.channel for o in station.outlets), *(w.channel for w in station.water)]
    return [name for name in named if name is not None]


def _by_hand(station: Station) -> list[str]:
    """The outlets whose products can be weighed by hand: those that stand together one by one, too."""
    return [name for outlet in station.outlets for name in (outlet.name, *outlet.members)]
