"""One flow meter's readings -> water passed and its rate. See `core.track.flow_view` for the contract.

A reading is a flow, which is integrated (trapezoid) while the meter speaks; or a running total or a count,
whose differences count. Both add up in one whole number of grains, so that no order of adding and no
restart changes a figure; floating point comes in once a second.

- A silence of a flow meter longer than `LIMIT` intervals is never integrated: what passed is *unknown*,
  and counted apart. A total tells afterwards what passed in a silence.
- A total that is lower than before has wrapped (where it is told at what number it wraps, and the
  modular difference is no more than could have flowed), or was reset: then a new epoch begins, and what
  passed between the two readings is unknown. So it is where the number jumps up by more than could flow.
- A number that is far off for a moment and then goes on where it was, was a slip of the line.
"""

from __future__ import annotations

from math import sqrt
from typing import NamedTuple

from logger.core.description import Channel
from logger.core.track.flow_rate import FlowRate
from logger.core.track.flow_view import FlowState, FlowView, Passed
from logger.core.track.history import History
from logger.core.units import PULSE, VOLUME_L, flow_ratio, pulse_ratio, rounded, volume_ratio

NS = 10**9
GRAINS_A_NL = 120 * NS
"""(nL/min + nL/min) x ns is a whole number of grains: half the sum, over 60 s in ns."""
GRAINS_A_L = float(GRAINS_A_NL * 10**9)
LIMIT = 4.0  # intervals
LEAST_S = 3.0
FIRST_S = 30.0  # while the interval is not known yet
ASSUMED_MOST_L_MIN = 1000.0
"""What no bay's hose carries (assumed, no source); `Channel.most_l_min` tells better."""
SLIP_S = 60.0
MEMORY = 0.05  # of the learned interval, per reading


class _Scale(NamedTuple):
    """How a unit as shown becomes nL or nL/min."""

    total: bool
    ratio: tuple[int, int]
    step_nl: int  # one of the last digit
    wrap_nl: int | None


class _Shown(NamedTuple):
    at_ns: int
    amount: int  # nL, or nL/min
    scale: _Scale


class _Unknown(NamedTuple):
    litres: float = 0.0
    var_l2: float = 0.0
    seconds: float = 0.0


