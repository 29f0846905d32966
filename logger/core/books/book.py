"""The books: what was said, as it stands, and the pages that follow from it.

Nothing is overwritten: an amendment changes what counts from now on, the old words stay beside it. After
one the pages are made anew from all that was said; if that leads to nonsense (a run that ends before it
begins, a weight of a lot that is no more) it is refused, and the books are as before.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

from pydantic import ValidationError

from logger.core import actions
from logger.core.actions import BODY, body_json
from logger.core.actions.faults import faults, sentence
from logger.core.books.evidence import Evidence
from logger.core.books.lots import Lot
from logger.core.books.pages import Pages, Pending
from logger.core.books.refused import Refused
from logger.core.books.runs import Run, StationBook, Told
from logger.core.books.samples import Place, Sample
from logger.core.books.spoken import Spoken
from logger.core.entries import Action
from logger.core.walltime import rfc3339

IDS_KEPT = 10_000
SAMPLES_KEPT = 10_000


class Change(NamedTuple):
    """Something to be told of an action: the kind, subject and data of a finding."""

    kind: str
    subject: str
    data: dict[str, Any]


class Books:
    """All lots and runs of a bay, what was said of them, and the ids of actions already taken.

    ``stations``: the names of each station's outlets.
    """

    def __init__(self, stations: Mapping[str, Sequence[str]]) -> None:
        self._outlets = {name: tuple(outlets) for name, outlets in stations.items()}
        self.samples: deque[Sample] = deque()
        self._pages = Pages(self._outlets, self.samples)
        self._spoken: dict[int, Spoken] = {}
        self._ids: dict[str, tuple[int, dict[str, Any]]] = {}

    @property
    def lots(self) -> dict[str, Lot]:
        return self._pages.lots

    @property
    def runs(self) -> dict[str, Run]:
        """All runs by name, in the order they were said."""
        return self._pages.runs

    @property
    def stations(self) -> dict[str, StationBook]:
        return self._pages.stations

    @property
    def pending(self) -> list[Pending]:
        """Weights that are waited for, in the order they were asked for."""
        return self._pages.pending

    @property
    def evidence(self) -> Evidence:
        """What was said for the weigh-up: samples, results, moistures, check weights."""
        return self._pages.evidence

    def station_of(self, named: str | None) -> str:
        """The station an action means; refused where it is unknown or ambiguous."""
        return self._pages.station_of(named)

    # ------------------------------------------------------------------ ids

    def taken(self, action_id: str, body: Any = None) -> int | None:
        """The seq of an action with this id that was taken before, if any.

        Refused where ``body`` is told and the id was used for something else.
        """
        if not action_id or action_id not in self._ids:
            return None
        seq, said = self._ids[action_id]
        if body is not None and _core(body_json(body)) != said:
            raise Refused(
                f'the id "{action_id}" was used for another action (entry {seq}, {said["action"]}); '
                "choose a fresh one"
            )
        return seq

    def remember(self, action: Action) -> None:
        """Note an action's id; the oldest ids are forgotten beyond 10,000."""
        if action.id:
            self._ids[action.id] = (action.seq, _core(body_json(action.body)))
            if len(self._ids) > IDS_KEPT:
                del self._ids[next(iter(self._ids))]

    # ------------------------------------------------------------------ the way in

    def take(self, entry: Action) -> list[Change]:
        """Take an action about lots, runs, settings or notes. Refused leaves everything as it was."""
        body = entry.body
        if isinstance(body, actions.Amend):
            return self._amend(entry, body)
        if isinstance(body, actions.Withdraw):
            return self._withdraw(entry, body)
        if isinstance(body, actions.CancelWeighing):
            return self._cancel(body)
        spoken = Spoken(entry.seq, entry.at_ns, entry.who, entry.id, body_json(body))
        waiting = len(self.pending)
        try:
            self._pages.enter(spoken, body)
        except Refused:
            self._pages = self._anew()  # it may have been half entered
            raise
        self._spoken[entry.seq] = spoken
        found = [Change("weighing", each.scale, each.to_json()) for each in self.pending[waiting:]]
        if isinstance(body, actions.Mark):
            found.append(Change("marked", spoken.given, {"mark": spoken.given}))
        told = self.evidence.told(spoken, body)
        if told is not None:
            found.append(Change(*told))
        return found

    def fact(self, seq: int, fact: dict[str, Any]) -> None:
        """Enter what the fold found out for an action: see `Spoken.facts`. Refused as `take`."""
        spoken = self._spoken.get(seq)
        if spoken is None or spoken.withdrawn:
            return
        spoken.facts.append(fact)
        try:
            self._pages = self._anew()
        except Refused:
            spoken.facts.remove(fact)
            raise

    def _anew(self) -> Pages:
        """The pages that follow from all that stands."""
        pages = Pages(self._outlets, self.samples, self._pages.numbers)
        for spoken in self._spoken.values():
            if not spoken.withdrawn:
                try:
                    pages.enter(spoken, BODY.validate_python(spoken.body))
                except Refused as refused:
                    raise Refused(f"entry {spoken.seq} ({spoken.body['action']}): {refused}") from None
        return pages

    # ------------------------------------------------------------------ corrections of what was said

    def _find(self, named: int | str) -> Spoken:
        seq = named if isinstance(named, int) else self._seq_of(named)
        spoken = self._spoken.get(seq)
        if spoken is None:
            raise Refused(
                f"entry {named} is nothing that can be corrected; what can is listed with its numbers "
                "(what was recognised from the weight is corrected with its own id)"
            )
        return spoken

    def _seq_of(self, named: str) -> int:
        if named.isdecimal():
            return int(named)
        if named in self._ids:
            return self._ids[named][0]
        return next((s.seq for s in self._spoken.values() if s.given == named), -1)

    def _amend(self, entry: Action, body: actions.Amend) -> list[Change]:
        spoken = self._find(body.entry)
        if spoken.withdrawn:
            raise Refused(f"entry {spoken.seq} was withdrawn; say it anew")
        old = spoken.body
        changed = {key: value for key, value in (old | dict(body.change)).items() if value is not None}
        try:
            new = body_json(BODY.validate_python(changed))
        except ValidationError as error:
            told = "; ".join(sentence(fault) for fault in faults(error))
            raise Refused(f"with that change entry {spoken.seq} makes no sense: {told}") from None
        return self._change(entry, spoken, new, False, body.why)

    def _withdraw(self, entry: Action, body: actions.Withdraw) -> list[Change]:
        spoken = self._find(body.entry)
        if spoken.withdrawn:
            raise Refused(f"entry {spoken.seq} was withdrawn before")
        return self._change(entry, spoken, spoken.body, True, body.why)

    def _change(
        self, entry: Action, spoken: Spoken, new: dict[str, Any], withdrawn: bool, why: str
    ) -> list[Change]:
        old, before = spoken.body, (spoken.latest_ns, spoken.latest_seq)
        spoken.body, spoken.withdrawn = new, withdrawn
        spoken.latest_ns, spoken.latest_seq = entry.at_ns, entry.seq
        try:
            self._pages = self._anew()
        except Refused as refused:
            spoken.body, spoken.withdrawn = old, False
            spoken.latest_ns, spoken.latest_seq = before
            raise Refused(f"that can't stand with the rest: {refused}") from None
        spoken.history.append(
            {"was": old, "who": entry.who, "why": why, "entry": entry.seq, "said": rfc3339(entry.at_ns)}
        )
        data = {"entry": spoken.seq, "action": old["action"], "old": old, "why": why, "who": entry.who}
        if withdrawn:
            return [Change("withdrawn", str(spoken.seq), data)]
        return [Change("amended", str(spoken.seq), data | {"new": new})]

    def _cancel(self, body: actions.CancelWeighing) -> list[Change]:
        waiting = next((each for each in self.pending if each.scale == body.scale), None)
        if waiting is None:
            raise Refused(f"nothing is waited for on scale {body.scale}")
        fact = {"fact": "cancelled", "container": waiting.container, "what": waiting.what}
        self.fact(waiting.seq, fact)
        return [Change("weighing-cancelled", waiting.scale, waiting.to_json())]

    # ------------------------------------------------------------------ samples

    def add_sample(self, sample: Sample) -> None:
        """Enter a sample taken at an outlet; one of which only the mass was missing is completed.

        Refused where the number is used at that outlet. Of more than 10,000 the oldest without a result is
        forgotten.
        """
        mine = (sample.station, sample.outlet, sample.sample)
        for known in self.evidence.samples():
            if (known.station, known.outlet, known.sample) == mine:
                if not known.registered and known.mass_kg is None and sample.mass_kg is not None:
                    known.mass_kg, known.u_kg = sample.mass_kg, sample.u_kg
                    return
                raise Refused(
                    f'there is a sample "{sample.sample}" of {sample.outlet} already; number it otherwise'
                )
        self.samples.append(sample)
        if len(self.samples) > SAMPLES_KEPT:
            oldest = (each for each in self.samples if not self.evidence.has_result(each))
            self.samples.remove(next(oldest, sample))

    # ------------------------------------------------------------------ questions

    def run_json(self, run: Run) -> dict[str, Any]:
        """A run and all that was said in its course."""
        book = self.stations[run.station]
        mine = [t for t in self._pages.told if t.station in (None, run.station) and run.holds(t.at_ns)]
        pauses = [p for p in book.pauses if run.holds(p.from_ns)]
        return {
            "run": run.run,
            "station": run.station,
            "lot": run.lot,
            "start": rfc3339(run.start_ns),
            "end": _time(run.end_ns),
            "feed_from": _one_or_all(run.feed_from),
            "feed_ended": _time(run.feed_ended_ns),
            "hold_up_kg": run.hold_up_kg,
            "hold_up_how": run.hold_up_how,
            "entry": run.entry,
            "end_entry": run.end_entry or None,
            "settings": [{"time": rfc3339(at), "values": values} for at, values in book.settings_of(run)],
            "notes": [_told_json(t) for t in mine if not t.mark],
            "marks": [_told_json(t) for t in mine if t.mark],
            "pauses": [{"from": rfc3339(p.from_ns), "to": _time(p.to_ns), "why": p.why} for p in pauses],
            "samples": self.evidence.samples_of_run(run),
            "moistures": self.evidence.moistures_of_run(run.run),
            "products": {
                outlet: [each.to_json() for each in containers.values()]
                for outlet, containers in run.products.items()
            },
            "selling": self._pages.selling.of_run(run),
            "swept_up": [each.to_json() for each in run.swept_up.values()],
        }

    def lot_json(self, lot: Lot) -> dict[str, Any]:
        """A lot, and what was sampled of its feed."""
        samples, place = self.evidence.samples_of_lot(lot.lot), Place(lot=lot.lot)
        return lot.to_json() | {"samples": samples, "moistures": self.evidence.moistures_of(place)}

    def said_json(self) -> list[dict[str, Any]]:
        """Everything that can be corrected, newest first, with what it was before."""
        return [spoken.to_json() for spoken in reversed(self._spoken.values())]

    def spans(self) -> dict[str, tuple[Any, ...]]:
        """What tags a reading, run by run: compared before and after an action to tell what changed."""
        return {r.run: (r.station, r.lot, r.start_ns, r.end_ns) for r in self.runs.values()}


def _core(body: dict[str, Any]) -> dict[str, Any]:
    """A body without what the same words said again may have differently."""
    return {key: value for key, value in body.items() if key not in ("id", "who")}


def _one_or_all(named: tuple[str, ...]) -> str | list[str] | None:
    return None if not named else named[0] if len(named) == 1 else list(named)


def _time(at_ns: int | None) -> str | None:
    return None if at_ns is None else rfc3339(at_ns)


def _told_json(told: Told) -> dict[str, Any]:
    head = {"mark": told.mark} if told.mark else {}
    photographs = {"photographs": list(told.photographs)} if told.photographs else {}
    return head | {"time": rfc3339(told.at_ns), "text": told.text, "entry": told.entry} | photographs
