"""The rhythm of plugging: how often an outlet plugs, how long clearing takes, what each stop costs.

A stop is what `rules.outlet_not_delivering` judged and did not suppress; where the outlet was judged slow
before, it began then. It is over at the second from which on the outlet delivered again: where
delivered - 0.8 expected, summed from the beginning, was least (the change point of two rates).
Held back: expected less delivered by then. Missing: expected less delivered two minutes after the alarm
cleared, when what surged has come; the difference of both was held back and released. Expected is share x
lagged feed (`rules.expected`), nothing of which is learned while the outlet is plugged.

How often: stops over the time in which feed came and the outlet was not plugged; the interval is
gamma-Poisson (`gamma.rate_interval`). Everything is kept by its time, so that a run whose start or end is
corrected needs nothing folded again.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import sqrt
from statistics import median

from logger.core.description import Station
from logger.core.gamma import rate_interval
from logger.core.rules.contract import Judgement, StationNow
from logger.core.rules.expected import ExpectedFlow
from logger.core.rules.said import Watch
from logger.core.rules.surplus import Since

STOPPED = "outlet-not-delivering"
SLOW = "outlet-slow"
RELEASE_S = 120  # what surges when a plug gives way has come by then; common practice, no source
FLOWS = 0.8  # of what is expected: between what a plugged outlet lets through and what a free one does
REMEMBERED_S = 3600  # no older stop is asked for second by second
KEPT = 400  # stops of an outlet, and stretches of feed, that are remembered
MG = 1e6

Span = tuple[int, int]


@dataclass(slots=True)
class Stop:
    """One stop of an outlet, station seconds and mg; the fold brings it up to date while it lasts.

    ``flowing_s`` None: plugged still. ``cleared`` False although it is over: the run ended before.
    """

    begin_s: int
    noticed_s: int
    flowing_s: int | None = None
    cleared: bool = False
    settled: bool = False  # what surged after it has come
    none: bool = False  # a person said that it was none
    held_mg: float = 0.0
    u_held_mg: float = 0.0
    missing_mg: float = 0.0
    u_missing_mg: float = 0.0


@dataclass(frozen=True, slots=True)
class Figures:
    """The rhythm of one outlet over some spans. Times in s, masses in kg with standard uncertainties."""

    stops: int
    free_s: int  # feed came, and the outlet was not plugged
    per_hour: float | None  # None: no feed came yet
    per_hour_low: float | None  # 95 %
    per_hour_high: float | None
    every_s: float | None  # mean time between stops, of feeding; None: fewer than two
    plugged_since_s: int | None
    last_flowing_s: int | None
    clearing_s: tuple[float, int, int] | None  # median, least, most
    held_kg: float
    u_held_kg: float
    missing_kg: float
    u_missing_kg: float

    @property
    def released_kg(self) -> float:
        """Held back, and let go afterwards."""
        return max(self.held_kg - max(self.missing_kg, 0.0), 0.0)


class _Account:
    """What an outlet owes since a stop began, second by second, until what surged has come."""

    def __init__(self, stop: Stop, expected: ExpectedFlow, number: int) -> None:
        self.stop = stop
        self.number = number
        self.over_s: int | None = None
        self._since = Since(expected, number, stop.begin_s)
        self._least_mg = 0.0
        self._least_s = stop.begin_s

    def take(self, now: StationNow) -> None:
        since, stop = self._since, self.stop
        since.take(now.now_s, now.outlets[self.number])
        stop.missing_mg, stop.u_missing_mg = since.short_mg, since.u_mg
        if self.over_s is None:
            self._look_for_flow(now.now_s)

    def _look_for_flow(self, now_s: int) -> None:
        since = self._since
        level_mg = since.delivered_mg - FLOWS * since.expected_mg
        if level_mg <= self._least_mg:
            self._least_mg, self._least_s = level_mg, now_s
            self.stop.held_mg, self.stop.u_held_mg = since.short_mg, since.u_mg

    def end(self, now_s: int, cleared: bool) -> None:
        stop = self.stop
        self.over_s = now_s
        stop.cleared = cleared
        stop.flowing_s = min(max(self._least_s, stop.begin_s + 1), now_s) if cleared else now_s


class Rhythm:
    """Remembers the stops of a station's outlets. Ticked once a second, after the rules."""

    def __init__(self, station: Station, expected: ExpectedFlow) -> None:
        self._expected = expected
        self._watch = Watch(expected)
        self._names = {outlet.name: number for number, outlet in enumerate(station.outlets)}
        self._stops: list[deque[Stop]] = [deque(maxlen=KEPT) for _ in station.outlets]
        self._open: dict[int, _Account] = {}
        self._slow_s: dict[int, int] = {}
        self._fed: deque[Span] = deque(maxlen=KEPT)  # stretches in which feed came
        self._ran = False

    # -- what happens ------------------------------------------------------------------------------

    def note(self, judgement: Judgement, now: StationNow) -> None:
        """Take what a rule judged."""
        number = self._names.get(judgement.subject)
        if number is None or judgement.kind not in (STOPPED, SLOW):
            return
        sounded = judgement.active and not judgement.suppressed
        if judgement.kind == SLOW:
            if sounded:
                self._slow_s[number] = judgement.since_s
            else:
                self._slow_s.pop(number, None)
        elif sounded:
            self._begin(number, judgement, now.now_s)
        elif judgement.active:
            self._withdraw(number)
        else:
            self._end(number, now)

    def _begin(self, number: int, judgement: Judgement, now_s: int) -> None:
        account = self._open.get(number)
        if account is not None and account.over_s is None:
            return  # more is known of it, no more
        if account is not None:
            account.stop.settled = True
        begin_s = min(judgement.since_s, self._slow_s.get(number, judgement.since_s))
        earlier = self._stops[number]
        if earlier and earlier[-1].flowing_s is not None:
            begin_s = min(max(begin_s, earlier[-1].flowing_s), now_s)
        stop = Stop(begin_s, now_s)
        earlier.append(stop)
        self._open[number] = _Account(stop, self._expected, number)

    def _withdraw(self, number: int) -> None:
        """By design it is none: the feed, or the container, was the cause."""
        account = self._open.get(number)
        if account is not None and account.over_s is None:
            del self._open[number]
            self._stops[number].remove(account.stop)

    def _end(self, number: int, now: StationNow) -> None:
        account = self._open.get(number)
        if account is None or account.over_s is not None:
            return
        run_ended = self._ran and now.run_since_s is None
        account.take(now)
        account.end(now.now_s, cleared=not run_ended)
        if run_ended:
            self._settle(number)

    def _settle(self, number: int) -> None:
        self._open.pop(number).stop.settled = True

    def tick(self, now: StationNow) -> None:
        """Close a second: the time in which feed came, and what plugged outlets owe."""
        self._ran = self._ran or now.run_since_s is not None
        self._take_time(now)
        for number, account in list(self._open.items()):
            account.take(now)
            over_s = account.over_s
            if over_s is not None and (now.now_s - over_s >= RELEASE_S or self._ended(now)):
                self._settle(number)

    def _ended(self, now: StationNow) -> bool:
        return self._ran and now.run_since_s is None

    def _take_time(self, now: StationNow) -> None:
        fed = self._fed
        stopped_s = now.feed_stopped_since_s
        if self._watch.tick(now) and stopped_s is None:
            start, end = fed[-1] if fed else (0, 0)
            if end == now.now_s - 1:
                fed[-1] = (start, now.now_s)
            else:
                fed.append((now.now_s - 1, now.now_s))
        elif stopped_s is not None and fed and fed[-1][1] > stopped_s:  # it is judged some time after
            start, _ = fed.pop()
            if start < stopped_s:
                fed.append((start, stopped_s))

    def no_stop(self, outlet: str, at_s: int | None, *, undo: bool = False) -> int:
        """The newest stop that had begun by a second (None: now) was none; or, undone, was one after all.

        Answers when it began. ValueError, in the operator's words, where there is none.
        """
        number = self._names.get(outlet)
        if number is None:
            raise ValueError(f'there is no outlet "{outlet}" here; there is {", ".join(self._names)}')
        stops = [stop for stop in self._stops[number] if at_s is None or stop.begin_s <= at_s]
        if not stops:
            raise ValueError(f'outlet "{outlet}" had not been taken for plugged by then; see its alarms')
        stops[-1].none = not undo
        return stops[-1].begin_s

    @staticmethod
    def _lasted(stop: Stop, second: int) -> bool:
        return stop.begin_s <= second and (stop.flowing_s is None or second <= stop.flowing_s + RELEASE_S)

    # -- questions ---------------------------------------------------------------------------------

    def held_back_kg(self, number: int) -> tuple[float, float]:
        """What a plugged outlet holds back now, with its standard uncertainty; (0, 0) where it is free."""
        account = self._open.get(number)
        if account is None or account.over_s is not None:
            return 0.0, 0.0
        return max(account.stop.missing_mg, 0.0) / MG, account.stop.u_missing_mg / MG

    def plugged_at(self, second: int) -> bool:
        """Whether any outlet was plugged then, or had let go so lately that what it held back still came."""
        for stops in self._stops:
            for stop in reversed(stops):
                if not stop.none and self._lasted(stop, second):
                    return True
                if stop.begin_s < second - 2 * REMEMBERED_S:
                    break
        return False

    def stops_in(self, number: int, span: Span) -> list[Stop]:
        """The stops that began in a span (station seconds, [from, to)), but for those that were none."""
        return [s for s in self._stops[number] if not s.none and span[0] <= s.begin_s < span[1]]

    def over(self, number: int, spans: Sequence[Span], now_s: int) -> Figures:
        """The figures of the stops that began in some spans (station seconds, [from, to))."""
        stops = [s for s in self._stops[number] if not s.none and any(a <= s.begin_s < b for a, b in spans)]
        free_s = self._free_s(stops, spans, now_s)
        hours = max(free_s, 1) / 3600.0
        low, high = rate_interval(len(stops), hours)
        told = free_s > 0
        done = [stop for stop in stops if stop.cleared]
        took = [(stop.flowing_s or now_s) - stop.begin_s for stop in done]
        plugged = [stop.begin_s for stop in stops if stop.flowing_s is None]
        return Figures(
            stops=len(stops),
            free_s=free_s,
            per_hour=len(stops) / hours if told else None,
            per_hour_low=low if told else None,
            per_hour_high=high if told else None,
            every_s=free_s / len(stops) if len(stops) > 1 else None,
            plugged_since_s=plugged[-1] if plugged else None,
            last_flowing_s=done[-1].flowing_s if done else None,
            clearing_s=(float(median(took)), min(took), max(took)) if took else None,
            held_kg=sum(max(stop.held_mg, 0.0) for stop in stops) / MG,
            u_held_kg=sqrt(sum(stop.u_held_mg**2 for stop in stops)) / MG,
            missing_kg=sum(stop.missing_mg for stop in stops) / MG,
            u_missing_kg=sqrt(sum(stop.u_missing_mg**2 for stop in stops)) / MG,
        )

    def _free_s(self, stops: Iterable[Stop], spans: Sequence[Span], now_s: int) -> int:
        fed = [(max(a, c), min(b, d)) for a, b in self._fed for c, d in spans if max(a, c) < min(b, d)]
        total = sum(b - a for a, b in fed)
        for stop in stops:
            end_s = now_s if stop.flowing_s is None else stop.flowing_s
            total -= sum(max(0, min(b, end_s) - max(a, stop.begin_s)) for a, b in fed)
        return max(total, 0)
