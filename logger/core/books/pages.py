"""The pages of the books: lots, runs, settings, notes and weights, as they follow from what stands.

Made by entering accepted actions one after another; made anew, from the first on, when something said
is corrected. A refusal raises `Refused`, whose text is for the operator.
"""

from __future__ import annotations

from bisect import insort
from collections import deque
from collections.abc import Mapping
from typing import Any, NamedTuple

from logger.core import actions
from logger.core.books.evidence import Evidence
from logger.core.books.lots import Lot, Weighed
from logger.core.books.refused import Refused
from logger.core.books.runs import Pause, Run, StationBook, Told
from logger.core.books.samples import Sample
from logger.core.books.selling import Selling
from logger.core.books.spoken import Spoken
from logger.core.walltime import rfc3339

FUTURE_NS = 60 * 10**9
"""How far ahead of its saying an action may take effect (a hand-held clock may be a little off)."""


class Pending(NamedTuple):
    """A weight that is waited for: ``what`` (gross, tare, …) of a container, on a scale.

    ``near_kg``: a check weight's nominal mass; anything else on the scale is not taken for it.
    """

    seq: int
    scale: str
    what: str
    container: str
    of: str  # "lot L-0412", "outlet fines of run-3"
    since_ns: int
    near_kg: float | None = None

    def to_json(self) -> dict[str, Any]:
        return {
            "entry": self.seq,
            "scale": self.scale,
            "what": self.what,
            "container": self.container,
            "of": self.of,
            "since": rfc3339(self.since_ns),
        }


