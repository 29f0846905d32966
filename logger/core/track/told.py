"""What a person says of the containers, applied to a track.

Something said is about one step of the weight: the last within two minutes, or the next within two minutes.
The step is then believed to be what was said, whatever it looked like: `ledger.belief` says what it counts
for, and the difference is kept with the corrections, beside what was weighed. So whatever is said can be
corrected like anything that was recognised, and saying it late comes to the same as saying it in time.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from logger.core.description import ContainerKind
from logger.core.track.episode import Episode
from logger.core.track.ledger import FRESH, Belief, Record, belief
from logger.core.track.restate import kg
from logger.core.track.saying import EARLY_S, SAID_S, STANDS_S, WORDS, Saying, fits
from logger.core.track.unsay import Unsayer
from logger.core.track.view import Recognised, TrackState


class Told(Unsayer):
    """Adds what people say to what the machine recognises."""

    _late: list[Recognised]
    _kind: ContainerKind

    # ------------------------------------------------------------------ saying

    def say(self, now_s: int, saying: Saying) -> Recognised | None:
        """Take what was said; what the step it is about is believed to be. None: that step is waited for.

        ValueError, in the operator's words: it makes no sense now.
        """
        if self._feed is not None:
            raise ValueError("that is said of an outlet's container; this is the feed")
        if self.view.state is TrackState.WAITING:
            raise ValueError("the scale has not shown a steady weight yet; wait until it does")
        e = self._episode
        blind = self.view.state in (TrackState.SILENT, TrackState.FROZEN)
        if e is not None and saying.at_s >= e.start_s - EARLY_S and not blind:
            record = self._off_record(e) if saying.what == "away" else None
        else:
            record = self._meant(saying)
        if record is not None:
            return self._apply(saying, record)
        others = (s for s in self._sayings if (s.what, s.sample) != (saying.what, saying.sample))
        self._wait_for(*others, saying)
        return None

    def _off_record(self, e: Episode) -> Record | None:
        """The container was seen to go, and is not back: the record of that."""
        if not e.off:
            return None
        found = (r for r in self._ledger.since(e.start_s) if r.found == "container-off")
        return next((r for r in found if r.from_s == e.start_s), None)

    def _meant(self, saying: Saying) -> Record | None:
        """The step that is meant: the last one before, or else the first one after the time said."""
        recent, gain = self._ledger.since(saying.at_s - SAID_S), self._account.gain
        if saying.what == "away":  # only the very last step: the scale must still stand bare
            recent = recent[:1] if self._former is not None and self._episode is None else []
        can = [r for r in recent if fits(saying, r, self._know, gain, ahead=False)]
        if saying.what == "away":
            can = [r for r in can if r.found != "container-off"]
        before = [r for r in can if r.from_s <= saying.at_s + EARLY_S]
        found = before[0] if before else (can[-1] if can else None)
        if saying.what == "change" and found is not None and found.found in ("bump", "tare-pressed"):
            # A change that was seen is meant rather than an elbow, or the tare key, after it.
            found = next((r for r in before if r.what == "container-changed"), found)
        return found

    def _apply(self, saying: Saying, record: Record) -> Recognised:
        """Believe that the step was what was said."""
        data: dict[str, Any] = {}
        record.hold(saying)
        if saying.what == "change":
            self._changed(record)
        elif saying.what == "away":
            self._went(record)
        else:
            was = saying.what
            self._restate(record, belief(record, was, None, self._kind is ContainerKind.RETAINS))
            mass, var = record.taken(self._account.gain)
            if was == "decanted":
                data = {"water_kg": kg(mass), "water_u_kg": kg(var**0.5)}
            else:
                data = _sample(saying, mass, var**0.5)
        record.said, record.what = saying.what, WORDS[saying.what]
        return self._event(record, data)

    def _changed(self, record: Record) -> None:
        if record.found in FRESH and record.said in ("", "change"):
            return
        if record.said == "away":  # what fell beside stays beside; only the tare was not known
            self._retare(record, record.after)
        else:
            self._restate(record, belief(record, "change", None))
        self._fresh(record)

    def _went(self, record: Record) -> None:
        """The container is away since this step: what comes is not caught."""
        if record.found != "container-off":
            self._reopen(record)
        self._away_s = self.view.away_since_s = record.from_s

    def _reopen(self, record: Record) -> None:
        """A step down was the container taken off after all: nothing stands on the scale since."""
        if self._former is None:
            raise ValueError("the step of the weight is too long ago")
        e, now_s, account = self._former[0], self.view.now_s, self._account
        account.keep(e)
        account.redraw(e.start_s, e.delivered)
        e.off, e.off_level, e.off_s = True, record.after, record.to_s
        e.seconds += now_s - record.to_s
        e.credit += e.rate * (now_s - record.to_s)
        e.means.append(self._level)
        e.tail.clear()
        record.counted = record.var = record.estimated = record.expected = 0.0
        record.spliced = False
        self._retare(record, record.tare_before)
        self._episode, self._former, self._pour = e, None, None
        self._credits = [r for r in self._credits if r.number != record.number]
        self._past.clear()
        self._noise.broken()
        account.drainage.broken()
        self._enter(TrackState.DISTURBED, now_s)
        self._enter(TrackState.OFF, record.to_s)

    # ------------------------------------------------------------------ what comes of it

    def _answer(self, events: list[Recognised], now_s: int) -> list[Recognised]:
        """What was recognised in this second, in the light of what was said before it."""
        found = []
        for event in events:
            found.append(event if event.number == 0 else self._believed(event))
        e = self._episode
        for saying in self._sayings:
            if e is not None and e.start_s <= saying.until_s:
                still = now_s - max(saying.said_s, self.view.state_since_s)
                if self.view.state is TrackState.OFF and saying.what != "away" and still >= STANDS_S:
                    found += self._stands(saying, e, now_s)
                    break
            elif now_s > saying.until_s:
                self._wait_for(*(s for s in self._sayings if s is not saying))
                found.append(self._unseen(saying))
        return found

    def _believed(self, event: Recognised) -> Recognised:
        record = self._ledger.get(event.number)
        if self._away_s is not None and record.found != "container-off":
            event = self._back(record)
        for saying in self._sayings:
            if fits(saying, record, self._know, self._account.gain, ahead=True):
                self._wait_for(*(s for s in self._sayings if s is not saying))
                return replace(told := self._apply(saying, record), data=event.data | told.data)
        return event

    def _back(self, record: Record) -> Recognised:
        """A container stands there again: what came meanwhile, as far as it is not in it, fell beside."""
        self._away_s = self.view.away_since_s = None
        if record.spliced:
            self._restate(record, belief(record, "away", None))
        else:
            beside = max(0.0, record.expected - record.counted)
            kept = Belief(record.counted, record.var, False, record.estimated, record.tare, uncaught=beside)
            self._restate(record, kept)
        record.said = "away"
        beside_u = record.uncaught_var**0.5
        return self._event(record, {"not_caught_kg": kg(record.uncaught), "not_caught_u_kg": kg(beside_u)})

    def _stands(self, saying: Saying, e: Episode, now_s: int) -> list[Recognised]:
        """Nothing moves on a scale that looks empty: a container stands there, and its tare was pressed."""
        self._wait_for(*(s for s in self._sayings if s is not saying))
        if saying.what == "change":
            return [self.container_set(now_s, None, what="container-changed")]
        found = self._resume(e, now_s, e.means[-1])
        return [self._apply(saying, self._ledger.get(found[0].number))]

    def _unseen(self, saying: Saying) -> Recognised:
        """No step came within two minutes. A sample that is too light for one was taken all the same."""
        data = {"said": saying.what} | (_sample(saying, None, None) if saying.sample else {})
        down = self._gate()[1]
        if saying.mass is None or saying.mass > down:
            return Recognised("unseen", saying.at_s, saying.until_s, 0.0, data=data)
        mass, at_s = saying.mass, saying.at_s
        # The level followed it down, so it is counted again; or else it never lay in the container.
        record = Record(0, at_s, at_s, 0.0, mass, 0.0, 0.0, 0.0, expected_var=0.25 * mass * mass)
        record.tare_before = record.tare_found = record.tare = self.view.tare_mg
        record.after, record.since_s = self._level, self._stood_s
        number = self._ledger.enter(Recognised("sample-taken", at_s, at_s, 0.0), record).number
        self._restate(record, Belief(mass, record.expected_var, False, mass, record.tare))
        record.said = "sample"
        return replace(self._event(record, data), number=number)

    # ------------------------------------------------------------------ a fresh container

    def container_set(
        self, now_s: int, tare_mg: float | None, at_s: int | None = None, *, what: str = "container-set"
    ) -> Recognised:
        """A fresh container stands there since ``at_s`` (now); ``tare_mg`` where it was not empty."""
        view, e = self.view, self._episode
        at_s = now_s if at_s is None else min(at_s, now_s)
        record = Record(
            0, at_s, at_s, 0.0, 0.0, 0.0, 0.0, 0.0, tare_before=view.tare_mg, since_s=self._stood_s
        )
        if view.state is TrackState.WAITING:
            view.tare_mg = tare_mg
        else:
            grown = 0.0
            if e is not None:
                self._end_here(e, record, now_s)
            elif not self._ledger.since(at_s):
                grown = (self.delivered_at(now_s) - self.delivered_at(at_s)) / self._account.scale
            view.tare_mg = self._level - grown if tare_mg is None else tare_mg
            self._know.learn_tare(view.tare_mg)
            self._account.drainage.changed()
            self._account.drainage.broken()
            self._former = None
            self._stood_s = at_s
        self._wait_for(*(s for s in self._sayings if s.what not in ("change", "away")))
        record.after, record.tare_found, record.tare = self._level, view.tare_mg, view.tare_mg
        event = Recognised(what, record.from_s, record.to_s, record.shown)
        record.number = self._ledger.enter(event, record).number
        if self._away_s is not None:
            return self._back(record)
        if e is not None:
            self._publish(now_s)
        record.said = "change"
        return self._event(record, {})

    def _end_here(self, e: Episode, record: Record, now_s: int) -> None:
        """A disturbance counts as over: what was expected is what passed."""
        account = self._account
        self._level = e.means[-1] if e.means else e.level
        self._level_var = self._noise.r + self._noise.floor
        credit, var = e.credit, e.credit_u() ** 2
        step_var = account.gain**2 * self._level_var
        account.rebase(self._level, e.delivered + credit)
        account.var = e.var + var + step_var
        account.estimated = e.estimated + credit
        self._steady_again(now_s)
        record.from_s, record.to_s = e.start_s, now_s
        record.shown = self._level - e.level
        record.step = record.shown * account.scale
        record.expected = record.counted = record.estimated = credit
        record.expected_var = record.var = var
        record.step_var, record.spliced = step_var, True

    # ------------------------------------------------------------------ corrections

    def correct(self, number: int, was: str | None = None, credit_mg: float | None = None) -> float:
        """Correct a recognised event; it is applied here, and the change (mg) returned. A later one wins.

        ``was``: ``product``, ``nothing`` or ``change``; or the mass that passed. KeyError: unknown number.
        ValueError, in the operator's words: it can't have been that.
        """
        record = self._ledger.get(number)
        believed = belief(record, was, credit_mg)
        if record.found == "container-off" or record.what == "container-away":
            self._correct_off(record, was)
            return 0.0
        before = record.counted
        record.hold(None)
        self._restate(record, believed)
        if was == "change" and record.what not in FRESH:
            self._fresh(record)
        record.what, record.said = record.found, ""
        return record.counted - before

    def _correct_off(self, record: Record, was: str | None) -> None:
        """A container that is away: it is not, or not for good."""
        e = self._episode
        if e is None or not e.off or record.from_s != e.start_s:
            ended = next((r.number for r in self._ledger.later(record.number)), None)
            which = "" if ended is None else f", which has the number {ended}"
            raise ValueError(f"a container stands there again; correct what ended that{which}")
        if was == "nothing" and self._away_s is not None:
            self._away_s = self.view.away_since_s = None
            record.what, record.said = "container-off", ""
            return
        if self.view.state is not TrackState.OFF or was not in ("nothing", "change"):
            raise ValueError(
                'nothing is counted for it yet; say that it was "nothing" if a container stands there and '
                'its tare was pressed, "change" if a fresh one does, or correct what ends it'
            )
        now_s = self.view.now_s
        if was == "nothing":
            self._late += self._resume(e, now_s, e.means[-1])
        else:
            self._late.append(self.container_set(now_s, None))


def _sample(saying: Saying, mass: float | None, u: float | None) -> dict[str, Any]:
    """A sample's name and mass: as it was typed, else as the weight shows."""
    if saying.mass is not None:
        mass, u = saying.mass, None
    return {"sample": saying.sample, "mass_kg": kg(mass), "mass_u_kg": kg(u)}
