"""Between the books and what the instruments show: actions about lots and runs, weights taken from a
scale, a deck that runs empty, and the tally of a run.

`core.books` knows only what was said. What the fold finds out for it (a stable weight, an empty deck, a
feed that flows again) is entered there as a fact beside the action it belongs to.
"""

from __future__ import annotations

from collections.abc import Mapping
from itertools import pairwise
from typing import Any

from logger.core import actions
from logger.core.books import Books, Change, Refused, Run
from logger.core.channel import ChannelFold
from logger.core.emptying import emptied
from logger.core.entries import Action
from logger.core.expected_grades import expected_grades
from logger.core.kept_tallies import AGAIN_S, FRESH_S, REMEMBERED_S, KeptTallies
from logger.core.rhythm import Span
from logger.core.rhythm_words import rhythm_json
from logger.core.station import StationFold
from logger.core.tally import Mass, SaidMasses
from logger.core.walltime import rfc3339
from logger.core.weighing import LONGEST_WAIT_S, StableWeight

NS = 10**9
FLOWS_S = 15
FLOWS_SIGMAS = 8.0
BOOKED = (
    actions.OpenLot,
    actions.WeighLot,
    actions.WeighProduct,
    actions.SweptUp,
    actions.CancelWeighing,
    actions.RegisterSample,
    actions.SampleResult,
    actions.Moisture,
    actions.CheckWeight,
    actions.ForSale,
    actions.StartRun,
    actions.EndRun,
    actions.PauseFeed,
    actions.ResumeFeed,
    actions.Settings,
    actions.Note,
    actions.Mark,
    actions.WordMark,
    actions.Amend,
    actions.Withdraw,
)
"""The actions that are for the books."""