class Pages:
    """State of the books. ``outlets``: the names of each station's outlets.

    ``taken``: samples that were taken at outlets, which are kept beside the pages.
    ``numbers``: how many names of runs and marks were made up before; they are not used twice.
    """

    def __init__(
        self,
        outlets: Mapping[str, tuple[str, ...]],
        taken: deque[Sample],
        numbers: tuple[int, int] = (0, 0),
    ) -> None:
        self.outlets = outlets
        self.lots: dict[str, Lot] = {}
        self.runs: dict[str, Run] = {}
        self.stations = {name: StationBook() for name in outlets}
        self.told: list[Told] = []
        self.pending: list[Pending] = []
        self.evidence = Evidence(self, taken)
        self.selling = Selling(self)
        self._made_up, self._marks = numbers

    @property
    def numbers(self) -> tuple[int, int]:
        """How many names of runs and of marks were made up so far."""
        return self._made_up, self._marks

    def enter(self, spoken: Spoken, body: Any) -> None:  # noqa: PLR0912 - one case a kind of action
        """Enter an accepted action. Refused, with the pages half written, where it makes no sense."""
        at_ns = spoken.at_ns if body.time_ns is None else body.time_ns
        match body:
            case actions.OpenLot():
                self._open_lot(at_ns, spoken, body)
            case actions.WeighLot():
                self._weigh_lot(spoken, body)
            case actions.WeighProduct():
                self._weigh_product(spoken, body)
            case actions.SweptUp():
                run = self.run_meant(body.run, body.station)
                self._weights(spoken, run.swept_up, body, f"what was swept up in {run.run}")
            case actions.ForSale():
                self.selling.enter(spoken, body)
            case actions.Of() | actions.CheckWeight():
                self.evidence.enter(at_ns, spoken, body)
            case actions.StartRun():
                self._start_run(at_ns, spoken, body)
            case actions.EndRun():
                self._end_run(at_ns, spoken, body)
            case actions.PauseFeed():
                self._pause(at_ns, spoken, body)
            case actions.ResumeFeed():
                self._resume(at_ns, spoken, body)
            case actions.Settings():
                self._not_future(at_ns, spoken.latest_ns)
                self.stations[self.station_of(body.station)].change(at_ns, spoken.seq, dict(body.values))
            case actions.Note():
                self._note(at_ns, spoken, body)
            case actions.Mark():
                station = self._one(body.station)
                self._marks += 1
                spoken.given = spoken.given or f"mark-{self._marks}"
                insort(self.told, Told(at_ns, station, "", spoken.given, entry=spoken.seq))
            case actions.WordMark():
                self._word(body)
            case _:
                raise TypeError(f"{body.action} is not for the books")

    # ------------------------------------------------------------------ lots and weights

    def _open_lot(self, at_ns: int, spoken: Spoken, body: actions.OpenLot) -> None:
        if body.lot in self.lots:
            raise Refused(f'lot "{body.lot}" is booked in already; choose another name')
        if body.gross is None and body.tare is not None:
            raise Refused(f'lot "{body.lot}" has a tare but no gross; give both')
        lot = Lot(
            body.lot,
            body.owner,
            body.material,
            body.gross,
            body.tare,
            body.moisture,
            at_ns,
            spoken.seq,
            body.note,
            tuple(body.photographs),
        )
        self.lots[body.lot] = lot
        for each in body.containers:
            self._weights(spoken, lot.containers, each, f"lot {lot.lot}")

    def _weigh_lot(self, spoken: Spoken, body: actions.WeighLot) -> None:
        lot = self.lots.get(body.lot)
        if lot is None:
            raise Refused(f'there is no lot "{body.lot}"; open it first')
        if lot.gross_kg is not None:
            raise Refused(
                f'lot "{body.lot}" was booked in with one gross for all; amend entry {lot.entry} instead'
            )
        self._weights(spoken, lot.containers, body, f"lot {lot.lot}")

    def _weigh_product(self, spoken: Spoken, body: actions.WeighProduct) -> None:
        run = self.run_meant(body.run, body.station)
        self.outlet_of(run, body.outlet)
        containers = run.products.setdefault(body.outlet, {})
        self._weights(spoken, containers, body, f"outlet {body.outlet} of {run.run}")

    def outlet_of(self, run: Run, named: str) -> None:
        """Refused where the run's station has no such outlet."""
        if named not in self.outlets[run.station]:
            known = ", ".join(self.outlets[run.station])
            raise Refused(f'there is no outlet "{named}" on {run.station}; there is {known}')

    def run_meant(self, named: str | None, station: str | None) -> Run:
        """The run named, the open one, or the station's last."""
        if named is not None:
            if named not in self.runs:
                raise Refused(f'there is no run "{named}"; there is {", ".join(self.runs) or "none yet"}')
            return self.runs[named]
        station = self.station_of(station)
        open_run = self.stations[station].open_run
        ended = [run for run in self.runs.values() if run.station == station]
        if open_run is None and not ended:
            raise Refused(f"no run of {station} is known; start one first")
        return open_run or max(ended, key=lambda run: run.start_ns)

    def _weights(self, spoken: Spoken, into: dict[str, Weighed], said: Any, of: str) -> None:
        """Put what was typed in; wait for what is to be weighed; enter what was weighed already."""
        weighed = into.setdefault(said.container, Weighed(said.container))
        weighed.scale = said.scale or weighed.scale
        for what in ("gross", "tare"):
            value = getattr(said, what)
            if value is not None:
                told = self.weight(spoken, (said.container, what, value, said.scale), of)
                if told is not None:
                    weighed.put(what, *told)

    def weight(
        self, spoken: Spoken, asked: tuple[str, str, Any, Any], of: str, near_kg: float | None = None
    ) -> tuple[float, float | None] | None:
        """A weight and its uncertainty, as typed in or weighed already; None: it is waited for, or lapsed.

        ``asked``: container, which of its weights, the mass or ``weigh``, and the scale.
        """
        container, what, value, scale = asked
        if value != "weigh":
            return value, None
        mine = [f for f in spoken.facts if f.get("container") == container and f.get("what") == what]
        if not mine:
            self.pending.append(Pending(spoken.seq, scale, what, container, of, spoken.at_ns, near_kg))
            return None
        return (mine[-1]["kg"], mine[-1]["u_kg"]) if mine[-1]["fact"] == "weighed" else None

    # ------------------------------------------------------------------ runs

    def station_of(self, named: str | None) -> str:
        """The station an action means; refused where it is unknown or ambiguous."""
        if named is None:
            if len(self.stations) == 1:
                return next(iter(self.stations))
            raise Refused(f"say which station: {', '.join(self.stations)}")
        if named not in self.stations:
            raise Refused(f'there is no station "{named}"; there is {", ".join(self.stations)}')
        return named

    def _one(self, named: str | None) -> str | None:
        """As `station_of`, but None where there are several and none is named."""
        return None if named is None and len(self.stations) > 1 else self.station_of(named)

    def _start_run(self, at_ns: int, spoken: Spoken, body: actions.StartRun) -> None:
        station = self.station_of(body.station)
        book = self.stations[station]
        end_ns = body.until_ns
        if book.open_run is not None and (end_ns is None or end_ns > book.open_run.start_ns):
            raise Refused(f'run "{book.open_run.run}" is still open on {station}; end it first')
        if body.lot is not None and body.lot not in self.lots:
            raise Refused(f'there is no lot "{body.lot}"; open it first')
        name = body.run or spoken.given
        if name and name in self.runs:
            raise Refused(f'there is a run "{name}" already; choose another name')
        self._not_future(at_ns, spoken.latest_ns)
        if end_ns is not None:
            self._not_future(end_ns, spoken.latest_ns)
        self._free(station, at_ns, end_ns)
        for product in body.sources:
            self._fed_from(product)
        spoken.given = name = name or self._next_run()
        run = Run(name, station, body.lot, at_ns, end_ns, spoken.seq, feed_from=body.sources)
        self.runs[name] = run
        if end_ns is None:
            book.open_run = run

    def _free(self, station: str, start_ns: int, end_ns: int | None) -> None:
        """Refused where another run of the station lies in that span."""
        for run in self.runs.values():
            if run.station != station or (end_ns is not None and end_ns <= run.start_ns):
                continue
            if run.end_ns is not None and run.end_ns <= start_ns:
                continue
            if run.start_ns > start_ns:
                what = 'for a run before that give "until" too' if end_ns is None else "end before that"
                raise Refused(f'run "{run.run}" of {station} began at {rfc3339(run.start_ns)}; {what}')
            raise Refused(
                f'run "{run.run}" of {station} ended at {rfc3339(run.end_ns or 0)}; start after that'
            )

    def _fed_from(self, named: str) -> None:
        run, _, outlet = named.rpartition("/")
        if run not in self.runs:
            raise Refused(f'"feed_from" names run "{run}", which is not known')
        if outlet not in self.outlets[self.runs[run].station]:
            known = ", ".join(self.outlets[self.runs[run].station])
            raise Refused(f'"feed_from": run "{run}" has no outlet "{outlet}"; it has {known}')

    def _next_run(self) -> str:
        while True:
            self._made_up += 1
            if f"run-{self._made_up}" not in self.runs:
                return f"run-{self._made_up}"

    def _end_run(self, at_ns: int, spoken: Spoken, body: actions.EndRun) -> None:
        run = self._run_to_end(body)
        station = run.station
        self._not_future(at_ns, spoken.latest_ns)
        if at_ns < run.start_ns:
            raise Refused(f'run "{run.run}" started at {rfc3339(run.start_ns)}; it can\'t end before that')
        run.end_entry = spoken.seq
        if body.hold_up == "wait" and run.feed_ended_ns is None:
            run.feed_ended_ns = at_ns
            emptied = next((f for f in spoken.facts if f["fact"] == "emptied"), None)
            if emptied is None:
                return
            at_ns, run.hold_up_how = emptied["at_ns"], emptied["how"]
        elif isinstance(body.hold_up, float):
            run.hold_up_kg, run.hold_up_how = body.hold_up, "declared"
        run.end_ns = at_ns
        self.stations[station].open_run = None
        paused = self.stations[station].paused
        if paused is not None:
            paused.to_ns = at_ns

    def _run_to_end(self, body: actions.EndRun) -> Run:
        if body.run is None:
            station = self.station_of(body.station)
            run = self.stations[station].open_run
            if run is None:
                raise Refused(f"no run is open on {station}")
            return run
        if body.run not in self.runs:
            raise Refused(f'there is no run "{body.run}"; there is {", ".join(self.runs) or "none yet"}')
        run = self.runs[body.run]
        if body.station not in (None, run.station):
            raise Refused(f'run "{body.run}" is on {run.station}, not on {body.station}')
        if run.end_ns is not None:
            raise Refused(
                f'run "{body.run}" ended at {rfc3339(run.end_ns)}; '
                f"to set another end amend entry {run.end_entry or run.entry}"
            )
        return run

    def _pause(self, at_ns: int, spoken: Spoken, body: actions.PauseFeed) -> None:
        station = self.station_of(body.station)
        book = self.stations[station]
        self._not_future(at_ns, spoken.latest_ns)
        if book.paused is not None:
            raise Refused(f"the feed of {station} is paused since {rfc3339(book.paused.from_ns)}")
        resumed = next((f["at_ns"] for f in spoken.facts if f["fact"] == "resumed"), None)
        insort(book.pauses, Pause(at_ns, resumed, body.why, spoken.seq))

    def _resume(self, at_ns: int, spoken: Spoken, body: actions.ResumeFeed) -> None:
        station = self.station_of(body.station)
        self._not_future(at_ns, spoken.latest_ns)
        paused = self.stations[station].paused
        if paused is None:
            raise Refused(f"the feed of {station} is not paused")
        if at_ns < paused.from_ns:
            raise Refused(f"the pause began at {rfc3339(paused.from_ns)}; it can't end before that")
        paused.to_ns = at_ns

    # ------------------------------------------------------------------ notes and marks

    def _note(self, at_ns: int, spoken: Spoken, body: actions.Note) -> None:
        told = Told(
            at_ns,
            self._one(body.station),
            body.text,
            photographs=tuple(body.photographs),
            entry=spoken.seq,
        )
        insort(self.told, told)

    def _word(self, body: actions.WordMark) -> None:
        mark = next((each for each in self.told if each.mark == body.mark), None)
        if mark is None:
            known = ", ".join(each.mark for each in self.told if each.mark) or "none yet"
            raise Refused(f'there is no mark "{body.mark}"; there is {known}')
        mark.text = body.text

    @staticmethod
    def _not_future(at_ns: int, said_ns: int) -> None:
        if at_ns > said_ns + FUTURE_NS:
            raise Refused(f"{rfc3339(at_ns)} is in the future; it is {rfc3339(said_ns)} here")