class FlowTrack:
    """A track of one flow channel. ``history_s`` is how long `passed` reaches back."""

    def __init__(self, channel: Channel, history_s: int = 86400) -> None:
        self.view = FlowView(interval_s=channel.interval_s or 0.0)
        self._channel = channel
        self._history = History(history_s)
        self._rate = FlowRate()
        self._batch: list[_Shown] = []
        self._unit = ("", 0)
        self._scale: _Scale | None = None
        self._last: _Shown | None = None
        self._first_s = 0.0
        self._grains = 0
        self._unknown = _Unknown()
        self._former: tuple[_Shown, _Unknown] | None = None  # before the last break, and what it cost
        self._since_break = 0

    # ------------------------------------------------------------------ readings

    def reading(self, at_ns: int, number: int, unit: str, exp: int) -> str:
        """Take one reading; "" or why it can't be believed. Integers only."""
        if (unit, exp) != self._unit:
            self._unit = (unit, exp)
            self._scale = self._scale_of(unit, exp)
        scale = self._scale
        if scale is None:
            return "unit-not-understood"
        amount = rounded(number, scale.ratio)
        if not scale.total and abs(amount) > self._most_nl(60 * NS):
            return "beyond-capacity"
        self._batch.append(_Shown(at_ns, amount, scale))
        return ""

    def _scale_of(self, unit: str, exp: int) -> _Scale | None:
        channel = self._channel
        ratio = flow_ratio(unit, exp)
        if ratio is not None:
            return _Scale(False, ratio, rounded(1, ratio), None)
        if unit == PULSE:
            ratio = None if channel.pulses_per_l is None else pulse_ratio(channel.pulses_per_l, exp)
        else:
            ratio = volume_ratio(unit, exp)
        if ratio is None:
            return None
        told_l = channel.resolution_kg if channel.unit in VOLUME_L else 0.0
        wrap = None if channel.wraps_at is None else rounded(channel.wraps_at, ratio)
        return _Scale(True, ratio, max(rounded(1, ratio), round(told_l * 1e9)), wrap)

    def _most_nl(self, ns: int) -> int:
        """The most that can pass in a time."""
        most_l_min = self._channel.most_l_min or ASSUMED_MOST_L_MIN
        return round(most_l_min * 1e9) * ns // (60 * NS)

    def tick(self, now_s: int) -> None:
        """Close the second before ``now_s``."""
        batch = self._batch
        if batch:
            self._batch = []
            for shown in batch:
                self._take(shown)
        self._publish(now_s)

    def _take(self, new: _Shown) -> None:
        last = self._last
        if last is None:
            self._first_s = new.at_ns / NS
            self._history.append(new.at_ns // NS, (0.0, 0.0, 0.0, 0.0))
        elif new.at_ns < last.at_ns:
            return  # late: a newer one has been counted already
        else:
            before = (self._grains, self._unknown)
            if last.scale.total != new.scale.total:
                self._former = None
                self._lose(last, new)
            elif new.scale.total:
                self._count(last, new)
            else:
                self._integrate(last, new)
            self._enter(last.at_ns, new.at_ns, before)
            self._repeats(last.amount == new.amount)
            self._learn((new.at_ns - last.at_ns) / NS)
        self._last = new
        self.view.shown = new.amount
        if not new.scale.total:
            self._rate.shown(new.at_ns // NS, new.amount / 1e9)

    def _repeats(self, same: bool) -> None:
        """Count how often a number repeats the one before it."""
        view = self.view
        view.pairs += 1
        view.same += same
        view.same_count = view.same_count + 1 if same else 1

    def _learn(self, seconds: float) -> None:
        view = self.view
        if self._channel.interval_s is not None or seconds <= 0.0:
            return
        if view.interval_s == 0.0:
            view.interval_s = min(seconds, FIRST_S)
        elif seconds < 5.0 * view.interval_s:  # a silence is no interval
            view.interval_s += MEMORY * (seconds - view.interval_s)

    @property
    def limit_s(self) -> float:
        """The longest time between two readings that is no silence."""
        interval_s = self.view.interval_s
        return max(LEAST_S, LIMIT * interval_s) if interval_s else FIRST_S

    # ------------------------------------------------------------------ from one reading to the next

    def _integrate(self, last: _Shown, new: _Shown) -> None:
        span_ns = new.at_ns - last.at_ns
        if span_ns > self.limit_s * NS:
            self._lose(last, new)
        else:
            self._grains += (last.amount + new.amount) * span_ns

    def _count(self, last: _Shown, new: _Shown) -> None:
        self._since_break += 1
        step = self._step(last, new)
        former = self._former
        if former is not None and new.at_ns - former[0].at_ns > SLIP_S * NS:
            former = self._former = None
        if former is not None and (step is None or self._since_break == 1):
            back = self._step(former[0], new)
            if back is not None:  # it goes on where it was: the number between was a slip
                step, cost = back, former[1]
                self._unknown = _Unknown(*(a - b for a, b in zip(self._unknown, cost, strict=True)))
                self.view.resets = max(0, self.view.resets - 1)
                self._former = None
        if step is None:
            if not self._may_have_gone_round(last, new):
                self.view.resets += 1
            self._since_break = 0
            self._former = (last, self._lose(last, new))
            return
        self._grains += step * GRAINS_A_NL
        if step > 0 and new.amount < last.amount and self._former is None:
            self.view.wraps += 1

    def _step(self, last: _Shown, new: _Shown) -> int | None:
        """What passed (nL) between two numbers of one epoch; None where they can't be of one."""
        step_nl, wrap = max(last.scale.step_nl, new.scale.step_nl), new.scale.wrap_nl
        delta = new.amount - last.amount
        if self._may_have_gone_round(last, new):
            return None
        if -step_nl <= delta <= 0:
            return delta  # the last digit may swing back
        if wrap is not None:
            delta %= wrap
        return delta if 0 <= delta <= self._most_between(last, new) else None

    def _most_between(self, last: _Shown, new: _Shown) -> int:
        """The most (nL) that can have passed between two readings, late by an interval each."""
        span_ns, wrap = new.at_ns - last.at_ns, new.scale.wrap_nl
        late_ns = max(NS, round(self.view.interval_s * NS))
        most = self._most_nl(span_ns + late_ns) + 2 * max(last.scale.step_nl, new.scale.step_nl)
        if wrap is not None and self._channel.most_l_min is None and span_ns <= self.limit_s * NS:
            most = min(most, wrap // 2)
        return most

    def _may_have_gone_round(self, last: _Shown, new: _Shown) -> bool:
        """Whether so much time passed that the number may have wrapped more than once."""
        wrap = new.scale.wrap_nl
        return wrap is not None and self._most_between(last, new) >= wrap

    def _lose(self, last: _Shown, new: _Shown) -> _Unknown:
        """What passed between two readings is not known; guess it apart."""
        seconds = (new.at_ns - last.at_ns) / NS
        flows = [shown.amount / 1e9 for shown in (last, new) if not shown.scale.total]
        cost = self._guess(seconds, sum(flows) / len(flows) if flows else self._rate.last_l_min)
        self._unknown = _Unknown(*(a + b for a, b in zip(self._unknown, cost, strict=True)))
        return cost

    def _guess(self, seconds: float, l_min: float) -> _Unknown:
        """Rectangular from nothing to twice the guess (JCGM 100, 4.3.7), or twice what usually flows."""
        guess = max(0.0, l_min) * seconds / 60.0
        half = max(guess, self._rate.usual_l_min * seconds / 60.0)
        return _Unknown(guess, half * half / 3.0, seconds)

    def _enter(self, last_ns: int, new_ns: int, before: tuple[int, _Unknown]) -> None:
        """Enter the whole seconds since the last reading into the history, straight lines between."""
        first, newest = last_ns // NS + 1, new_ns // NS
        if newest < first:
            return
        grains, unknown = before
        for second in (first, newest) if newest > first else (first,):
            part = (second * NS - last_ns) / (new_ns - last_ns)
            litres = (grains + (self._grains - grains) * part) / GRAINS_A_L
            lost = [a + (b - a) * part for a, b in zip(unknown, self._unknown, strict=True)]
            self._history.append(second, (litres, lost[1], lost[0], lost[2]))

    # ------------------------------------------------------------------ what is known now

    def _publish(self, now_s: int) -> None:
        view, last = self.view, self._last
        view.now_s = now_s
        if last is None:
            return
        view.last_reading_s = last.at_ns / NS
        view.total = last.scale.total
        view.litres = self._grains / GRAINS_A_L
        if now_s - view.last_reading_s > self.limit_s:
            view.state, view.rate_l_min, view.u_rate_l_min = FlowState.SILENT, None, 0.0
            self._rate.silent()
            return
        view.state = FlowState.SPEAKING
        rate = self._rate
        if view.total:
            rate.from_total(self._history, last.scale.step_nl / 1e9, view.interval_s)
        else:
            rate.from_flow(now_s, self._channel.resolution_kg)
        view.rate_l_min, view.u_rate_l_min, view.rate_window_s = rate.l_min, rate.u_l_min, rate.window_s

    def _at(self, second: int) -> tuple[float, _Unknown]:
        """Litres and unknown so far, at a second."""
        newest = self._history.last_s
        if newest is None or second <= newest:
            at = self._history.at
            return at(second), _Unknown(at(second, 2), at(second, 1), at(second, 3))
        return self._grains / GRAINS_A_L, self._unknown

    def passed(self, from_s: int, to_s: int) -> Passed:
        """The water between two station seconds; `Passed` says what is in it."""
        last = self._last
        if last is None:
            return Passed(0.0, 0.0, 0.0, 0.0, float(max(0, to_s - from_s)))
        (start, lost), (end, lost_by_end) = self._at(from_s), self._at(to_s)
        litres = end - start
        unknown = [max(0.0, b - a) for a, b in zip(lost, lost_by_end, strict=True)]
        last_s = last.at_ns / NS
        late, early = to_s - max(from_s, last_s), min(to_s, self._first_s) - from_s
        for silence in (late, early):
            if silence > self.limit_s:
                pending = self._guess(silence, self._rate.last_l_min)
                unknown = [a + b for a, b in zip(unknown, pending, strict=True)]
        heard_s = max(0.0, to_s - from_s - unknown[2])
        var = self._var(litres, heard_s)
        if 0.0 < late <= self.limit_s:  # not heard yet, and not counted
            var += (self._rate.last_l_min * late / 60.0) ** 2 / 3.0
        return Passed(litres, sqrt(var), unknown[0], sqrt(unknown[1]), unknown[2])

    def _var(self, litres: float, heard_s: float) -> float:
        """Of measured litres: of digits (one of step d: d^2/12; a steady flow errs the same way all the
        time, two numbers of a total differ by d^2/6) and, where it was told, of the meter."""
        assert self._last is not None  # noqa: S101  (asked before)
        scale = self._last.scale
        if scale.total:
            var = (scale.step_nl / 1e9) ** 2 / 6.0
        else:
            digit = max(self._channel.resolution_kg, scale.step_nl / 1e9)
            var = (digit * heard_s / 60.0) ** 2 / 12.0
        accuracy = self._channel.accuracy or 0.0
        return var + (accuracy * litres) ** 2 / 3.0