class Bookkeeper:
    """Keeps the books of a bay beside its stations and channels. Answers `Change`s to be told."""

    def __init__(
        self, books: Books, stations: Mapping[str, StationFold], channels: Mapping[str, ChannelFold]
    ) -> None:
        self.books = books
        self._stations = stations
        self._channels = channels
        self._scales: dict[str, StableWeight] = {}
        self._tallies = KeptTallies()

    # ------------------------------------------------------------------ what is said

    def act(self, entry: Action, at_ns: int) -> list[Change]:
        """Take an action of `BOOKED`. Refused where it makes no sense."""
        self._scales_known(entry.body)
        before = self.books.spans()
        told = self.books.take(entry)
        return told + self._followed(before, at_ns)

    def _scales_known(self, body: Any) -> None:
        for each in getattr(body, "containers", None) or (body,):
            scale = getattr(each, "scale", None)
            fold = self._channels.get(scale) if scale is not None else None
            if scale is not None and (fold is None or fold.now.track is None):
                known = ", ".join(n for n, c in self._channels.items() if c.now.track is not None)
                raise Refused(f'there is no scale "{scale}"; there is {known}')

    def _followed(self, before: dict[str, tuple[Any, ...]], at_ns: int) -> list[Change]:
        """Let the stations heed what stands now; what became of the runs."""
        for name, fold in self._stations.items():
            fold.heed(self.books.stations[name])
        self._expect()
        told: list[Change] = []
        after = self.books.spans()
        for name, span in after.items():
            was, run = before.get(name), self.books.runs[name]
            if was is None:
                told.append(Change("run-opened", name, self.books.run_json(run)))
            ended = run.end_ns is not None and (was is None or (was[:3] == span[:3] and was[3] is None))
            if ended:
                told.append(Change("run-closed", name, self._closed(run, at_ns)))
            elif was is not None and was != span:
                data = {"run": name, "old": _span_json(was), "new": _span_json(span)}
                told.append(Change("run-changed", name, data | self._closed(run, at_ns)))
        for name, was in before.items():
            if name not in after:
                self._tallies.drop(name)
                told.append(Change("run-withdrawn", name, {"run": name, "old": _span_json(was)}))
        return told

    def _expect(self) -> None:
        """Let the stations know what earlier lots tell of what runs now."""
        for name, fold in self._stations.items():
            run = self.books.stations[name].open_run
            fold.expect({} if run is None else expected_grades(self.books, run, fold.station))

    def _closed(self, run: Run, at_ns: int) -> dict[str, Any]:
        return self.books.run_json(run) | {"tally": self.run_tally(run, at_ns)}

    # ------------------------------------------------------------------ what the instruments show

    def corrected(self, at_ns: int) -> None:
        """What was recognised from a weight was corrected: take the tallies anew that can be."""
        self._expect()
        for run in self.books.runs.values():
            if run.end_ns is not None and at_ns - run.start_ns <= REMEMBERED_S * NS:
                self._tallies.drop(run.run)
                self.run_tally(run, at_ns)

    def tick(self, now_s: int) -> list[Change]:
        """Look, once a second, for what the books wait for."""
        told: list[Change] = []
        if self.books.pending:
            told += self._weigh(now_s)
        if now_s % AGAIN_S == 0:
            for each in self.books.runs.values():
                if each.end_ns is not None and now_s - each.end_ns // NS <= FRESH_S:
                    self.run_tally(each, now_s * NS)
        for name, fold in self._stations.items():
            book = self.books.stations[name]
            run, pause = book.open_run, book.paused
            if run is not None and run.feed_ended_ns is not None:
                how = emptied(fold.now, run.feed_ended_ns // NS)
                if how:
                    fact = {"fact": "emptied", "at_ns": now_s * NS, "how": how}
                    told += self._enter(run.end_entry, fact, now_s)
            elif pause is not None and self._flows(fold, pause.from_ns // NS, now_s):
                told += self._enter(pause.entry, {"fact": "resumed", "at_ns": now_s * NS}, now_s)
                told.append(Change("feed-resumed", name, {"station": name, "entry": pause.entry}))
        return told

    def _enter(self, seq: int, fact: dict[str, Any], now_s: int) -> list[Change]:
        before = self.books.spans()
        self.books.fact(seq, fact)
        return self._followed(before, now_s * NS)

    @staticmethod
    def _flows(fold: StationFold, paused_s: int, now_s: int) -> bool:
        """Whether the weighed feed plainly flowed in the last quarter of a minute of a pause."""
        feed = fold.now.feed
        start_s = now_s - FLOWS_S
        if feed is None or feed.track is None or start_s < paused_s + 5:
            return False
        step_mg = feed.channel.resolution_kg * 1e6
        used_mg = feed.track.delivered_at(now_s) - feed.track.delivered_at(start_s)
        sd_mg = (2.0 * max(feed.track.view.level_var_mg2, step_mg**2 / 12.0)) ** 0.5
        return bool(used_mg > FLOWS_SIGMAS * sd_mg)

    def _weigh(self, now_s: int) -> list[Change]:
        """The first weight that each scale is asked for."""
        told: list[Change] = []
        for scale in dict.fromkeys(each.scale for each in self.books.pending):
            waiting = next(each for each in self.books.pending if each.scale == scale)
            fold = self._channels[scale]
            resolution_kg = fold.now.channel.resolution_kg
            watched = self._scales.setdefault(scale, StableWeight(resolution_kg))
            fresh = now_s - fold.now.last_usable_s < 2.0
            watched.tick(fold.last_usable, fold.now.value, fresh)
            flag = None if fold.last_usable is None else fold.last_usable.stable
            if waiting.near_kg is None:
                kg, readings = watched.take(flag), 1
            else:
                kg, readings = watched.take_check(flag, waiting.near_kg, waiting.seq) or (None, 1)
            head = waiting.to_json()
            if kg is not None:
                fact: dict[str, Any] = {"fact": "weighed", "at_ns": now_s * NS}
                fact |= {"container": waiting.container, "what": waiting.what}
                u_kg = round(resolution_kg * (readings / 12) ** 0.5, 9)
                try:
                    self.books.fact(waiting.seq, fact | {"kg": round(kg, 9), "u_kg": u_kg})
                except Refused as refused:
                    self._drop(waiting.seq, fact)
                    told.append(Change("weighing-refused", scale, head | {"reason": str(refused), "kg": kg}))
                else:
                    self._expect()  # it may be a pan's, which makes a result dry
                    told.append(Change("weighed", scale, head | {"kg": round(kg, 6), "u_kg": u_kg}))
                    check = self.books.evidence.check_of(waiting.seq, scale)
                    if check is not None:
                        told.append(Change("check-weight", scale, check.to_json()))
            elif now_s - waiting.since_ns // NS > LONGEST_WAIT_S:
                self._drop(waiting.seq, {"container": waiting.container, "what": waiting.what})
                told.append(Change("weighing-lapsed", scale, head))
        return told

    def _drop(self, seq: int, fact: dict[str, Any]) -> None:
        self.books.fact(seq, fact | {"fact": "cancelled"})

    # ------------------------------------------------------------------ the tally of a run

    def said_masses(self, run: Run) -> SaidMasses:
        """What was said of a run's masses; products weighed by hand count once the run has ended."""
        by_hand: dict[str, Mass] = {}
        for outlet, containers in run.products.items():
            nets = [(c.net_kg, c.u_net_kg) for c in containers.values()]
            known = [(net, u) for net, u in nets if net is not None]
            if run.end_ns is not None and known and len(known) == len(nets):
                u_kg = sum(u * u for _, u in known) ** 0.5
                by_hand[outlet] = Mass(sum(net for net, _ in known), u_kg)
        return SaidMasses(by_hand, run.hold_up_kg)

    def run_tally(self, run: Run, at_ns: int) -> dict[str, Any]:
        """The tally of a run in the replay's form; for an open one, up to now.

        Where settings changed midway ``by_settings`` holds a tally for each stretch. ``by_hand`` holds what
        was weighed by hand, outlet by outlet, also of those that have a scale or stand together on one.
        ``taken`` is when it was taken: of a run beyond the tracks' memory the last that was; None: never.
        """
        end_ns = run.end_ns if run.end_ns is not None else max(at_ns, run.start_ns)
        # A run's last second counts: the level at the end of it is what the operator saw.
        start_s, end_s = run.start_ns // NS, -(-end_ns // NS)
        fold = self._stations[run.station]
        said = self.said_masses(run)
        data = fold.tally(start_s, end_s, said).to_json()
        head = {
            "run": run.run,
            "station": run.station,
            "lot": run.lot,
            "start": rfc3339(run.start_ns),
            "end": rfc3339(end_ns),
            "open": run.end_ns is None,
            "taken": rfc3339(at_ns),
        }
        how = run.hold_up_how or ("from the lag" if data["hold_up_kg"] is not None else "not known")
        told = head | data | {"hold_up_how": how, "by_settings": self._by_settings(run, start_s, end_s)}
        if run.end_ns is not None:
            remembered = at_ns - run.start_ns <= REMEMBERED_S * NS
            fresh = at_ns - run.end_ns <= FRESH_S * NS
            if remembered and (fresh or not self._tallies.holds(run.run, told, said)):
                self._tallies.keep(run.run, told, said)
            else:
                told = self._tallies.late(run.run, told, said)
        by_hand = {
            name: {"net_kg": round(mass.kg, 6), "u_kg": round(mass.u_kg, 6)}
            for name, mass in said.by_hand.items()
        }
        return told | {"by_hand": by_hand, "rhythm": self._rhythm(run, end_s)}

    @staticmethod
    def span_s(run: Run, now_s: int) -> Span:
        """A run as station seconds, [from, to)."""
        return run.start_ns // NS, now_s if run.end_ns is None else -(-run.end_ns // NS)

    def lot_spans(self, run: Run, now_s: int) -> list[Span]:
        """All runs of the same lot over the same station that are remembered, and this one."""
        if run.lot is None:
            return [self.span_s(run, now_s)]
        runs = self.books.runs.values()
        return [self.span_s(r, now_s) for r in runs if (r.lot, r.station) == (run.lot, run.station)]

    def _rhythm(self, run: Run, now_s: int) -> dict[str, Any]:
        """How often each weighed outlet plugged in the run, what it cost; and over the lot's runs."""
        fold = self._stations[run.station]
        spans, lot = [self.span_s(run, now_s)], self.lot_spans(run, now_s)
        told: dict[str, Any] = {}
        for number, outlet in enumerate(fold.now.outlets):
            if outlet.now is not None:
                over = run.end_ns is not None
                mine = rhythm_json(fold.rhythm.over(number, spans, now_s), now_s, over=over)
                whole = fold.rhythm.over(number, lot, now_s) if len(lot) > 1 else None
                told[outlet.outlet.name] = mine | {
                    "lot": None if whole is None else rhythm_json(whole, now_s, over=over)
                }
        return told

    def _by_settings(self, run: Run, start_s: int, end_s: int) -> list[dict[str, Any]]:
        """A tally for each stretch of unchanged settings; [] where they did not change."""
        told = self.books.stations[run.station].settings_of(run)
        times = [start_s, *(at_ns // NS for at_ns, _ in told if at_ns // NS > start_s), end_s]
        edges = [edge for k, edge in enumerate(times) if k == 0 or edge > times[k - 1]]
        if len(edges) < 3:
            return []
        book, fold = self.books.stations[run.station], self._stations[run.station]
        return [
            {
                "start": rfc3339(a * NS),
                "end": rfc3339(b * NS),
                "values": book.settings_at((a + 1) * NS - 1 if k else run.start_ns),
            }
            | fold.tally(a, b).to_json()
            for k, (a, b) in enumerate(pairwise(edges))
        ]


def _span_json(span: tuple[Any, ...]) -> dict[str, Any]:
    station, lot, start_ns, end_ns = span
    return {
        "station": station,
        "lot": lot,
        "start": rfc3339(start_ns),
        "end": None if end_ns is None else rfc3339(end_ns),
    }
